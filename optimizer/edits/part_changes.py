"""Changes of the parts of one line: what a part is, one more, one less, one in another place.

A part is told by its run (or its drain), by the item of the list of parts that it is written in, and, where that says
`x 3`, by which of them it is, counted from 0.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from optimizer.edits.change import Change, Value
from optimizer.edits.part_words import part_words
from optimizer.edits.plain import Path
from optimizer.edits.splice import insert, move, path_at, remove, set_value, value_at
from optimizer.errors import EditError
from optimizer.read.part_text import MOST_REPEATS

_HEADS = ("part", "pump", "device")
_CONDITIONS: dict[str, dict[str, str]] = {
    "keep": {"keep": "yes"},
    "must go": {"must go": "yes"},
    "may change": {"keep": "no"},
    "": {},
}


@dataclass(frozen=True, slots=True)
class PartAt:
    """Where a part is written: run or drain, item of its list, and which of several that the item stands for."""

    run: str
    item: int
    repeat: int = 0
    section: str = "runs"

    @property
    def path(self) -> Path:
        return (self.section, self.run, "parts", self.item)


def parts_at(text: str, places: list[str]) -> list[PartAt]:
    """Return where the parts of a run are written.

    Parameters
    ----------
    text
        The file that was read.
    places
        `Part.place` of every part in the order of the run: `file:line:column`. Parts of one place are repeats.

    Raises
    ------
    EditError
        When there is no part in such a place of this text.
    """
    found: list[PartAt] = []
    for place in places:
        line, column = (int(number) for number in place.rsplit(":", 2)[1:])
        path = path_at(text, line, column)
        if len(path) < 4 or path[2] != "parts" or not isinstance(path[3], int):
            raise EditError(f"{place}: no part in this text; read the file again")
        one = PartAt(str(path[1]), path[3], 0, str(path[0]))
        before = found[-1] if found else None
        again = before is not None and replace(before, repeat=0) == one
        found.append(replace(one, repeat=before.repeat + 1) if before is not None and again else one)
    return found


@dataclass(frozen=True, slots=True)
class _OnPart(Change):
    run: str
    item: int

    def _path(self, where: str) -> Path:
        return (where, self.run, "parts", self.item)


@dataclass(frozen=True, slots=True)
class ChangePart(_OnPart):
    """A part is another one, or there is more to say of it. A field that is None leaves that as it is.

    `text` is the whole part, such as `1 in ball valve 40 % open`. Otherwise `kind` is a word such as `sweep elbow`;
    `size`, `length`, `opening` (`45 %`, `45 % open`, `shut`) and `ends` are said as in a file, and empty where they are
    no longer to be said; `count` is how many there are in a row. `condition` is `keep`, `must go`, `may change` or
    empty. `stays_open` and `room` and `least_flow` are what a file calls so, empty where not to be said.
    `repeat` None: all that the item stands for.
    """

    repeat: int | None = None
    section: str = "runs"
    text: str | None = None
    kind: str | None = None
    size: str | None = None
    length: str | None = None
    opening: str | None = None
    to_size: str | None = None
    ends: str | None = None
    count: int | None = None
    condition: str | None = None
    stays_open: str | None = None
    room: str | None = None
    least_flow: str | None = None

    def apply(self, text: str) -> str:
        """Return the text with this part changed; one of several in an item gets an item of its own."""
        path = self._path(self.section)
        old = value_at(text, path)
        if self.repeat is None:
            return set_value(text, path, self._changed(old))
        text, alone = _apart(text, path, self.repeat)
        return set_value(text, alone, self._changed(value_at(text, alone)))

    def _changed(self, old: Any) -> Value:
        said = dict(old) if isinstance(old, dict) else {"part": old}
        head = next((key for key in _HEADS if key in said), "part")
        words = self._words(str(said.get(head) or ""), head)
        if words is not None:
            said = {("part" if key == head else key): (words if key == head else value) for key, value in said.items()}
        if self.condition is not None:
            if self.condition not in _CONDITIONS:
                raise EditError(f"found the condition '{self.condition}'; allowed: {', '.join(_CONDITIONS)}")
            said = {key: value for key, value in said.items() if key not in ("keep", "must go")}
            said |= _CONDITIONS[self.condition]
        for key, value in (("stays open", self.stays_open), ("room", self.room), ("least flow", self.least_flow)):
            if value == "":
                said.pop(key, None)
            elif value is not None:
                said[key] = value
        return said["part"] if set(said) == {"part"} else said

    def _words(self, old: str, head: str) -> str | None:
        """Return the part anew; None where nothing of its own words changes."""
        if self.text is not None:
            return self.text
        asked = {
            "size": self.size,
            "length": self.length,
            "opening": _opening(self.opening),
            "to_size": self.to_size,
            "rest": self.ends,
        }
        asked = {key: value for key, value in asked.items() if value is not None}
        if not asked and self.kind is None and self.count is None:
            return None
        words = part_words(old if head == "part" else f"{head} {old}")
        words = words if self.kind is None else words.of_kind(self.kind)
        if self.count is not None:
            words = replace(words, count=_count(self.count))
        return replace(words, **asked).text  # type: ignore[arg-type]


def _opening(words: str | None) -> str | None:
    return f"{words} open" if words is not None and words.rstrip().endswith("%") else words


def _count(count: int) -> int:
    if not 1 <= count <= MOST_REPEATS:
        raise EditError(f"found {count} of a part; allowed: 1 to {MOST_REPEATS}")
    return count


def _times(item: Any, count: int) -> Value:
    """Return an item of a list of parts that stands for so many of its part."""
    if isinstance(item, dict):
        return {key: (_times(value, count) if key == "part" else value) for key, value in item.items()}
    return replace(part_words(str(item)), count=count).text


def _how_many(item: Any) -> int:
    if isinstance(item, dict):
        return _how_many(item["part"]) if "part" in item else 1
    try:
        return part_words(str(item or "")).count
    except EditError:
        return 1


def _apart(text: str, path: Path, repeat: int) -> tuple[str, Path]:
    """Return the text in which one of several parts has an item of its own, and the path of that."""
    item = value_at(text, path)
    count, index = _how_many(item), int(path[-1])
    if not 0 <= repeat < count:
        raise EditError(f"found part {repeat} of {count} in {' > '.join(map(str, path))}; read the file again")
    if count == 1:
        return text, path
    pieces = [size for size in (repeat, 1, count - repeat - 1) if size]
    text = set_value(text, path, _times(item, pieces[0]))
    for off, size in enumerate(pieces[1:], start=1):
        text = insert(text, path[:-1], index + off, _times(item, size))
    return text, (*path[:-1], index + (repeat > 0))


@dataclass(frozen=True, slots=True)
class InsertPart(_OnPart):
    """A part more. `part` is as a file says it, a text or a mapping; it comes before the item, or behind it.

    `item` may be one behind the last, and is 0 in a run without parts. `repeat` says before or behind which of several.
    """

    part: Value
    behind: bool = False
    repeat: int | None = None
    section: str = "runs"

    def apply(self, text: str) -> str:
        """Return the text with the part in it."""
        path = self._path(self.section)
        at = self.item
        if self.repeat is not None:
            text, at = self._parted(text, path, self.repeat + self.behind)
        elif self.behind:
            at += 1
        return insert(text, path[:-1], at, self.part)

    def _parted(self, text: str, path: Path, before: int) -> tuple[str, int]:
        """Return the text with an item parted before its so many-th part, and the index of the gap."""
        item = value_at(text, path)
        count = _how_many(item)
        if not 0 <= before <= count:
            raise EditError(f"found part {before} of {count} in {' > '.join(map(str, path))}; read the file again")
        if before in (0, count):
            return text, self.item + (before == count)
        text = set_value(text, path, _times(item, before))
        return insert(text, path[:-1], self.item + 1, _times(item, count - before)), self.item + 1


@dataclass(frozen=True, slots=True)
class RemovePart(_OnPart):
    """A part less. `repeat` None: all that the item stands for."""

    repeat: int | None = None
    section: str = "runs"

    def apply(self, text: str) -> str:
        """Return the text without the part; a line without parts is left for the reader to refuse."""
        path = self._path(self.section)
        count = _how_many(value_at(text, path))
        if self.repeat is None or count == 1:
            return remove(text, path)
        if not 0 <= self.repeat < count:
            raise EditError(f"found part {self.repeat} of {count} in {self.run}; read the file again")
        return set_value(text, path, _times(value_at(text, path), count - 1))


@dataclass(frozen=True, slots=True)
class MovePart(_OnPart):
    """A part in another place: of its own run or of another. `to_item` is the index that it then has.

    `repeat` None: with all that the item stands for.
    """

    to_run: str
    to_item: int
    repeat: int | None = None
    section: str = "runs"
    to_section: str = "runs"

    def apply(self, text: str) -> str:
        """Return the text with the part in its new place, the comment on its line with it."""
        path = self._path(self.section)
        to = (self.to_section, self.to_run, "parts", self.to_item)
        item = value_at(text, path)
        if self.repeat is None or _how_many(item) == 1:
            return move(text, path, to)
        text = RemovePart(self.run, self.item, self.repeat, self.section).apply(text)
        return insert(text, to[:-1], self.to_item, _times(item, 1))
