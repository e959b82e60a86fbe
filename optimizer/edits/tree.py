"""The text of a YAML file → a tree that knows the first and the last sign of everything in it, comments left out."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from optimizer.edits.plain import Alias, Plain
from optimizer.errors import EditError
from optimizer.read.nodes import DEEPEST, composed, halves_joined

_PROPERTIES = re.compile(r"(?:[&!]\S*[ \t]*)+")
_TOO_DEEP = f"something nested more than {DEEPEST} deep"
_ALIAS = re.compile(r"\*[^\s,\[\]{}]+")
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
    """Makes nodes of those that the reader composed; what their marks leave open is looked up in the text."""

    document: Document
    anchors: dict[str, int] = field(default_factory=dict)
    seen: dict[int, Alias] = field(default_factory=dict)
    repeated: set[str] = field(default_factory=set)
    depth: int = 0

    def node(self, found: Any, floor: int) -> Node:
        """Return what was composed as a node; `floor` is behind what comes before it."""
        start, anchor = found.start_mark.index, found.anchor or ""
        if id(found) in self.seen:
            return self._alias(self.seen[id(found)], self.document.skip(floor))
        if anchor:
            self.anchors[anchor] = self.anchors.get(anchor, 0) + 1
            self.seen[id(found)] = Alias(anchor, self.anchors[anchor])
        if isinstance(found.value, str):
            return self._scalar(found, start, anchor, floor)
        body = self.document.skip(self._behind_properties(found, start))
        flow = bool(found.flow_style)
        fenced = flow and self.document.text[body] in "[{"
        self.depth += 1
        if self.depth > DEEPEST:
            raise _refused(self.document, start, _TOO_DEEP)
        pairs = items = None
        if str(found.tag).endswith(":map") or (found.value and isinstance(found.value[0], tuple)):
            pairs, last = self._pairs(found.value, body + fenced, flow)
        else:
            items, last = self._items(found.value, body + fenced, flow)
        self.depth -= 1
        end = found.end_mark.index if fenced else last
        return Node(start, body, end, items=items, pairs=pairs, anchor=anchor, flow=flow)

    def _behind_properties(self, found: Any, start: int) -> int:
        """Return where a value begins behind its anchor and its tag."""
        told = found.anchor or not str(found.tag).startswith("tag:yaml.org,2002:")
        match = _PROPERTIES.match(self.document.text, start) if told or isinstance(found.value, str) else None
        return match.end() if match else start

    def _alias(self, alias: Alias, start: int) -> Node:
        match = _ALIAS.match(self.document.text, start)
        if match is None:
            raise _refused(self.document, start, f"no '*{alias.name[:40]}' where it is repeated")
        self.repeated.add(alias.name)
        return Node(start, start, match.end(), alias=alias)

    def _scalar(self, found: Any, start: int, anchor: str, floor: int) -> Node:
        style, end = found.style or "", found.end_mark.index
        if not found.value and not style and start >= end:
            return Node(floor, floor, floor)
        if style in ("|", ">"):
            end = start + len(self.document.text[start:end].rstrip())
        body = min(self._behind_properties(found, start), end)
        text = None if str(found.tag).endswith(":null") else halves_joined(found.value)
        return Node(start, body, end, text=text, style=style, anchor=anchor)

    def _pairs(self, found: Any, at: int, flow: bool) -> tuple[tuple[tuple[Node, Node], ...], int]:
        """Return the pairs of a mapping, and where the last ends."""
        pairs: list[tuple[Node, Node]] = []
        for key_found, value_found in found:
            key = self.node(key_found, self._behind_comma(at) if flow else at)
            colon = self.document.skip(key.end)
            told = self.document.text.startswith(":", colon)
            value = self.node(value_found, colon + 1 if told else key.end)
            pairs.append((key, value))
            at = max(value.end, key.end)
        return tuple(pairs), at

    def _items(self, found: Any, at: int, flow: bool) -> tuple[tuple[Node, ...], int]:
        """Return the items of a list, and where the last ends."""
        items: list[Node] = []
        for one in found:
            items.append(self.node(one, self._behind_comma(at) if flow else self.document.skip(at) + 1))
            at = items[-1].end
        return tuple(items), at

    def _behind_comma(self, at: int) -> int:
        comma = self.document.skip(at)
        return comma + 1 if self.document.text.startswith(",", comma) else at


@lru_cache(maxsize=8)
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
    from ruamel.yaml.error import MarkedYAMLError, YAMLError

    bare = Document(text, Node(0, 0, 0))
    builder = _Builder(bare)
    try:
        found = composed(text.replace("\t", " "))
        root = None if found is None else builder.node(found, 0)
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        too_deep = type(error).__name__ == "MaxDepthExceededError"
        why = _TOO_DEEP if too_deep else f"text that is not YAML ({error.problem})"
        raise _refused(bare, mark.index if mark else 0, why) from None
    except (YAMLError, RecursionError) as error:
        raise _refused(bare, 0, f"text that is not YAML ({type(error).__name__})") from None
    if root is None:
        raise _refused(bare, 0, "an empty file")
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
