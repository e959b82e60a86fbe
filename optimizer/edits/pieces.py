"""A place in a document + what is to stand there → the few bytes to put in another's place.

In a block every item and every key has lines of its own: what is put in comes right behind the lines of the one before
it, so that comments ahead of the next stay with that one. A comment on the line of a value belongs to it, as do lines
of comment behind it that stand further in.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from optimizer.edits.plain import Plain
from optimizer.edits.tree import Document, Node
from optimizer.edits.writing import Layout, block_lines, flow_text, is_short, item_lines, pair_lines, scalar
from optimizer.errors import EditError

_ON_LINE = re.compile(r"(?:[ \t]*,)?(?P<remark>(?:[ \t]+#[^\r\n]*)?)")  # what follows an item in brackets on its line


@dataclass(frozen=True, slots=True)
class Piece:
    """These bytes instead of what stands from `start` to before `end`."""

    start: int
    end: int
    text: str


@dataclass(frozen=True, slots=True)
class Place:
    """Where a value stands: the `index`-th child of the last of `above`, which begins with the root."""

    document: Document
    above: tuple[Node, ...]
    index: int

    @property
    def parent(self) -> Node:
        return self.above[-1]

    @property
    def node(self) -> Node:
        return self.parent.children[self.index]

    @property
    def in_flow(self) -> bool:
        return any(node.flow for node in self.above)

    @property
    def layout(self) -> Layout:
        return Layout(self.document.step, self.document.dash)

    @property
    def floor(self) -> int:
        """Return where the value would stand if there were none: right behind its colon or its dash."""
        if self.parent.pairs is not None:
            key = self.parent.pairs[self.index][0]
            colon = self.document.skip(key.end)
            return colon + 1 if self.document.text.startswith(":", colon) else key.end
        return self.node.start if self.parent.flow else self.begin + 1

    @property
    def begin(self) -> int:
        """Return where the key begins, or the dash of an item, or the item itself in [ ]."""
        if self.parent.pairs is not None:
            return self.parent.pairs[self.index][0].start
        if self.parent.flow:
            return self.node.start
        before = self.parent.body if self.index == 0 else self.parent.children[self.index - 1].end
        return self.document.skip(before)

    @property
    def end(self) -> int:
        """Return where the value ends, or its key where it has none."""
        key = self.parent.pairs[self.index][0].end if self.parent.pairs is not None else self.begin + 1
        return max(self.node.end, key if self.node.is_empty else 0, self.floor if self.node.is_empty else 0)

    @property
    def column(self) -> int:
        return self.document.column(self.begin)

    @property
    def has_own_lines(self) -> bool:
        """Return whether nothing stands ahead of it on its first line."""
        start = self.document.line_start(self.begin)
        return not self.document.text[start : self.begin].strip()

    @property
    def behind(self) -> int:
        """Return the end of its last line, comments that stand further in included."""
        end = self.document.end_of_line(self.end)
        while (line := self.document.next_line(end)) < len(self.document.text) or line > end:
            stop = self.document.end_of_line(line)
            words = self.document.text[line:stop]
            off = len(words) - len(words.lstrip(" "))
            if not words.lstrip(" ").startswith("#") or off <= self.column:
                break
            end = stop
        return end


def replaced(place: Place, new: Plain) -> list[Piece]:
    """Return what puts a value in another's place."""
    node, document = place.node, place.document
    if place.in_flow:
        text = flow_text(new) if isinstance(new, (list, tuple)) else _text(new, node.style, flow=True)
        return [_inline(place, text)]
    if not isinstance(new, (list, tuple)):
        text = _text(new, node.style, flow=False)
        return _block_out(place, text) if node.is_block else [_inline(place, text)]
    if place.parent.items is not None:
        flow = _style_beside(place.parent, new, place.index) is not False or not new
        text = document.line_end.join(item_lines(new, place.column, place.layout, flow=flow)).lstrip()[2:]
        return [Piece(node.start, node.end, text)] if not node.is_empty else [_inline(place, text)]
    if _goes_on_one_line(place, new):
        return _block_out(place, flow_text(new)) if node.is_block else [_inline(place, flow_text(new))]
    lines = _lines_below(place, new)
    if node.is_block:
        return [Piece(document.line_start(_first(place).begin), _last(place).behind, document.line_end.join(lines))]
    return begun(place, lines)


def begun(place: Place, lines: Sequence[str]) -> list[Piece]:
    """Return what puts lines below a key in place of what stands on its line; a comment there stays."""
    node, document = place.node, place.document
    at = document.end_of_line(max(node.end, place.floor))
    gone = Piece(place.floor, max(node.end, place.floor), "")
    return [gone, Piece(at, at, document.line_end + document.line_end.join(lines))]


def _text(new: Plain, style: str, *, flow: bool) -> str:
    return scalar(new if isinstance(new, str) else None, flow=flow, style=style)


def _inline(place: Place, text: str) -> Piece:
    """Return a value on the line where one stands, or where none stands yet."""
    node = place.node
    if not node.is_empty:
        return Piece(node.body, node.end, text)
    colon = place.document.text[place.floor - 1] in ":-" and place.floor > 0
    return Piece(place.floor, place.floor, f" {text}" if colon else f": {text}")


def _goes_on_one_line(place: Place, new: Plain) -> bool:
    if not new:
        return True
    if place.node.flow:
        return bool(place.node.children)
    if place.node.is_block or (place.node.is_empty and isinstance(new, tuple)):
        return False  # lines stand there, or are awaited
    beside = _style_beside(place.parent, new, place.index)
    return is_short(new) if beside is None else beside


def _style_beside(parent: Node, new: Plain, index: int = -1) -> bool | None:
    """Return whether collections of the kind beside this are written on one line; None: they do not say.

    In a list the nearest says it; under keys, where each may be long or short, all of them must be on one line.
    """
    alike = [
        child.flow
        for k, child in enumerate(parent.children)
        if k != index and child.children and (child.items is not None) == isinstance(new, list)
    ]
    if not alike:
        return None
    return alike[-1] if parent.items is not None else all(alike) or None


def _lines_below(place: Place, new: Plain) -> list[str]:
    off = place.layout.dash if isinstance(new, list) else place.layout.step
    return block_lines(new, place.column + off, place.layout)


def _first(place: Place) -> Place:
    return Place(place.document, (*place.above, place.node), 0)


def _last(place: Place) -> Place:
    return Place(place.document, (*place.above, place.node), len(place.node.children) - 1)


def _block_out(place: Place, text: str) -> list[Piece]:
    """Return a text in place of lines; a comment on the line of the key stays."""
    first, document, node = _first(place), place.document, place.node
    if not first.has_own_lines:
        return [Piece(node.start, node.end, text)]
    at = place.floor if node.start == node.body else node.start + len(document.text[node.start : node.body].split()[0])
    return [Piece(at, at, " " + text), _whole_lines(document, first.begin, _last(place).behind)]


def _whole_lines(document: Document, begin: int, end: int) -> Piece:
    """Return what takes out the lines from one place to another, with one line end."""
    start, behind = document.line_start(begin), document.next_line(end)
    if behind == len(document.text) and document.end_of_line(end) == behind:  # the last line has no end of its own
        before = document.text[:start]
        start -= len(before) - len(before.removesuffix("\n").removesuffix("\r"))
    return Piece(start, behind, "")


def removed(place: Place) -> list[Piece]:
    """Return what takes a key or an item out; of the last one, what leaves an empty list or mapping."""
    document, parent = place.document, place.parent
    if len(parent.children) == 1:
        return _emptied(place)
    if place.in_flow:
        return [_out_of_flow(place)]
    if place.has_own_lines:
        return [_whole_lines(document, place.begin, place.behind)]
    following = Place(document, place.above, place.index + 1)
    return [Piece(place.begin, following.begin, "")]


def _emptied(place: Place) -> list[Piece]:
    parent, document = place.parent, place.document
    empty = "{}" if parent.pairs is not None else "[]"
    if parent.flow:
        if document.text[parent.body] not in "[{":
            raise EditError(f"line {document.line_number(parent.start)}: a pair without {{ }}; write it in {{ }} first")
        return [Piece(place.begin, place.end, "")]
    if len(place.above) == 1:
        raise EditError("the only key of the file cannot be taken out")
    return _block_out(_seat_of(place), empty)


def _seat_of(place: Place) -> Place:
    """Return the place of the list or mapping that this stands in."""
    above = place.above[:-1]
    index = next(k for k, child in enumerate(above[-1].children) if child is place.parent)
    return Place(place.document, above, index)


def _out_of_flow(place: Place) -> Piece:
    """Return what takes one of several out of [ ] or { }, without the comments around it."""
    document, text = place.document, place.document.text
    siblings = len(place.parent.children)
    after = Place(document, place.above, place.index + 1).begin if place.index + 1 < siblings else None
    before = Place(document, place.above, place.index - 1).end if place.index else None
    gap_before = text[before : place.begin] if before is not None else "\n"
    if before is not None and gap_before.strip() == "," and (after is None or "\n" not in gap_before):
        return Piece(before, place.end, "")
    comma = document.skip(place.end)
    stop = comma + 1 if text.startswith(",", comma) else place.end
    line = text[document.line_start(place.begin) : place.begin]
    rest = text[stop : document.end_of_line(stop)]
    if not line.strip() and (not rest.strip() or rest.lstrip().startswith("#")):
        return _whole_lines(document, place.begin, stop)
    if after is not None and not text[stop:after].strip():
        return Piece(place.begin, after, "")
    return Piece(place.begin, stop, "")


def reordered(place: Place, to: int) -> list[Piece]:
    """Return what puts an item of a list in brackets at another index of it.

    Commas and lines stay as they are; comments go with their items where each line has but one.
    """
    items, text = place.parent.items or (), place.document.text
    order = [k for k in range(len(items)) if k != place.index]
    order.insert(to, place.index)
    remarks = [_ON_LINE.match(text, item.end) for item in items]
    told = [found["remark"] if found is not None else "" for found in remarks]
    ends = [found.end() if found is not None else item.end for found, item in zip(remarks, items, strict=True)]
    with_remarks = all(text[ends[k] : ends[k] + 1] in ("\r", "\n") for k in range(len(items)) if told[order[k]])
    pieces = [
        Piece(item.start, item.end, text[items[order[k]].start : items[order[k]].end])
        for k, item in enumerate(items)
        if order[k] != k
    ]
    if with_remarks:
        pieces += [Piece(end - len(told[k]), end, told[order[k]]) for k, end in enumerate(ends) if order[k] != k]
    return pieces


def put_in(
    above: tuple[Node, ...], document: Document, index: int, key: str | None, new: Plain, remark: str = ""
) -> list[Piece]:
    """Return what puts an item, or a key with its value, into a list or mapping that is not empty, at an index."""
    parent = above[-1]
    if parent.flow or any(node.flow for node in above):
        text = flow_text(new) if key is None else flow_text(((key, new),))[1:-1]
        return _into_flow(above, document, index, text)
    first = Place(document, above, 0)
    flow = False if len(above) == 1 and isinstance(new, tuple) else _style_beside(parent, new)
    if key is None:
        lines = item_lines(new, first.column, first.layout, flow=flow is not False)
    else:
        lines = pair_lines(key, new, first.column, first.layout, flow=flow)
    if remark:
        lines = [" " * first.column + f"# {remark}", *lines]
    return pasted(above, document, index, lines, apart=key is not None and len(above) == 1)


def pasted(
    above: tuple[Node, ...],
    document: Document,
    index: int,
    lines: Sequence[str],
    *,
    without: int = -1,
    apart: bool = False,
) -> list[Piece]:
    """Return what puts lines into a block at an index, counted without one of its children.

    `apart`: with a blank line between, if the file has such between its sections.
    """
    others = [k for k in range(len(above[-1].children)) if k != without]
    line_end = document.line_end
    if index > 0:
        before = Place(document, above, others[index - 1])
        blank = apart and len(lines) > 1 and line_end * 2 in document.text
        at = before.behind
        return [Piece(at, at, line_end * (1 + blank) + line_end.join(lines))]
    first = Place(document, above, others[0])
    if not first.has_own_lines:
        indent = " " * first.column
        return [Piece(first.begin, first.begin, line_end.join(lines).lstrip() + line_end + indent)]
    at = document.line_start(first.begin)
    if above[-1].items is not None:
        at = _above_comments(document, at, first.column)
    return [Piece(at, at, line_end.join(lines) + line_end)]


def _above_comments(document: Document, at: int, column: int) -> int:
    """Return where the lines of comment begin that stand right above a line and no further out."""
    while at > 0:
        start = document.line_start(at - 1 - document.text[:at].endswith("\r\n"))
        words = document.text[start:at]
        if not words.lstrip(" ").startswith("#") or len(words) - len(words.lstrip(" ")) < column:
            break
        at = start
    return at


def _into_flow(above: tuple[Node, ...], document: Document, index: int, text: str) -> list[Piece]:
    parent = above[-1]
    if document.text[parent.body] not in "[{":
        raise EditError(f"line {document.line_number(parent.start)}: a pair without {{ }}; write it in {{ }} first")
    if not parent.children:
        return [Piece(parent.body + 1, parent.body + 1, text)]
    places = [Place(document, above, k) for k in range(len(parent.children))]
    if index < len(places):
        place = places[index]
        apart = f"{document.line_end}{' ' * place.column}" if place.has_own_lines else " "
        return [Piece(place.begin, place.begin, f"{text},{apart}")]
    last = places[-1]
    comma = document.skip(last.end)
    told = document.text.startswith(",", comma)
    if not last.has_own_lines or len(places) == 1:
        at = comma + 1 if told else last.end
        return [Piece(at, at, f" {text}" if told else f", {text}")]
    line = f"{document.line_end}{' ' * last.column}{text}"
    at = document.end_of_line(comma + 1 if told else last.end)
    at = min(at, parent.end - 1)
    if told:
        return [Piece(at, at, line)]
    return [Piece(last.end, last.end, ","), Piece(at, at, line)]
