"""What every change of a system file is: a value that gives the new text, can be written as data and read back."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, TypeAlias

from optimizer.edits.splice import BOM, has, insert, remove, set_value
from optimizer.edits.tree import parse
from optimizer.errors import EditError
from optimizer.read.systems import ALSO, KEYS

Value: TypeAlias = Any  # a text, a number, True or False, None, or lists and dictionaries of these
_DEEPEST = 6  # levels of lists and mappings in one value
_TYPES: dict[str, tuple[type, ...]] = {
    "str": (str,),
    "str | None": (str, type(None)),
    "int": (int,),
    "int | None": (int, type(None)),
    "bool": (bool,),
}


@dataclass(frozen=True, slots=True)
class Change:
    """One change of a system file. What the reader then finds wrong with the file is no failure of the change."""

    def apply(self, text: str) -> str:
        """Return the text with this change in it, every other byte as it was; EditError where that cannot be."""
        raise NotImplementedError

    @property
    def as_data(self) -> dict[str, Any]:
        """Return the change as plain data for JSON: its kind under `change`, and its fields."""
        return {"change": type(self).__name__, **{each.name: getattr(self, each.name) for each in fields(self)}}


def change_from(data: object, known: dict[str, type[Change]]) -> Change:
    """Return the change that plain data describe.

    Parameters
    ----------
    data
        A dictionary as `Change.as_data` gives; fields with a default may be left out. It is trusted in nothing.
    known
        The changes by name.

    Raises
    ------
    EditError
        When it is no change, or a field is unknown, missing or of another kind.
    """
    if not isinstance(data, dict) or not isinstance(data.get("change"), str) or data["change"] not in known:
        raise EditError(f"found no change that is known; allowed: {', '.join(known)}")
    kind = known[data["change"]]
    values = {name: value for name, value in data.items() if name != "change"}
    told = {each.name: str(each.type) for each in fields(kind)}
    for name, value in values.items():
        if name not in told or not _is_a(value, told[name]):
            allowed = ", ".join(f"{one}: {words}" for one, words in told.items())
            raise EditError(f"found {str(name)[:40]!r} in a {kind.__name__} as it cannot be; allowed: {allowed}")
    try:
        return kind(**values)
    except TypeError:
        raise EditError(f"found a {kind.__name__} without all it needs; allowed: {', '.join(told)}") from None


def _is_a(value: object, words: str) -> bool:
    if words in _TYPES:
        return isinstance(value, _TYPES[words]) and (not isinstance(value, bool) or words == "bool")
    return _is_plain(value, 0)


def _is_plain(value: object, depth: int) -> bool:
    if depth > _DEEPEST:
        return False
    if isinstance(value, dict):
        return all(isinstance(key, str) and _is_plain(item, depth + 1) for key, item in value.items())
    if isinstance(value, list):
        return all(_is_plain(item, depth + 1) for item in value)
    return value is None or isinstance(value, (str, int, float))


def section(text: str, key: str) -> str:
    """Return the word under which a file has one of the sections of a system file: its own, or another for it."""
    others = [other for other, meant in ALSO.items() if meant == key]
    return next((word for word in others if not has(text, (key,)) and has(text, (word,))), key)


def put(text: str, path: tuple[str | int, ...], value: Value) -> str:
    """Return the text with a value at a path; a section that is new goes where such sections stand."""
    if has(text, path[:1]):
        return set_value(text, path, value)
    for key in reversed(path[1:]):
        value = {key: value}
    return insert(text, (), path[0], value, after=_behind(text, str(path[0])))


def put_or_remove(text: str, path: tuple[str | int, ...], value: Value) -> str:
    """Return the text with a value at a path, or without anything there where the value is None."""
    if value is not None:
        return put(text, path, value)
    return remove(text, path) if has(text, path) else text


def _behind(text: str, key: str) -> str | None:
    """Return the last section of a file that comes before another in the usual order."""
    before = KEYS[: KEYS.index(key)] if key in KEYS else KEYS
    there = [(name.text or "").strip() for name, _ in parse(text.removeprefix(BOM)).root.pairs or ()]
    return next((name for name in reversed(there) if ALSO.get(name, name) in before), None)
