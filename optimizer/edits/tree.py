"""The text of a YAML file → a tree that knows the first and the last sign of everything in it, comments left out."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from optimizer.edits.plain import Alias, Plain
from optimizer.errors import EditError
from optimizer.read.nodes import DEEPEST

_NULLS = frozenset({"", "~", "null", "Null", "NULL"})
_PROPERTIES = re.compile(r"(?:[&!]\S*[ \t]*)+")
_BREAK = re.compile(r"\r\n|\r|\n")


class UnreadableError(EditError):
    """A text is no YAML that can be edited; carries what was found."""

    def __init__(self, line: int, found: str) -> None:
        self.found = found
        super().__init__(f"line {line}: found {found}; mend the file in an editor first, and read it again")


@dataclass(frozen=True, slots=True)
class Node:
    """One value of a file, from its first sign (`start`) to behind its last one (`end`); nothing behind it is in it.

    `body` is where it begins behind an anchor or a tag. `style` of a text is one of ' " | >, or empty. What is left out
    begins and ends where it would stand, right behind its colon or dash.
    """

    start: int
    body: int
    end: int
    text: str | None = None
    style: str = ""
    items: tuple[Node, ...] | None = None
    pairs: tuple[tuple[Node, Node], ...] | None = None
    alias: Alias | None = None
    anchor: str = ""
    flow: bool = False

    @property
    def is_block(self) -> bool:
        """Return whether this is a list or a mapping of lines."""
        return (self.items is not None or self.pairs is not None) and not self.flow

    @property
    def is_empty(self) -> bool:
        """Return whether nothing is written here."""
        return self.start == self.end

    @property
    def children(self) -> tuple[Node, ...]:
        """Return the items of a list, the values of a mapping."""
        return self.items or tuple(value for _, value in self.pairs or ())

    @property
    def plain(self) -> Plain:
        """Return what stands here, without its place."""
        if self.alias is not None:
            return self.alias
        if self.items is not None:
            return [item.plain for item in self.items]
        if self.pairs is not None:
            return tuple((key.plain, value.plain) for key, value in self.pairs)
        return self.text

    def value_of(self, key: str) -> Node | None:
        """Return the first value under a key."""
        return next(
            (value for one, value in self.pairs or () if one.text is not None and one.text.strip() == key), None
        )


@dataclass(frozen=True, slots=True)
class Document:
    """A text with its tree. `repeated` are the anchors that an alias repeats."""

    text: str
    root: Node
    repeated: frozenset[str] = frozenset()
    step: int = 2  # how far what is in a mapping stands behind its key
    dash: int = 2  # and how far the dashes of a list

    @property
    def line_end(self) -> str:
        """Return how the lines of this file end."""
        found = _BREAK.search(self.text)
        return found[0] if found else "\n"

    def line_start(self, at: int) -> int:
        """Return where the line of a place begins."""
        return max(self.text.rfind("\n", 0, at), self.text.rfind("\r", 0, at)) + 1

    def end_of_line(self, at: int) -> int:
        """Return where the line of a place ends, before its line end."""
        found = _BREAK.search(self.text, at)
        return found.start() if found else len(self.text)

    def next_line(self, at: int) -> int:
        """Return where the line after that of a place begins; the end of the text where there is none."""
        found = _BREAK.search(self.text, at)
        return found.end() if found else len(self.text)

    def column(self, at: int) -> int:
        """Return how many signs stand before a place in its line."""
        return at - self.line_start(at)

    def line_number(self, at: int) -> int:
        """Return the number of the line of a place, from 1."""
        return len(_BREAK.findall(self.text, 0, at)) + 1 if at else 1

    def skip(self, at: int) -> int:
        """Return the first place from here on that is neither blank nor in a comment."""
        text = self.text
        while at < len(text):
            if text[at] == "#" and (at == 0 or text[at - 1].isspace()):
                at = self.end_of_line(at)
            elif not text[at].isspace():
                break
            else:
                at += 1
        return at


@dataclass(slots=True)
class _Builder:
    """Makes nodes of the parser's events; what the marks leave open is looked up in the text."""

    document: Document
    events: Iterator[Any]
    anchors: dict[str, int] = field(default_factory=dict)
    repeated: set[str] = field(default_factory=set)
    depth: int = 0

    def next(self) -> tuple[str, Any]:
        """Return the next event with its name; an empty one behind the last."""
        event = next(self.events, None)
        return "" if event is None else type(event).__name__, event

    def node(self, name: str, event: Any, floor: int) -> Node:
        """Return the node that begins with an event; `floor` is where it would stand if it were left out."""
        if name == "AliasEvent":
            return self._alias(event)
        start, anchor = event.start_mark.index, event.anchor or ""
        if anchor:
            self.anchors[anchor] = self.anchors.get(anchor, 0) + 1
        if name == "ScalarEvent":
            return self._scalar(event, start, anchor, floor)
        body = self.document.skip(self._behind_properties(event, start))
        flow = bool(event.flow_style)
        fenced = flow and self.document.text[body] in "[{"
        self.depth += 1
        if self.depth > DEEPEST:
            raise _refused(self.document, start, f"something nested {self.depth} deep")
        if name == "MappingStartEvent":
            pairs, last, closing = self._pairs(body + fenced)
            self.depth -= 1
            return Node(start, body, closing if fenced else last, pairs=pairs, anchor=anchor, flow=flow)
        items, last, closing = self._items(body + fenced, flow)
        self.depth -= 1
        return Node(start, body, closing if fenced else last, items=items, anchor=anchor, flow=flow)

    def _behind_properties(self, event: Any, start: int) -> int:
        """Return where a value begins behind its anchor and its tag."""
        found = _PROPERTIES.match(self.document.text, start) if event.anchor or event.tag else None
        return found.end() if found else start

    def _alias(self, event: Any) -> Node:
        name, start = event.anchor, event.start_mark.index
        if name not in self.anchors:
            raise _refused(self.document, start, f"'*{name[:40]}' before any '&{name[:40]}'")
        self.repeated.add(name)
        return Node(start, start, event.end_mark.index, alias=Alias(name, self.anchors[name]))

    def _scalar(self, event: Any, start: int, anchor: str, floor: int) -> Node:
        text, style, end = event.value, event.style or "", event.end_mark.index
        if not text and not style and not anchor and not event.tag:
            return Node(floor, floor, floor)
        if style in ("|", ">"):
            end = start + len(self.document.text[start:end].rstrip())
        body = min(self._behind_properties(event, start), end)
        is_null = text in _NULLS and not style and (not event.tag or str(event.tag).endswith(":null"))
        return Node(start, body, end, text=None if is_null else text, style=style, anchor=anchor)

    def _pairs(self, at: int) -> tuple[tuple[tuple[Node, Node], ...], int, int]:
        """Return the pairs of a mapping, where the last ends, and where the closing bracket does."""
        pairs: list[tuple[Node, Node]] = []
        while True:
            name, event = self.next()
            if name == "MappingEndEvent":
                return tuple(pairs), at, event.end_mark.index
            key = self.node(name, event, at)
            colon = self.document.skip(key.end)
            told = self.document.text.startswith(":", colon)
            name, event = self.next()
            value = self.node(name, event, colon + 1 if told else key.end)
            pairs.append((key, value))
            at = max(value.end, key.end)

    def _items(self, at: int, flow: bool) -> tuple[tuple[Node, ...], int, int]:
        """Return the items of a list, where the last ends, and where the closing bracket does."""
        items: list[Node] = []
        while True:
            name, event = self.next()
            if name == "SequenceEndEvent":
                return tuple(items), at, event.end_mark.index
            dash = self.document.skip(at)
            items.append(self.node(name, event, at if flow else dash + 1))
            at = items[-1].end


def parse(text: str) -> Document:
    """Return the tree of a text.

    Parameters
    ----------
    text
        A whole YAML file as it stands on the disk, line ends and all, but without its byte order mark.

    Raises
    ------
    UnreadableError
        If the text is no YAML, is more than one document, or is empty.
    """
    return _parse(text)


@lru_cache(maxsize=8)
def _parse(text: str) -> Document:
    from ruamel.yaml import YAML
    from ruamel.yaml.error import MarkedYAMLError, YAMLError

    bare = Document(text, Node(0, 0, 0))
    found = YAML(typ="safe", pure=True).parse(text.replace("\t", " "))
    events = (event for event in found if "Stream" not in type(event).__name__)
    builder = _Builder(bare, events)
    try:
        next(events, None)  # where the document begins
        name, event = builder.next()
        root = None if name == "" else builder.node(name, event, 0)
        others = list(events)  # where it ends
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        raise _refused(bare, mark.index if mark else 0, f"text that is not YAML ({error.problem})") from None
    except (YAMLError, RecursionError) as error:
        raise _refused(bare, 0, f"text that is not YAML ({type(error).__name__})") from None
    if root is None or len(others) > 1:
        raise _refused(bare, 0, "an empty file" if root is None else "more than one document")
    step, dash = _indents(bare, root)
    return Document(text, root, frozenset(builder.repeated), step, dash)


def _refused(document: Document, at: int, found: str) -> UnreadableError:
    return UnreadableError(document.line_number(at), found)


def _indents(document: Document, root: Node) -> tuple[int, int]:
    """Return how far this file sets mappings and lists off from their keys, as the first of each does it."""
    steps: list[int] = []
    dashes: list[int] = []
    waiting = [root]
    while waiting:
        node = waiting.pop(0)
        for key, value in node.pairs or ():
            if value.is_block and value.children:
                off = document.column(value.body) - document.column(key.start)
                (steps if value.pairs is not None else dashes).append(off)
        waiting += [child for child in node.children if child.is_block]
    return next((step for step in steps if step > 0), 2), next((dash for dash in dashes if dash >= 0), 2)
