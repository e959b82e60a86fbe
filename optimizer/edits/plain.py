"""What a file says, without where and how it is written, and what an edit makes of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeAlias

from optimizer.errors import EditError

Key: TypeAlias = str | int
Path: TypeAlias = tuple[Key, ...]
# What a file says, nothing guessed: texts as written, None for nothing, lists, mappings as pairs (keys may repeat).
Plain: TypeAlias = "str | Alias | list[Plain] | tuple[tuple[Plain, Plain], ...] | None"


@dataclass(frozen=True, slots=True)
class Alias:
    """`*name` in a file: what stands at the `number`-th place marked with `&name`."""

    name: str
    number: int

    def __str__(self) -> str:
        return f"*{self.name}"


def plain_of(value: object) -> Plain:
    """Return plain data as a file would say them: yes and no, numbers as they are written, texts.

    Parameters
    ----------
    value
        A text, a number, True or False, None, a list or a mapping of these.

    Raises
    ------
    EditError
        For anything else.
    """
    if value is None or isinstance(value, (str, Alias)):
        return value
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return f"{value:.12g}" if isinstance(value, float) else str(value)
    if isinstance(value, list):
        return [plain_of(item) for item in value]
    if isinstance(value, dict):
        return tuple((plain_of(key), plain_of(item)) for key, item in value.items())
    raise EditError(f"found a {type(value).__name__} as a value; allowed: texts, numbers, yes or no, lists, mappings")


def data_of(plain: Plain) -> Any:
    """Return what a file says as lists and dictionaries of texts; of keys that repeat the first counts."""
    if isinstance(plain, tuple):
        found: dict[Any, Any] = {}
        for key, value in plain:
            found.setdefault(key.strip() if isinstance(key, str) else str(key), data_of(value))
        return found
    return [data_of(item) for item in plain] if isinstance(plain, list) else plain


def with_changed(plain: Plain, path: Path, change: Callable[[Plain], Plain]) -> Plain:
    """Return what a file says with one value in it changed."""
    if not path:
        return change(plain)
    key, rest = path[0], path[1:]
    if isinstance(plain, list) and isinstance(key, int):
        return [with_changed(item, rest, change) if k == key else item for k, item in enumerate(plain)]
    assert isinstance(plain, tuple)
    index = next(k for k, (name, _) in enumerate(plain) if isinstance(name, str) and name.strip() == key)
    name, item = plain[index]
    return (*plain[:index], (name, with_changed(item, rest, change)), *plain[index + 1 :])


def with_put(old: Plain, index: int, key: str | None, new: Plain) -> Plain:
    """Return a list (`key` None) or a mapping, or nothing yet, with one more at an index."""
    if key is None:
        assert isinstance(old, list)
        return [*old[:index], new, *old[index:]]
    pairs = old or ()
    assert isinstance(pairs, tuple)
    return (*pairs[:index], (key, new), *pairs[index:])


def without(old: Plain, index: int) -> Plain:
    """Return a list or a mapping without one of its children."""
    if isinstance(old, list):
        return [item for k, item in enumerate(old) if k != index]
    assert isinstance(old, tuple)
    return tuple(pair for k, pair in enumerate(old) if k != index)
