"""How a part is written in a list of parts → its words one by one, and back: `3/4 in ball valve 45 % open x 2`."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from optimizer.errors import EditError
from optimizer.model.catalog import PIPES, THROTTLES, Kind
from optimizer.read.part_text import OPENING, REPEAT, STEPS, TO_SIZE
from optimizer.read.words import SIZE_AT_START, kind_at_start

_MACHINES = (Kind.PUMP, Kind.DEVICE)


@dataclass(frozen=True, slots=True)
class PartWords:
    """One part as it is written. `kind` are the owner's own words for it; what is not said is empty.

    `rest` is what follows: the ends of a fitting, the name of a pump or device.
    """

    kind: str
    size: str = ""
    length: str = ""
    opening: str = ""
    to_size: str = ""
    rest: str = ""
    count: int = 1

    @property
    def text(self) -> str:
        """Return the part as a file says it."""
        to = f"to {self.to_size}" if self.to_size else ""
        times = f"x {self.count}" if self.count > 1 else ""
        return " ".join(
            word for word in (self.size, self.kind, self.length, self.opening, to, self.rest, times) if word
        )

    def of_kind(self, kind: str) -> PartWords:
        """Return the part as one of another kind, with what of its words that kind can have."""
        new, old = _kind(kind), _kind(self.kind)
        piped, valve = new in PIPES, new in THROTTLES
        named = new in _MACHINES or old in _MACHINES or Kind.OPEN_JOINT in (new, old) or piped
        return replace(
            self,
            kind=kind,
            size="" if new in (*_MACHINES, Kind.OPEN_JOINT) else self.size,
            length=self.length if piped else "",
            opening=self.opening if valve else "",
            to_size=self.to_size if new in STEPS else "",
            rest="" if named else self.rest,
        )


def _kind(words: str) -> Kind:
    found = kind_at_start(words)
    if found is None or found[1]:
        raise EditError(f"found '{words}' as a kind of part; allowed: a word such as elbow, pipe or ball valve")
    return found[0]


def part_words(text: str) -> PartWords:
    """Return the words of a part; EditError when it begins with no kind of part that there is."""
    match = REPEAT.fullmatch(text.strip())
    count = int(match["count"][:9]) if match else 1
    said = match["part"] if match else text.strip()
    size, words = _leading_size(said)
    found = kind_at_start(words)
    if found is None:
        raise EditError(f"found the part '{text}', which is none that is known; write the whole part anew")
    kind, rest = found
    written = words[: len(words) - len(rest)].strip() if rest else words.strip()
    part = PartWords(written, size, count=max(count, 1))
    if kind in PIPES:
        return replace(part, length=rest)
    if kind in THROTTLES and (opened := OPENING.match(rest)):
        part, rest = replace(part, opening=opened[0].strip()), rest[opened.end() :]
    if kind in STEPS and (to := TO_SIZE.fullmatch(rest)):
        return replace(part, to_size=to["size"])
    return replace(part, rest=rest)


def _leading_size(text: str) -> tuple[str, str]:
    """Return (size as written, rest); a bare number in front is a part's name, as in `45 elbow`."""
    match = SIZE_AT_START.fullmatch(text)
    if match is None or not match["rest"] or re.fullmatch(r"[\d/ -]+", match["size"]):
        return "", text
    return match["size"].strip(), match["rest"]
