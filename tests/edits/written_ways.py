"""The example files as other people might have written them: line ends, marks, comments, alignment, long lists."""

from __future__ import annotations

import random
import re
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
EXAMPLES = sorted((ROOT / "examples").rglob("*.yaml"))
WAYS = ("plain", "crlf", "bom", "no last line end", "comments", "aligned", "wrapped", "all")


def example(path: Path) -> str:
    """Return the text of a file with its line ends as they are."""
    with path.open(encoding="utf-8", newline="") as file:
        return file.read()


def written(text: str, way: str, seed: int) -> str:
    """Return a text that says the same in another way."""
    chance = random.Random(seed)
    if way in ("comments", "all"):
        text = _with_comments(text, chance)
    if way in ("aligned", "all"):
        text = re.sub(
            r"^( *[\w][\w ]*:)( )(?=[^ #{\[&|>])", lambda m: m[1] + " " * chance.randint(1, 9), text, flags=re.M
        )
    if way in ("wrapped", "all"):
        text = _wrapped(text, chance)
    if way in ("crlf", "all"):
        text = text.replace("\n", "\r\n")
    if way in ("no last line end", "all"):
        text = text.rstrip("\r\n")
    return "\ufeff" + text if way in ("bom", "all") else text


def _with_comments(text: str, chance: random.Random) -> str:
    lines = []
    for number, line in enumerate(text.split("\n")):
        if chance.random() < 0.3 and line.strip():
            lines.append(" " * (len(line) - len(line.lstrip())) + f"# remark, {number}: [a]")
        lines.append(
            line + f"   # {number} {{x}}" if chance.random() < 0.3 and line.strip() and " #" not in line else line
        )
    return "\n".join(lines)


def _wrapped(text: str, chance: random.Random) -> str:
    """Return lists in brackets over several lines, now and then with every item on its own, or with a last comma."""
    return "\n".join(_over_lines(number, line, chance) for number, line in enumerate(text.split("\n")))


def _over_lines(number: int, line: str, chance: random.Random) -> str:
    code, mark, comment = line.partition("#")
    found = re.match(r"^( *)[^#]*?: \[", line)
    if not found or not code.rstrip().endswith("]") or "'" in code or '"' in code:
        return line
    indent, share = " " * (len(found[1]) + 4), chance.choice((0.3, 1.0))
    note = f"  # about {number}" if chance.random() < 0.3 else ""
    code = re.sub(r", ", lambda _: f",{note}\n{indent}" if chance.random() < share else ", ", code)
    if chance.random() < 0.3:
        code = code.rstrip()[:-1] + f",\n{indent}]"
    return code + mark + comment
