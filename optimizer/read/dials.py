"""The `dial` of a pump in a system file → what its settings mean: rpm, power, floor 30 %, or a table."""

from __future__ import annotations

import re

from optimizer import units
from optimizer.errors import NetworkError, QuantityError
from optimizer.model.dial import POWER, RPM, Dial, DialKind
from optimizer.read.nodes import Node, Reading, attempt, nearest

GRAMMAR = "rpm, power, floor 30 % or a table such as {30 %: 55 %, 100 %: 100 %}"
_FLOOR = re.compile(r"floor[ ]+(?P<share>.+)", re.IGNORECASE)
_WORDS = {"rpm": RPM, "power": POWER}


def read_dial(reading: Reading, node: Node) -> Dial | None:
    """Return a dial, or None with its faults noted."""
    if node.pairs is None:
        return attempt(reading, node, GRAMMAR, parse_dial)
    points = []
    for key, value in node.pairs:
        setting = attempt(reading, key, "a setting, such as 30 %", units.parse_fraction)
        speed = attempt(reading, value, "a share of full rpm, such as 55 %", units.parse_fraction)
        if setting is not None and speed is not None:
            points.append((round(setting, 9), round(speed, 9)))
    if len(points) < len(node.pairs) or not points:
        if not node.pairs:
            reading.fault(node.place, "an empty table", GRAMMAR)
        return None
    try:
        return Dial(DialKind.TABLE, table=tuple(sorted(points)))
    except NetworkError:
        reading.fault(node.place, "a dial that does not rise", "a higher share of full rpm at every higher setting")
        return None


def parse_dial(text: str) -> Dial:
    """Return `rpm`, `power` or `floor 30 %`."""
    if text.lower() in _WORDS:
        return _WORDS[text.lower()]
    match = _FLOOR.fullmatch(text)
    if match is None:
        raise QuantityError(f"'{text}' as a dial", GRAMMAR, nearest(text, [*_WORDS, "floor 30 %"]))
    floor = units.parse_fraction(match["share"])
    if not 0.0 <= floor < 1.0:
        raise QuantityError(f"'{text}'", "a floor below 100 % of full rpm")
    return Dial(DialKind.FLOOR, floor)
