"""YAML text → nodes with their places, and the faults met while walking them: all of a file are reported in one go."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar

from optimizer.errors import Fault, InputError, QuantityError, visible
from optimizer.ranges import noting
from optimizer.read import columns
from optimizer.read.ordinary import first_bytes

T = TypeVar("T")

MOST_BYTES = 1_000_000  # a hundred times a large system; reading more takes longer than anyone waits
MOST_FAULTS = 200  # a file with more is wrong in one way throughout
DEEPEST = 20  # a system file nests five deep
LONGEST_NAME = 80  # signs; a name goes onto drawings and into cells
LONGEST_TEXT = 2_000


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
        self._remarks: list[tuple[int, int, str]] = []

    def where(self, place: Place) -> str:
        return f"{self.name}:{place.line}:{place.column}"

    def fault(self, place: Place, found: str, allowed: str, suggestion: str | None = None) -> None:
        """Note one fault; reading goes on. `allowed` may be empty: the file has nothing of the kind."""
        allowed = allowed or "nothing, for the file has none of that kind"
        self._faults.append((place.line, place.column, Fault(self.where(place), found, allowed, suggestion)))
        if len(self._faults) >= MOST_FAULTS:
            self.finish()

    def refuse(self, place: Place, error: QuantityError) -> None:
        """Note a quantity that could not be read, its suggestion in quotation marks."""
        suggestion = error.suggestion
        if suggestion and "'" not in suggestion and " or " not in suggestion:
            suggestion = f"'{suggestion}'"
        self.fault(place, error.found, error.allowed, suggestion)

    def remark(self, place: Place, notes: Iterable[str]) -> None:
        """Note what is odd and counts all the same."""
        self._remarks += [(place.line, place.column, f"{self.where(place)}: {note}") for note in notes]

    @property
    def remarks(self) -> tuple[str, ...]:
        """Return what is odd, in file order."""
        return tuple(dict.fromkeys(visible(text) for _, _, text in sorted(self._remarks)))

    def finish(self) -> None:
        """Raise all the faults, in file order, if there are any."""
        if self._faults:
            ordered = sorted(self._faults, key=lambda entry: entry[:2])
            faults = list(dict.fromkeys(fault for _, _, fault in ordered))
            if len(self._faults) >= MOST_FAULTS:
                faults.append(Fault(self.name, f"{MOST_FAULTS} errors or more", "fewer: the rest was not read"))
            raise InputError(faults)

    def __len__(self) -> int:
        """Return how many faults there are so far."""
        return len(self._faults)


def read_tree(path: Path, content: bytes | None = None) -> tuple[Reading, Node]:
    """Return the faults noted so far (tabs only) and the root node of a YAML file.

    Parameters
    ----------
    path
        The file; places in messages show it as it was given.
    content
        What counts as its content, such as a text that is not saved yet; None: what the file holds.

    Raises
    ------
    InputError
        No such file, too large, not UTF-8, empty, not YAML, nested too deep, or with signs that no text has.
    """
    reading = Reading(str(path))
    text = file_text(path, content)
    tabs_in_indent = _note_tabs(reading, text)
    if tabs_in_indent:
        reading.finish()  # the shape of the file depends on them
    root = _compose(reading, text.replace("\t", " "))
    if root is None:
        reading.fault(Place(1, 1), "an empty file", "a system file that begins with 'system:'")
        reading.finish()
    before = len(reading)
    tree = _Tree(reading).plain(root, 0)
    if len(reading) > before:
        reading.finish()  # names with wrong signs in them would be looked for in vain
    return reading, tree


def file_text(path: Path, content: bytes | None = None) -> str:
    """Return the text of a system file, or that of `content` in its place.

    Raises
    ------
    InputError
        It is no ordinary file, none that can be read, larger than any system, or no text.
    """
    try:
        return _bytes_of(path, content).decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError([Fault(str(path), "no such file", "the path of a system file")]) from None
    except UnicodeDecodeError as error:
        fault = Fault(str(path), f"bytes that are not UTF-8 text (at byte {error.start})", "a text file saved as UTF-8")
        raise InputError([fault]) from None
    except OSError as error:
        raise InputError([Fault(str(path), f"a file that cannot be read ({error.strerror})", "a text file")]) from None


def _bytes_of(path: Path, content: bytes | None) -> bytes:
    """Return a file's bytes; of one that is larger than any system no more than shows that is read."""
    if content is None:
        content = first_bytes(path, MOST_BYTES, "a text file")
    if len(content) > MOST_BYTES:
        found = f"a file of more than {MOST_BYTES // 1000:,} kB"
        raise InputError([Fault(str(path), found, f"a system file of at most {MOST_BYTES // 1000:,} kB")])
    return content


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
    from ruamel.yaml.error import MarkedYAMLError, YAMLError

    try:
        return composed(text)
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        place = Place(mark.line + 1, mark.column + 1) if mark else Place(1, 1)
        if type(error).__name__ == "MaxDepthExceededError":
            _too_deep(reading, place, DEEPEST + 1)
        is_block = "chomping or indentation" in str(error.problem)  # `key: >= 700` begins a text of several lines
        meant = "'at least' in place of '>'" if is_block or "'>'" in str(error.problem) else None
        allowed = "'key: value' lines, lists with '-' or [ ]"
        reading.fault(place, f"text that is not YAML ({error.problem})", allowed, meant)
    except (YAMLError, RecursionError) as error:
        reading.fault(Place(1, 1), f"text that is not YAML ({type(error).__name__})", "'key: value' lines")
    reading.finish()
    raise AssertionError("a fault was noted")


@lru_cache(maxsize=2)
def composed(text: str) -> Any:
    """Return the root node of a text, kept for who asks next: an edit, then the rates and the tax, then all else."""
    from ruamel.yaml import YAML

    yaml = YAML(typ="safe", pure=True)  # the other one gathers comments, which takes a third longer
    yaml.max_depth = DEEPEST + 1  # it ends there, instead of reading on; versions that do not know it read on
    return yaml.compose(text)


def halves_joined(text: str) -> str:
    """Return a text in which the two halves of a sign, as `"\\ud83d\\ude00"` in a file says them, are that sign."""
    return text.encode("utf-16", "surrogatepass").decode("utf-16", "surrogatepass")


def _too_deep(reading: Reading, place: Place, depth: int) -> None:
    reading.fault(place, f"something nested {depth} deep", f"at most {DEEPEST} levels")
    reading.finish()


class _Tree:
    """Makes nodes of our own from those of ruamel; what an alias repeats stays one and the same node."""

    def __init__(self, reading: Reading) -> None:
        self.reading = reading
        self.seen: dict[int, Node] = {}

    def plain(self, node: Any, depth: int) -> Node:
        if id(node) not in self.seen:
            place = Place(node.start_mark.line + 1, node.start_mark.column + 1)
            self.seen[id(node)] = Node(place)  # met again within itself: cut short
            if depth > DEEPEST:
                _too_deep(self.reading, place, depth)
            self.seen[id(node)] = self._unshared(node, place, depth + 1)
        return self.seen[id(node)]

    def _unshared(self, node: Any, place: Place, depth: int) -> Node:
        if isinstance(node.value, str):
            is_null = str(node.tag).endswith(":null")
            return Node(place, text=None if is_null else self._text(place, node.value.strip()))
        if str(node.tag).endswith(":map") or (node.value and isinstance(node.value[0], tuple)):
            lonely = [key for key, value in node.value if value.tag.endswith(":null")]
            self._note_commas([value for _, value in node.value], lonely)
            pairs = tuple((self.plain(key, depth), self.plain(value, depth)) for key, value in node.value)
            return Node(place, pairs=pairs)
        self._note_commas(node.value, node.value)
        return Node(place, items=tuple(self.plain(item, depth) for item in node.value))

    def _note_commas(self, before: Sequence[Any], after: Sequence[Any]) -> None:
        """Note numbers that a decimal comma cuts in two where commas part entries: `{display: 1,45 m}`."""
        begins = {node.start_mark.index: node for node in after if isinstance(node.value, str)}
        for first in (node for node in before if isinstance(node.value, str)):
            rest = begins.get(first.end_mark.index + 1)
            if rest is None or (after is before and not re.search("[A-Za-z]", first.value)):
                continue  # in a list bare numbers stand side by side: [20,25,32 mm]
            if re.search(r"\d$", first.value) and re.match(r"\d+[ ]*[A-Za-z%\"'°]", rest.value):
                place = Place(first.start_mark.line + 1, first.start_mark.column + 1)
                found = f"'{first.value},{rest.value}': a comma parts entries here"
                self.reading.fault(place, found, "a decimal point", f"'{first.value}.{rest.value}'")

    def _text(self, place: Place, text: str) -> str:
        """Return a text whose halves of signs are joined; note what is no sign of any text."""
        joined = halves_joined(text)
        wrong = columns.UNWRITABLE.search(joined)
        if wrong is not None:
            found = f"the {columns.sign_words(wrong[0])} in '{visible(joined[:60])}'"
            self.reading.fault(place, found, "printable characters")
        if len(joined) > LONGEST_TEXT:
            self.reading.fault(place, f"a text of {len(joined):,} characters", f"at most {LONGEST_TEXT:,}")
        return joined


@dataclass(frozen=True, slots=True)
class Entry:
    """One key of a mapping with its value."""

    key: str
    place: Place  # of the key
    value: Node


def entries(
    reading: Reading,
    node: Node,
    what: str,
    keys: Sequence[str] | None = None,
    also: Mapping[str, str] | None = None,
) -> dict[str, Entry]:
    """Return the entries of a mapping by key; duplicate and unknown keys are faults. `keys` None: the owner's names.

    `also` are other words for some of the keys: such an entry is found under the key itself.
    """
    if node.pairs is None:
        reading.fault(node.place, f"{node.shape} as {what}", "'key: value' pairs")
        return {}
    found: dict[str, Entry] = {}
    for key_node, value in node.pairs:
        key = (also or {}).get(key_node.text or "", key_node.text)
        if not key:
            reading.fault(key_node.place, f"{key_node.shape} as a key in {what}", "a name")
        elif keys is None and (why := name_fault(key)):
            reading.fault(key_node.place, *why)
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


def name_of(reading: Reading, node: Node, what: str) -> str | None:
    """Return a name on one line and of a length that fits a drawing, or note what is wrong with it."""
    text = text_of(reading, node, what)
    if text is not None and (why := name_fault(text)):
        reading.fault(node.place, *why)
        return None
    return text


def name_fault(name: str) -> tuple[str, str] | None:
    """Return (found, allowed) of a name that is too long or has more than one line; None for one that is right."""
    if len(name) > LONGEST_NAME:
        return f"a name of {len(name):,} characters, '{name[:40]}...'", f"a name of at most {LONGEST_NAME} characters"
    if "\n" in name:
        return f"a name on two lines, '{visible(name)}'", "a name on one line"
    return None


def attempt(reading: Reading, node: Node, what: str, parse: Callable[[str], T]) -> T | None:
    """Return parse(text), or note what it raised at this place."""
    text = text_of(reading, node, what)
    if text is None:
        return None
    try:
        with noting() as notes:
            found = parse(text)
    except QuantityError as error:
        reading.refuse(node.place, error)
        return None
    reading.remark(node.place, notes)
    return found


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
