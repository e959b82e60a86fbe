"""Trade words → sizes, ends and kinds of part: the vocabulary of the system file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from optimizer.errors import QuantityError
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.kinds import spoken
from optimizer.read.columns import system_of
from optimizer.read.end_words import form_of, letters_first
from optimizer.read.nodes import nearest

_INCHES = r"\d{1,4}(?:[ -]+\d{1,4}/\d{1,4}|/\d{1,4})?"
_SIZE = rf"\d{{1,4}}/\d{{1,4}}[ ]*mm|\d{{1,4}}[ ]*mm|{_INCHES}[ ]*(?:in\.?|inch|[\"″”])?"
SIZE_AT_START = re.compile(rf"(?P<size>{_SIZE})(?=$|[ ])[ ]*(?P<rest>.*)", re.IGNORECASE)
BETWEEN_ENDS = re.compile(r"[ ]+[x×][ ]+", re.IGNORECASE)

KIND_WORDS = spoken()
_LONGEST_FIRST = sorted(KIND_WORDS, key=len, reverse=True)

DEFAULT_FAMILY = {
    SizeSystem.IPS: "sch 40 PVC",
    SizeSystem.METRIC: "PVC-U PN16",
    SizeSystem.HOSE: "vinyl hose",
    SizeSystem.TUBE: "PE tube",
}


# a metric hose is called by its bore and its outside, a barb often by the bore alone: common practice, no source
_METRIC_HOSES = ("4/6", "6/8", "9/12", "12/16", "16/22", "19/25", "25/32", "32/40", "40/48", "50/60")
_HOSE_OF_BORE = {f"{hose.split('/')[0]} mm": f"{hose} mm" for hose in _METRIC_HOSES}


@dataclass(frozen=True, slots=True)
class EndWords:
    """An end as far as it was written: size and form may be left out."""

    size: str | None
    form: Form | None

    def fits(self, end: End) -> bool:
        return self.size in (None, end.size) and self.form in (None, end.form)

    def __str__(self) -> str:
        return " ".join(str(word) for word in (self.size, self.form) if word)


# a whole number, a fraction, both; or in mm the two numbers of a hose: a name, but one that can be put in order
_SIZE_NUMBER = re.compile(r"\d{1,4}(?:-\d{1,3}/[1-9]\d{0,2}|/[1-9]\d{0,3})?", re.ASCII)


def kind_at_start(text: str) -> tuple[Kind, str] | None:
    """Return the kind of part whose words stand first, and the rest of the text."""
    flat = text.lower().replace("-", " ")
    for words in _LONGEST_FIRST:
        plain = words.replace("-", " ")
        if flat == plain or flat.startswith(plain + " "):
            return KIND_WORDS[words], text[len(plain) :].strip()
    return None


def parse_size(text: str, unit: str = "") -> str:
    """Return a nominal size as the catalog writes it: `1-1/2 in`, `32 mm`, `12/16 mm`; `unit` if it has none itself."""
    match = SIZE_AT_START.fullmatch(text.strip())
    if match is None or match["rest"]:
        raise QuantityError(f"'{text}'", "a nominal size such as 3/4 in, 1-1/2 in or 32 mm")
    return _nominal(match["size"], text, unit)


def _nominal(written: str, text: str, unit: str = "") -> str:
    number, word = re.fullmatch(r"([\d/ -]*\d)[ ]*(\D*)", written).groups()  # type: ignore[union-attr]
    number = re.sub(r"[ -]+", "-", number)
    metric = word.lower() == "mm" or (not word and unit == "mm")
    if _SIZE_NUMBER.fullmatch(number) is None or (metric and "-" in number):
        raise QuantityError(f"'{text}'", "a nominal size such as 3/4 in, 1-1/2 in or 32 mm")
    if metric:
        return f"{number} mm"
    if not word and not unit:
        raise QuantityError(f"'{text}', a size without a unit", "a nominal size such as 3/4 in, 1-1/2 in or 32 mm")
    return f"{number} in"


def parse_end_words(text: str, unit: str = "") -> EndWords:
    """Return `1 in BSPP female`, `NPT female` or `3/4 in` as far as it says; threads are in inches without a word."""
    text = letters_first(text)
    match = SIZE_AT_START.fullmatch(text.strip())
    rest = match["rest"] if match else text.strip()
    form = _form(rest, match["size"].strip() if match else "") if rest else None
    inches = "in" if form is not None and form.is_thread else ""
    size = _nominal(match["size"], text, unit or inches) if match else None
    return EndWords(_HOSE_OF_BORE.get(size or "", size) if form in (Form.BARB, Form.HOSE) else size, form)


def _form(words: str, size: str) -> Form:
    """Return the form that words mean; a suggestion has the size before it."""
    try:
        return form_of(words)
    except QuantityError as error:
        near = f"{size} {error.suggestion}".strip() if error.suggestion else None
        raise QuantityError(error.found, error.allowed, near) from None


def parse_ends_words(text: str) -> tuple[EndWords, ...]:
    """Return the ends in `1 in socket x 3/4 in BSPP female`; in `1 x 1 x 3/4 in` a size takes the unit that follows."""
    pieces = BETWEEN_ENDS.split(text.strip())
    unit, found = "", []
    for piece in reversed(pieces):
        end = parse_end_words(piece, unit)
        unit = end.size.rsplit(" ", 1)[1] if end.size else unit
        found.append(end)
    return tuple(reversed(found))


def parse_end(text: str) -> End:
    """Return a whole end, size and form: `1-1/2 in NPT male`."""
    words = parse_end_words(text)
    if words.size is None or words.form is None:
        raise QuantityError(f"'{text}'", "a size and an end, such as 1-1/2 in NPT male or 32 mm socket")
    return End(words.form, words.size, system_of(words.form, words.size))


def in_size_order(sizes: Iterable[str]) -> list[str]:
    """Return nominal sizes from small to large, inch before mm."""
    return sorted(set(sizes), key=lambda size: (size.endswith("mm"), nominal_number(size), "/" in size, size))


def nominal_number(size: str) -> float:
    """Return the number in a nominal size, for ordering only: a nominal size is a name and never enters a formula."""
    total = 0.0
    number = size.rsplit(" ", 1)[0]
    if size.endswith("mm"):
        return float(number.split("/")[0])
    for piece in number.split("-"):
        top, _, bottom = piece.partition("/")
        total += int(top) / int(bottom or 1)
    return total


def parse_run_size(text: str, catalog: Catalog) -> tuple[str, str]:
    """Return (nominal size, family) of `1 in sch 40 PVC`."""
    families = catalog.pipe_ends
    match = SIZE_AT_START.fullmatch(text)
    example = "32 mm PVC-U PN16" if re.search(r"\d ?mm\b", text) else "1 in sch 40 PVC"
    allowed = f"a size and a family, such as {example}; families: " + ", ".join(sorted(families))
    if match is None or not match["rest"]:
        raise QuantityError(f"'{text}'", allowed)
    family = family_of(match["rest"], families)
    if family is None:
        meant = _meant(match["rest"], _nominal(match["size"], text), families)
        raise QuantityError(f"the family '{match['rest']}'", allowed, meant or nearest(match["rest"], families))
    size = _nominal(match["size"], text)
    if size not in families[family]:
        sizes = in_size_order(families[family])
        kin = [f"'{size} {name}'" for name in sorted(families) if size in families[name] and _are_kin(name, family)]
        raise QuantityError(
            f"the size '{size}' in {family}", ", ".join(sizes), " or ".join(kin) or nearest(size, sizes)
        )
    return size, family


def _are_kin(one: str, other: str) -> bool:
    """Return whether two families are of one kind of pipe, such as two pressure classes of PVC-U."""
    return one.split()[0] == other.split()[0]


def family_of(words: str, families: Iterable[str]) -> str | None:
    """Return the family of pipe that is written so, whatever its case."""
    spoken = {name.lower(): name for name in families}
    return spoken.get(re.sub(r"schedule |sch(?=\d)", "sch ", words.lower()))


def _meant(words: str, size: str, families: Mapping[str, Mapping[str, End]]) -> str | None:
    """Return the families sold in a size whose names have all these words: which one is meant, the pipe says."""
    own = set(re.findall(r"\w+", words.lower()))
    fits = [
        name for name in sorted(families) if size in families[name] and own <= set(re.findall(r"\w+", name.lower()))
    ]
    return " or ".join(f"'{size} {name}'" for name in fits) or None
