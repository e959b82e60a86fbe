"""Ways to spoil a file that know its shape: numbers, units, words, lines and bytes, by a seeded random source.

The files that they begin with are the invented examples and the shipped catalogs.
"""

from __future__ import annotations

import io
import random
import re
import zipfile
from collections.abc import Callable, Sequence

Spoil = Callable[[random.Random, str], str]

NUMBERS = (
    *("0", "-1", "1e3", "1e-320", "1e308", "1e400", "nan", "inf", "-inf", "0x10", "1_000", "00012", "1,5", "1.100"),
    *(
        "1.100,5",
        "1,100.5",
        "9" * 18,
        "9" * 400,
        "0." + "0" * 60 + "1",
        "1/0",
        "1/3",
        "3 1/2",
        "½",
        "٣",
        "１２",
        "²",
        "1e",
    ),
    *("--1", "+", "", " ", "99999999999", "1000000000000", "0.00000001", "3..5", ".5", "5.", "1 2", "1/" + "9" * 5000),
)
UNITS = (
    *(
        "in",
        "ft",
        "m",
        "mm",
        "cm",
        "km",
        "yd",
        "gal/h",
        "L/h",
        "gpd",
        "UK gal/h",
        "ML/d",
        "mL/min",
        "m3/h",
        "psi",
        "bar",
    ),
    *(
        "MPa",
        "mPa",
        "degF",
        "degC",
        "K",
        "%",
        "g/kg",
        "ppt",
        "W",
        "kW",
        "h",
        "years",
        "USD",
        "EUR",
        "USD/h",
        "in in",
        "''",
    ),
)
WORDS = (
    *(
        "null",
        "~",
        "yes",
        "no",
        "true",
        "[]",
        "{}",
        "[[]]",
        "{a: {a: {a: b}}}",
        "- -",
        "? x",
        "!!python/object:x",
        "!!binary x",
    ),
    *(
        "&a [*a, *a]",
        "*nowhere",
        "<<: *x",
        "elbow x 50",
        "elbow x 51",
        "open joint",
        "pump return",
        "device uv",
        "tee",
        "cap",
    ),
    *(
        "brass",
        "Brass",
        "sch 80 PVC",
        "1-1/2 in",
        "32 mm",
        "9999 in",
        "12/16 mm",
        "any",
        "at least",
        "exactly 300 gal/h",
    ),
    *(
        "\\x1b[31m",
        "\x1b[2J",
        "\x07",
        "\x00",
        "\u202e",
        "\ufeff",
        "\u2028",
        "😀",
        '"\\ud83d"',
        '"\\ud83d\\ude00"',
        "é",
        "名",
    ),
    *(
        "x" * 81,
        "x" * 3000,
        "a\nb",
        "a\tb",
        "'",
        '"',
        "`",
        "#",
        ":",
        ": :",
        "{",
        "[",
        "%",
        "@",
        "|",
        ">",
        "---",
        "...",
        "=1+1",
    ),
    *(
        "${HOME}",
        "../../etc/passwd",
        "file.yaml",
        "<script>",
        "&amp;",
        "]]>",
        "%s%n",
        "{0}",
        "\\",
        "CON",
        "-",
        "--help",
    ),
)


def _token(rng: random.Random, text: str, pattern: str, words: Sequence[str]) -> str:
    found = list(re.finditer(pattern, text))
    if not found:
        return text
    match = rng.choice(found)
    return text[: match.start()] + rng.choice(words) + text[match.end() :]


def _number(rng: random.Random, text: str) -> str:
    return _token(rng, text, r"(?<![\w-])\d+(?:\.\d+)?", NUMBERS)


def _unit(rng: random.Random, text: str) -> str:
    return _token(rng, text, r"(?<=\d )[A-Za-z%/]+\d?", UNITS)


def _word(rng: random.Random, text: str) -> str:
    return _token(rng, text, r"[A-Za-z][\w-]*", WORDS)


def _value(rng: random.Random, text: str) -> str:
    return _token(rng, text, r"(?<=: )[^\n]+|(?<=,)[^,\n]*(?=,)", (*WORDS, *NUMBERS))


def _other_word(rng: random.Random, text: str) -> str:
    """Put one word of the file in the place of another: a name that is known, in the wrong place."""
    words = re.findall(r"[A-Za-z][\w -]*\w", text)
    return _token(rng, text, r"[A-Za-z][\w -]*\w", words) if words else text


def _lines(rng: random.Random, text: str) -> str:
    lines = text.split("\n")
    at, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    way = rng.randrange(6)
    if way == 0:
        del lines[at]
    elif way == 1:
        lines.insert(other, lines[at])
    elif way == 2:
        lines[at], lines[other] = lines[other], lines[at]
    elif way == 3:
        lines[at] = " " * rng.randrange(1, 9) + lines[at]
    elif way == 4:
        lines[at] = lines[at].lstrip()
    else:
        del lines[min(at, other) : max(at, other)]
    return "\n".join(lines)


def _sign(rng: random.Random, text: str) -> str:
    at = rng.randrange(len(text) + 1)
    way = rng.randrange(3)
    if way == 0:
        return text[:at] + text[at + 1 :]
    return text[:at] + rng.choice("\"'[]{}:,-#&*!|>%@`\t \n\r\x00\x1b\x7f\x85\u202e\ud83d0a") + text[at + way - 1 :]


def _deep(rng: random.Random, text: str) -> str:
    depth = rng.choice((5, 19, 22, 330, 1000, 3000))
    return _token(rng, text, r"(?<=: )[^\n]+", ["[" * depth + "]" * depth, "{a: " * depth + "b" + "}" * depth])


def _long(rng: random.Random, text: str) -> str:
    """Repeat a line many times."""
    lines = text.split("\n")
    at = rng.randrange(len(lines))
    return "\n".join([*lines[:at], *[lines[at]] * rng.choice((2, 40, 300)), *lines[at:]])


TEXT: tuple[Spoil, ...] = (
    _number,
    _number,
    _unit,
    _word,
    _value,
    _value,
    _other_word,
    _lines,
    _lines,
    _sign,
    _deep,
    _long,
)


def spoiled(seed: int, text: str) -> bytes:
    """Return the bytes of a text after one to four changes, and now and then some bytes of it changed as well."""
    rng = random.Random(seed)
    for _ in range(rng.choice((1, 1, 2, 4))):
        text = rng.choice(TEXT)(rng, text)
    content = text.encode("utf-8", "surrogatepass")
    return spoiled_bytes(rng, content) if rng.random() < 0.1 else content


def spoiled_bytes(rng: random.Random, content: bytes) -> bytes:
    changed = bytearray(content)
    for _ in range(rng.choice((1, 3, 30))):
        if changed:
            changed[rng.randrange(len(changed))] = rng.randrange(256)
    if rng.random() < 0.3:
        del changed[rng.randrange(len(changed) + 1) :]
    if rng.random() < 0.2:
        changed = bytearray(rng.choice((b"\xff\xfe", b"\xef\xbb\xbf", b"PK\x03\x04", b"\x00")) + changed)
    return bytes(changed)


def spoiled_workbook(seed: int, content: bytes) -> bytes:
    """Return a workbook with the text of one of its entries changed, or with some of its bytes."""
    rng = random.Random(seed)
    if rng.random() < 0.3:
        return spoiled_bytes(rng, content)
    made = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as new:
        entries = old.infolist()
        chosen = rng.choice([entry.filename for entry in entries if entry.filename.endswith((".xml", ".rels"))])
        for entry in entries:
            data = old.read(entry)
            if entry.filename == chosen:
                data = spoiled(seed, data.decode("utf-8"))
            if entry.filename != chosen or rng.random() < 0.9:  # else left out
                new.writestr(entry.filename, data)
    return made.getvalue()
