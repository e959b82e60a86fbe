"""A YAML text + where + a value → the text with that value there: only its own bytes change.

A path is the keys and indices from the root: `("runs", "riser", "parts", 3)`. What comes out is read again and
compared: what was meant stands there, all else says what it said. If it does not, nothing is changed and the error says
why.

A value that is repeated elsewhere in the file (`&name` and `*name`) is not changed inside: that would change every
place where it is repeated. Put another value in the whole place of `*name`, or write it out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from difflib import SequenceMatcher
from typing import Any

from optimizer.edits.pieces import Piece, Place, begun, pasted, put_in, removed, reordered, replaced
from optimizer.edits.plain import Key, Path, Plain, data_of, plain_of, with_changed, with_put, without
from optimizer.edits.tree import Document, Node, UnreadableError, parse
from optimizer.edits.writing import scalar
from optimizer.errors import EditError

BOM = "\ufeff"


def value_at(text: str, path: Path) -> Any:
    """Return what stands at a path as texts, None, lists and dictionaries; EditError where there is nothing.

    Parameters
    ----------
    text
        A whole file, line ends and byte order mark as they are.
    path
        Keys and indices from the root.
    """
    document = parse(text.removeprefix(BOM))
    return data_of(_nodes(document, path)[-1].plain)


def has(text: str, path: Path) -> bool:
    """Return whether anything stands at a path, be it empty."""
    document = parse(text.removeprefix(BOM))
    return len(_known(document, path)) == len(path) + 1


def path_at(text: str, line: int, column: int) -> Path:
    """Return the path of the innermost value or key that holds a place of the text, both counted from 1.

    The places that parts, runs and faults carry (`file:line:column`) lead to what is written there.
    """
    document = parse(text.removeprefix(BOM))
    at = 0
    for _ in range(line - 1):
        at = document.next_line(at)
    return _path_at(document.root, at + column - 1, ())


def _path_at(node: Node, at: int, path: Path) -> Path:
    for index, item in enumerate(node.items or ()):
        if item.start <= at <= item.end:
            return _path_at(item, at, (*path, index))
    for key, value in node.pairs or ():
        inside = (*path, (key.text or "").strip())
        if key.start <= at <= key.end:
            return inside
        if value.start <= at <= value.end:
            return _path_at(value, at, inside)
    return path


def set_value(text: str, path: Path, value: object) -> str:
    """Return the text with this value at a path; what is missing on the way there is made.

    Parameters
    ----------
    text
        A whole file, line ends and byte order mark as they are.
    path
        Keys and indices from the root.
    value
        A text, number, True or False (`yes`, `no`), None, or a list or dictionary of such. Where a list or a mapping
        stands already only what differs in it is touched.

    Raises
    ------
    EditError
        When the text is no YAML, an index is out of range, or the change would alter something else.
    """
    return _on_body(text, lambda body: _set(body, path, plain_of(value)))


def insert(text: str, path: Path, place: Key, value: object, *, after: str | None = None, remark: str = "") -> str:
    """Return the text with a new item in the list, or a new key in the mapping, at a path.

    Parameters
    ----------
    text, value
        As for `set_value`.
    path
        Of the list or mapping; where nothing is written yet, one is begun.
    place
        The index that the item will have, up to the length of the list; or the new key.
    after
        Of a mapping: the key that the new one follows; the last one if left out, none of them if empty.
    remark
        A comment of one line above it, where it gets lines of its own beside others.

    Raises
    ------
    EditError
        As for `set_value`; also when the key is there already.
    """
    return _on_body(text, lambda body: _insert(body, path, place, plain_of(value), after, remark))


def remove(text: str, path: Path) -> str:
    """Return the text without a key or an item and the comment on its line; of the last one { } or [ ] stays.

    Raises
    ------
    EditError
        When there is no such thing, or the change would alter something else.
    """
    return _on_body(text, lambda body: _remove(body, path))


def move(text: str, path: Path, to: Path) -> str:
    """Return the text with an item at another place of its list or in another list; or with a key under another name.

    Parameters
    ----------
    text
        As for `set_value`.
    path
        Of the item, or of the key.
    to
        The path that it has afterwards; an index is counted without the item itself. A key stays where it stands.

    Raises
    ------
    EditError
        When there is no such thing, a key of that name is there already, or the change would alter something else.
    """
    if path == to:
        return text
    if path and to and isinstance(path[-1], int) and isinstance(to[-1], int):
        return _on_body(text, lambda body: _move(body, path, to))
    if path and to and path[:-1] == to[:-1]:
        return _on_body(text, lambda body: _rename(body, path, str(to[-1])))
    raise EditError(f"{_words(path)} to {_words(to)}; allowed: an item into a list, a key under another name")


def _on_body(text: str, work: Callable[[str], str]) -> str:
    body = text.removeprefix(BOM)
    return text[: len(text) - len(body)] + work(body)


def _set(body: str, path: Path, new: Plain) -> str:
    document = parse(body)
    nodes = _known(document, path)
    if len(nodes) <= len(path):
        rest = path[len(nodes) - 1 :]
        for key in reversed(rest[1:]):
            if isinstance(key, int):
                raise _missing(document, nodes, path)
            new = ((key, new),)
        return _insert(body, path[: len(nodes) - 1], rest[0], new)
    old = nodes[-1].plain
    if old == new:
        return body
    if old and new and isinstance(old, tuple) and isinstance(new, tuple):
        return _merged_mapping(body, path, old, new)
    if old and new and isinstance(old, list) and isinstance(new, list):
        return _merged_list(body, path, old, new)
    if not path:
        raise EditError("the whole file; allowed: a value in it")
    place = _place(document, nodes, path)
    _refuse_repeated(document, nodes, path)
    return _spliced(document, replaced(place, new), with_changed(document.root.plain, path, lambda _: new))


def _merged_mapping(body: str, path: Path, old: tuple[Any, ...], new: tuple[Any, ...]) -> str:
    kept, asked = {key for key, _ in new}, {key for key, _ in old}
    for key in [key for key, _ in old if key not in kept]:
        body = _remove(body, (*path, key))
    for key, value in new:
        body = _set(body, (*path, key), value) if key in asked else _insert(body, path, key, value)
    return body


def _merged_list(body: str, path: Path, old: list[Plain], new: list[Plain]) -> str:
    steps = SequenceMatcher(None, [repr(item) for item in old], [repr(item) for item in new], autojunk=False)
    for tag, first, last, start, stop in reversed(steps.get_opcodes()):
        if tag == "equal":
            continue
        both = min(last - first, stop - start)
        for k in range(both):
            body = _set(body, (*path, first + k), new[start + k])
        for k in range(start + both, stop):
            body = _insert(body, path, first + k - start, new[k])
        for k in reversed(range(first + both, last)):
            body = _remove(body, (*path, k))
    return body


def _insert(body: str, path: Path, place: Key, new: Plain, after: str | None = None, remark: str = "") -> str:
    document = parse(body)
    nodes = _nodes(document, path)
    node = nodes[-1]
    _refuse_repeated(document, nodes, path)
    only: Plain = [new] if isinstance(place, int) else ((place, new),)
    key = None if isinstance(place, int) else place
    if node.items is None and node.pairs is None:
        if node.text is not None or place not in (0, key):
            raise EditError(f"{_where(document, node)}: {_words(path)} is no list and no mapping to add to")
        return _set(body, path, only)
    if (node.items is None) == (key is None):
        raise EditError(f"{_where(document, node)}: {_words(path)} is a {'list' if key else 'mapping'}")
    if key is not None and node.value_of(key) is not None:
        raise EditError(f"{_where(document, node)}: '{key}' is there already in {_words(path)}; choose another name")
    index = _index(document, node, path, place, after)
    if _awaits_lines(document, nodes):
        pieces = replaced(_place(document, nodes, path), only)
    else:
        pieces = put_in(nodes, document, index, key, new, remark)
    return _spliced(
        document, pieces, with_changed(document.root.plain, path, lambda old: with_put(old, index, key, new))
    )


def _awaits_lines(document: Document, nodes: Sequence[Node]) -> bool:
    """Return whether this is a [ ] or { } with nothing in it, not even a comment, where lines may stand as well."""
    node = nodes[-1]
    inside = document.text[node.body + 1 : node.end - 1]
    return not node.children and not inside.strip() and len(nodes) > 1 and not any(above.flow for above in nodes[:-1])


def _index(document: Document, node: Node, path: Path, place: Key, after: str | None) -> int:
    if isinstance(place, int):
        if not 0 <= place <= len(node.children):
            raise EditError(f"{_where(document, node)}: index {place} in {_words(path)}; it has {len(node.children)}")
        return place
    if after is None:
        return len(node.children)
    keys = [(key.text or "").strip() for key, _ in node.pairs or ()]
    if after and after not in keys:
        raise EditError(f"{_where(document, node)}: no '{after}' in {_words(path)} to put '{place}' behind")
    return keys.index(after) + 1 if after else 0


def _remove(body: str, path: Path) -> str:
    document = parse(body)
    nodes = _nodes(document, path)
    place = _place(document, nodes, path)
    _refuse_repeated(document, nodes[:-1], path)
    expected = with_changed(document.root.plain, path[:-1], lambda old: without(old, place.index))
    return _spliced(document, removed(place), expected)


def _rename(body: str, path: Path, name: str) -> str:
    document = parse(body)
    nodes = _nodes(document, path)
    place = _place(document, nodes, path)
    _refuse_repeated(document, nodes[:-1], path)
    if place.parent.value_of(name) is not None:
        raise EditError(f"'{name}' is there already in {_words(path[:-1])}; choose another name")
    key = (place.parent.pairs or ())[place.index][0]
    piece = Piece(key.body, key.end, scalar(name, flow=place.in_flow, style=key.style))

    def named(old: Plain) -> Plain:
        assert isinstance(old, tuple)
        return (*old[: place.index], (name, old[place.index][1]), *old[place.index + 1 :])

    return _spliced(document, [piece], with_changed(document.root.plain, path[:-1], named))


def _move(body: str, path: Path, to: Path) -> str:
    document = parse(body)
    nodes, there = _nodes(document, path), _nodes(document, to[:-1])
    place, index, node = _place(document, nodes, path), int(to[-1]), nodes[-1]
    _refuse_repeated(document, nodes[:-1], path)
    _refuse_repeated(document, there, to)
    within = place.parent is there[-1]
    if there[-1].items is None:
        raise EditError(f"{_where(document, there[-1])}: {_words(to[:-1])} is no list")
    if not 0 <= index <= len(there[-1].items) - within:
        raise EditError(f"{_where(document, there[-1])}: index {index} in {_words(to[:-1])}")
    if within and len(there[-1].items) == 1:
        return body
    pieces = _moved_lines(place, there, to, index, within)
    if within and place.parent.flow:
        pieces = reordered(place, index)
    if not pieces:
        return _insert(_remove(body, path), to[:-1], index, node.plain)
    expected = with_changed(document.root.plain, path[:-1], lambda old: without(old, place.index))
    return _spliced(
        document, pieces, with_changed(expected, to[:-1], lambda old: with_put(old, index, None, node.plain))
    )


def _moved_lines(place: Place, there: tuple[Node, ...], to: Path, index: int, within: bool) -> list[Piece]:
    """Return what takes the lines of an item elsewhere, its comment with them; nothing where it has no lines."""
    document = place.document
    if not place.has_own_lines or place.in_flow or any(above.flow for above in there[:-1]):
        return []
    whole = document.text[document.line_start(place.begin) : place.behind]
    if not there[-1].children and isinstance(to[-2], str):
        seat = _place(document, there, to[:-1])
        return [*removed(place), *begun(seat, _shifted(whole, seat.column + document.dash - place.column))]
    if there[-1].flow:
        return []
    lines = _shifted(whole, Place(document, there, 0).column - place.column)
    return [*removed(place), *pasted(there, document, index, lines, without=place.index if within else -1)]


def _shifted(text: str, off: int) -> list[str]:
    """Return lines further in, or further out as far as there is blank."""
    lines = text.splitlines()
    return [" " * off + line if off > 0 else line[min(-off, len(line) - len(line.lstrip(" "))) :] for line in lines]


def _spliced(document: Document, pieces: Sequence[Piece], expected: Plain) -> str:
    """Return the text with these pieces in it, read again; EditError when it does not say what was meant."""
    text = document.text
    for _, piece in sorted(enumerate(pieces), key=lambda pair: (pair[1].start, pair[0]), reverse=True):
        text = text[: piece.start] + piece.text + text[piece.end :]
    where = f"line {document.line_number(min(piece.start for piece in pieces))}"
    try:
        found = parse(text).root.plain
    except UnreadableError as error:
        raise EditError(f"{where}: the change would leave {error.found}; make it in an editor") from None
    if found != expected:
        raise EditError(f"{where}: the change would alter something else as well; make it in an editor")
    return text


def _known(document: Document, path: Path) -> tuple[Node, ...]:
    """Return the nodes along a path as far as there are any, the root first."""
    nodes = [document.root]
    for key in path:
        node = nodes[-1]
        if node.alias is not None:
            name = node.alias.name
            why = f"'*{name}' repeats what stands at '&{name}'; change it there, or write it out here first"
            raise EditError(f"{_where(document, node)}: {why}")
        found = None
        if isinstance(key, int):
            found = node.items[key] if node.items is not None and 0 <= key < len(node.items) else None
        else:
            found = node.value_of(key)
        if found is None:
            break
        nodes.append(found)
    return tuple(nodes)


def _nodes(document: Document, path: Path) -> tuple[Node, ...]:
    nodes = _known(document, path)
    if len(nodes) <= len(path):
        raise _missing(document, nodes, path)
    return nodes


def _missing(document: Document, nodes: Sequence[Node], path: Path) -> EditError:
    node, key = nodes[-1], path[len(nodes) - 1]
    inside = _words(path[: len(nodes) - 1])
    has = ", ".join(key.text or "" for key, _ in node.pairs or ()) or f"{len(node.children)} items"
    return EditError(f"{_where(document, node)}: no {key!r} in {inside}, which has {has}")


def _place(document: Document, nodes: Sequence[Node], path: Path) -> Place:
    if not path:
        raise EditError("the whole file; allowed: a value in it")
    parent = nodes[-2]
    index = next(k for k, child in enumerate(parent.children) if child is nodes[-1])
    return Place(document, tuple(nodes[:-1]), index)


def _refuse_repeated(document: Document, nodes: Sequence[Node], path: Path) -> None:
    """Refuse to change within what is repeated elsewhere."""
    for node in nodes:
        if node.anchor in document.repeated:
            why = f"is repeated elsewhere in the file by '*{node.anchor}'; write it out there first"
            raise EditError(f"{_where(document, node)}: {_words(path)} {why}")


def _where(document: Document, node: Node) -> str:
    return f"line {document.line_number(node.start)}"


def _words(path: Path) -> str:
    return " > ".join(str(key) for key in path) or "the file"
