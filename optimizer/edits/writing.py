"""Plain data → how a system file writes them: quoted where they must be, on one line or on lines of their own."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass

from optimizer.edits.plain import Alias, Plain
from optimizer.errors import EditError

SHORT = 60  # signs; a list of texts, or a mapping without lists, that is no longer goes on one line
_NOT_FIRST = re.compile(r"[,\[\]{}#&*!|>'\"%@`=]|[-?:](?=$|[\s,\[\]{}])|---|\.\.\.|<<$")
_NOT_WITHIN = re.compile(r":(?=$|\s)|\s#|[\t\r\n\x85\u2028\u2029]|^\s|\s$")
_NOT_IN_FLOW = re.compile(r"[,\[\]{}?:]")
_NULLS = re.compile(r"~?|null|Null|NULL")


@dataclass(frozen=True, slots=True)
class Layout:
    """How a file sets things off from their keys, and how its lines end."""

    step: int = 2
    dash: int = 2


def scalar(value: str | None, *, flow: bool, style: str = "") -> str:
    """Return a text as it is written: plain where that says the same, else in quotes; `style` are quotes it had."""
    if value is None:
        return "null"
    if any(not sign.isprintable() for sign in value):
        return '"' + "".join(_escaped(sign) for sign in value) + '"'
    if style == '"':
        return json.dumps(value, ensure_ascii=False)
    if style == "'" or not _may_be_plain(value, flow):
        return "'" + value.replace("'", "''") + "'"
    return value


def _may_be_plain(value: str, flow: bool) -> bool:
    if _NULLS.fullmatch(value) or _NOT_FIRST.match(value) or _NOT_WITHIN.search(value):
        return False
    return not (flow and _NOT_IN_FLOW.search(value))


def _escaped(sign: str) -> str:
    if sign in '"\\':
        return "\\" + sign
    if sign.isprintable():
        return sign
    code = ord(sign)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def flow_text(value: Plain) -> str:
    """Return a value on one line: [a, b], {key: value}, or a text that may stand in such."""
    if isinstance(value, list):
        return "[" + ", ".join(flow_text(item) for item in value) + "]"
    if isinstance(value, tuple):
        return "{" + ", ".join(f"{_key(key, flow=True)}: {flow_text(item)}" for key, item in value) + "}"
    if isinstance(value, Alias):
        raise EditError(f"found the repetition '*{value.name}'; write out what it repeats")
    return scalar(value, flow=True)


def _key(key: Plain, *, flow: bool) -> str:
    if not isinstance(key, str) or not key.strip():
        raise EditError("found a key without a name; allowed: a name")
    return scalar(key, flow=flow)


def is_short(value: Plain) -> bool:
    """Return whether a list or mapping goes on one line where nothing beside it says otherwise."""
    inside = value if isinstance(value, list) else [item for _, item in value] if isinstance(value, tuple) else []
    nested = any(isinstance(item, list) or (isinstance(item, tuple) and isinstance(value, list)) for item in inside)
    return not nested and len(flow_text(value)) <= SHORT


def item_lines(value: Plain, column: int, layout: Layout, *, flow: bool = True) -> list[str]:
    """Return the lines of one item of a list whose dashes stand in a column; `flow`: a collection on one line."""
    begin = " " * column + "- "
    if isinstance(value, (list, tuple)):
        if flow or not value:
            return [begin + flow_text(value)]
        lines = block_lines(value, column + 2, layout)
        return [begin + lines[0].lstrip(), *lines[1:]]
    return [begin + scalar(value if isinstance(value, str) else None, flow=False)]


def pair_lines(key: str, value: Plain, column: int, layout: Layout, *, flow: bool | None = None) -> list[str]:
    """Return the lines of one key with its value; `flow` None: a short collection on the key's line."""
    begin = " " * column + _key(key, flow=False) + ":"
    if isinstance(value, (list, tuple)):
        if not value or (is_short(value) if flow is None else flow):
            return [f"{begin} {flow_text(value)}"]
        off = layout.dash if isinstance(value, list) else layout.step
        return [begin, *block_lines(value, column + off, layout)]
    return [begin] if value is None else [f"{begin} {scalar(value if isinstance(value, str) else '', flow=False)}"]


def block_lines(value: Plain, column: int, layout: Layout) -> list[str]:
    """Return the lines of a list or a mapping, each item or key in this column."""
    if isinstance(value, list):
        return [line for item in value for line in item_lines(item, column, layout)]
    pairs = value if isinstance(value, tuple) else ()
    return [line for key, item in pairs for line in pair_lines(str(key), item, column, layout)]
