"""YAML text → nodes with their places, and the faults met while walking them: all of a file are reported in one go."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from optimizer.errors import Fault, InputError, QuantityError
from optimizer.read import columns

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Place:
    """Where something stands in a file; both counted from 1, as editors do."""

    line: int
    column: int


@dataclass(frozen=True, slots=True)
class Node:
    """A YAML node without guesses: text as written, or a list, or key-value pairs in file order (keys may repeat)."""

    place: Place
    text: str | None = None
    items: tuple[Node, ...] | None = None
    pairs: tuple[tuple[Node, Node], ...] | None = None

    @property
    def shape(self) -> str:
        """Return what this is in words, for a message."""
        if self.items is not None:
            return "a list"
        if self.pairs is not None:
            return "a mapping"
        return "nothing" if self.text is None else f"'{self.text}'"


class Reading:
    """The faults of one file while it is read."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._faults: list[tuple[int, int, Fault]] = []

    def where(self, place: Place) -> str:
        return f"{self.name}:{place.line}:{place.column}"

    def fault(self, place: Place, found: str, allowed: str, suggestion: str | None = None) -> None:
        """Note one fault; reading goes on."""
        self._faults.append((place.line, place.column, Fault(self.where(place), found, allowed, suggestion)))

    def refuse(self, place: Place, error: QuantityError) -> None:
        """Note a quantity that could not be read, its suggestion in quotation marks."""
        suggestion = error.suggestion
        if suggestion and "'" not in suggestion and " or " not in suggestion:
            suggestion = f"'{suggestion}'"
        self.fault(place, error.found, error.allowed, suggestion)

    def finish(self) -> None:
        """Raise all the faults, in file order, if there are any."""
        if self._faults:
            ordered = sorted(self._faults, key=lambda entry: entry[:2])
            raise InputError(list(dict.fromkeys(fault for _, _, fault in ordered)))

    def __len__(self) -> int:
        """Return how many faults there are so far."""
        return len(self._faults)


def read_tree(path: Path) -> tuple[Reading, Node]:
    """Return the faults noted so far (tabs only) and the root node of a YAML file.

    Raises
    ------
    InputError
        No such file, not UTF-8, empty, not YAML.
    """
    reading = Reading(str(path))
    text = _text_of(path)
    tabs_in_indent = _note_tabs(reading, text)
    if tabs_in_indent:
        reading.finish()  # the shape of the file depends on them
    root = _compose(reading, text.replace("\t", " "))
    if root is None:
        reading.fault(Place(1, 1), "an empty file", "a system file that begins with 'system:'")
        reading.finish()
    return reading, _plain(root)


def _text_of(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError([Fault(str(path), "no such file", "the path of a system file")]) from None
    except UnicodeDecodeError as error:
        fault = Fault(str(path), f"bytes that are not UTF-8 text (at byte {error.start})", "a text file saved as UTF-8")
        raise InputError([fault]) from None
    except OSError as error:
        raise InputError([Fault(str(path), f"a file that can not be read ({error.strerror})", "a text file")]) from None


def _note_tabs(reading: Reading, text: str) -> bool:
    """Note every line with a tab outside a comment; True if one stands in an indent."""
    in_indent = False
    for number, line in enumerate(text.splitlines(), start=1):
        code = line.split(" #", 1)[0] if not line.lstrip().startswith("#") else ""
        if "\t" in code:
            reading.fault(Place(number, code.index("\t") + 1), "a tab character", "spaces")
            in_indent = in_indent or "\t" in line[: len(line) - len(line.lstrip())]
    return in_indent


def _compose(reading: Reading, text: str) -> Any:
    """Return the root node of ruamel.yaml, which keeps every scalar as it was written."""
    from ruamel.yaml import YAML
    from ruamel.yaml.error import MarkedYAMLError, YAMLError

    try:
        return YAML(typ="rt", pure=True).compose(text)
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        place = Place(mark.line + 1, mark.column + 1) if mark else Place(1, 1)
        reading.fault(place, f"text that is not YAML ({error.problem})", "'key: value' lines, lists with '-' or [ ]")
    except (YAMLError, RecursionError) as error:
        reading.fault(Place(1, 1), f"text that is not YAML ({type(error).__name__})", "'key: value' lines")
    reading.finish()
    raise AssertionError("a fault was noted")


def _plain(node: Any, seen: dict[int, Node] | None = None) -> Node:
    """Return a node of our own from one of ruamel's; what an alias repeats stays one and the same node."""
    seen = {} if seen is None else seen
    if id(node) not in seen:
        place = Place(node.start_mark.line + 1, node.start_mark.column + 1)
        seen[id(node)] = Node(place)  # met again within itself: cut short
        seen[id(node)] = _unshared(node, place, seen)
    return seen[id(node)]


def _unshared(node: Any, place: Place, seen: dict[int, Node]) -> Node:
    if isinstance(node.value, str):
        is_null = str(node.tag).endswith(":null")
        return Node(place, text=None if is_null else node.value.strip())
    if str(node.tag).endswith(":map") or (node.value and isinstance(node.value[0], tuple)):
        return Node(place, pairs=tuple((_plain(key, seen), _plain(value, seen)) for key, value in node.value))
    return Node(place, items=tuple(_plain(item, seen) for item in node.value))


@dataclass(frozen=True, slots=True)
class Entry:
    """One key of a mapping with its value."""

    key: str
    place: Place  # of the key
    value: Node


def entries(reading: Reading, node: Node, what: str, keys: Sequence[str] | None = None) -> dict[str, Entry]:
    """Return the entries of a mapping by key; duplicate and unknown keys are faults. `keys` None: the owner's names."""
    if node.pairs is None:
        reading.fault(node.place, f"{node.shape} as {what}", "'key: value' pairs")
        return {}
    found: dict[str, Entry] = {}
    for key_node, value in node.pairs:
        key = key_node.text
        if not key:
            reading.fault(key_node.place, f"{key_node.shape} as a key in {what}", "a name")
        elif key in found:
            reading.fault(key_node.place, f"'{key}' for the second time in {what}", "each key once")
        elif keys is not None and key not in keys:
            reading.fault(key_node.place, f"the unknown key '{key}' in {what}", ", ".join(keys), nearest(key, keys))
        else:
            found[key] = Entry(key, key_node.place, value)
    return found


def items_of(node: Node) -> tuple[Node, ...]:
    """Return the entries of a list; a single value counts as a list of one."""
    return node.items if node.items is not None else (node,)


def text_of(reading: Reading, node: Node, what: str) -> str | None:
    """Return the text of a scalar, or note that it is not one."""
    if node.text:
        return node.text
    reading.fault(node.place, node.shape if node.text is None else "an empty text", what)
    return None


def attempt(reading: Reading, node: Node, what: str, parse: Callable[[str], T]) -> T | None:
    """Return parse(text), or note what it raised at this place."""
    text = text_of(reading, node, what)
    if text is None:
        return None
    try:
        return parse(text)
    except QuantityError as error:
        reading.refuse(node.place, error)
        return None


def yes_or_no(reading: Reading, node: Node) -> bool | None:
    """Return a yes or a no."""
    words = {"yes": True, "true": True, "no": False, "false": False}
    value = words.get((node.text or "").lower())
    if value is None:
        reading.fault(node.place, node.shape, "yes or no")
    return value


def choice(reading: Reading, node: Node, choices: Mapping[str, T]) -> T | None:
    """Return the value of one of these words, whatever its case."""
    lowered = {key.lower(): value for key, value in choices.items()}
    if node.text is not None and node.text.lower() in lowered:
        return lowered[node.text.lower()]
    reading.fault(node.place, node.shape, " or ".join(choices), nearest(node.text or "", choices))
    return None


def nearest(text: str, words: Iterable[str]) -> str | None:
    """Return the nearest spelling among some words, in quotation marks, or None if nothing comes near."""
    near = columns.nearest(text, tuple(words))
    return None if near is None else f"'{near}'"
