"""The rule `second pump` of a system file → where one may be put, and what its own line is built of."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from optimizer.errors import QuantityError
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.network import Condition, Network, Part, Run
from optimizer.model.system import SecondPump
from optimizer.ranges import money
from optimizer.read.fit import Border, Machines, fit_run
from optimizer.read.nodes import Entry, Node, Reading, attempt, choice, entries
from optimizer.read.part_text import PartText, read_parts
from optimizer.read.run_text import RunText

KEY = "second pump"
_KEYS = ["how", "line", "in pipe", "another like it"]
_HOW = {"no": (False, False), "in series": (True, False), "side by side": (False, True), "either": (True, True)}


@dataclass(frozen=True, slots=True)
class _Place:
    run: Run
    pump: str
    pipe: int


def read_second_pump(
    reading: Reading, rules: Entry | None, network: Network, catalog: Catalog, currency: str, unit_system: str
) -> SecondPump | None:
    """Return where a second pump may be put; None where the rules do not allow one.

    The rule is a word, `in series`, `side by side`, `either` or `no`, or a mapping with `how`, the `line` of a pump
    side by side, `in pipe` (which pipe behind the pump is cut, counted from 1) and what `another like it` costs.
    """
    pairs = (rules.value.pairs if rules is not None else None) or ()
    node = next((value for key, value in pairs if key.text == KEY), None)
    if node is None:
        return None
    found = entries(reading, node, KEY, _KEYS) if node.pairs is not None else {}
    if node.pairs is not None and "how" not in found:
        reading.fault(node.place, f"{KEY} without 'how'", ", ".join(_HOW))
        return None
    how = choice(reading, found["how"].value if found else node, _HOW)
    if how is None or how == (False, False):
        return None
    place = _place(reading, node, found.get("in pipe"), network, beside=how[1])
    if place is None:
        return None
    cents = _price(reading, found["another like it"].value, currency) if "another like it" in found else None
    if how[1] and "line" not in found:
        example = "line: [pipe 12 in, elbow, pipe 8 in], from the second pump to the tee"
        reading.fault(node.place, "a second pump side by side without its line", example)
        return None
    ahead, behind = _line(reading, found["line"].value, place, catalog, unit_system) if how[1] else ((), ())
    return SecondPump(how[0], how[1], place.run.name, place.pump, place.pipe, ahead, behind, cents)


def _place(reading: Reading, node: Node, told: Entry | None, network: Network, beside: bool) -> _Place | None:
    """Return the run of the only pump, and the pipe behind it that a second pump or its tee is set into."""
    pumped = [(run, i) for run in network.runs.values() for i, part in enumerate(run.parts) if part.kind is Kind.PUMP]
    if len(pumped) != 1:
        if network.runs:  # else the runs were not readable, which is a fault already
            reading.fault(node.place, f"a {KEY} where the file has {len(pumped)}", "a file with one pump in its runs")
        return None
    (run, at) = pumped[0]
    pipes = [i for i, part in enumerate(run.parts) if i > at and part.kind is Kind.PIPE]
    number = 1 if told is None else attempt(reading, told.value, "a number, such as 1", _count)
    if number is None:
        return None
    if number > len(pipes):
        place = node.place if told is None else told.value.place
        have = f"1 to {len(pipes)}" if pipes else "a rigid pipe behind the pump"
        reading.fault(place, f"pipe {number} behind pump '{run.parts[at].name}'", f"{have}, in run '{run.name}'")
        return None
    pipe = pipes[number - 1]
    if run.parts[pipe].condition is Condition.KEEP:
        reading.fault(node.place, f"a {KEY} in a pipe that is to be kept", "another pipe, by 'in pipe'")
        return None
    if beside and any(part.kind is Kind.DEVICE for part in run.parts[:pipe]):
        allowed = "a pipe between the pump and the first device, by 'in pipe'"
        reading.fault(node.place, "a tee for a second pump behind a device", allowed)
        return None
    return _Place(run, run.parts[at].name, pipe)


def _count(text: str) -> int:
    if not re.fullmatch(r"[1-9]\d?", text):
        raise QuantityError(f"'{text}'", "a whole number from 1: which pipe behind the pump is cut")
    return int(text)


def _price(reading: Reading, node: Node, currency: str) -> int | None:
    example = f"150 {currency}"

    def parse(text: str) -> int:
        match = re.fullmatch(rf"(\d+(?:\.\d\d)?) *{currency}", text.strip())
        if match is None:
            raise QuantityError(f"the price '{text}'", f"an amount in {currency}, such as {example}")
        return round(100 * money(float(match[1]), match[1], currency))

    return attempt(reading, node, f"a price, such as {example}", parse)


def _line(
    reading: Reading, node: Node, place: _Place, catalog: Catalog, unit_system: str
) -> tuple[tuple[Part, ...], tuple[Part, ...]]:
    """Return the parts ahead of the second pump and behind it: all to be bought, in whatever size serves best.

    `pump` and any name stand for it in the list; without them it stands in the water, at the start.
    """
    texts = read_parts(reading, node, unit_system)
    pumps = [i for i, text in enumerate(texts) if text is not None and text.kind is Kind.PUMP]
    devices = [text for text in texts if text is not None and text.kind is Kind.DEVICE]
    if len(pumps) > 1 or devices:
        reading.fault(node.place, "a line of a second pump with more than that pump", "one pump and no device in it")
        return (), ()
    at = pumps[0] if pumps else 0
    ahead, behind = texts[:at], texts[at + 1 :] if pumps else texts
    return _fitted(reading, node, ahead, place, catalog), _fitted(reading, node, behind, place, catalog)


def _fitted(
    reading: Reading, node: Node, texts: Sequence[PartText | None], place: _Place, catalog: Catalog
) -> tuple[Part, ...]:
    if not texts:
        return ()
    border = Border("the second pump", node.place, None, True)
    run = RunText(KEY, node.place, place.run.size, place.run.family, tuple(texts))
    parts = fit_run(reading, run, (border, border), Machines({}, {}), catalog, stands=False)
    return tuple(replace(part, condition=Condition.MUST_GO, existing=False) for part in parts)
