"""What is laid over the drawing: losses, heads, safety, leaks, errors → words, a bar and a sign at each part and water.

The drawing stays the same one. What a sign means a word says too.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from optimizer.documents.drawing.drains import drain_verdicts
from optimizer.documents.floor_text import SHOWN
from optimizer.errors import NetworkError
from optimizer.hydraulics.head_line import head_line
from optimizer.model.catalog import Kind
from optimizer.model.checks import Check
from optimizer.model.circuits import sumps
from optimizer.model.network import Network
from optimizer.model.note import Note, Value
from optimizer.model.safety import GRAVITY, Verdict
from optimizer.units import show_head, show_volume

if TYPE_CHECKING:
    from optimizer.web.answers import Answers

SIGNS = {Verdict.SAFE: "✓", Verdict.CLOSE: "!", Verdict.UNSAFE: "✗", Verdict.UNCHECKED: "?"}
_GRADES = {Verdict.SAFE: "good", Verdict.CLOSE: "close", Verdict.UNSAFE: "bad", Verdict.UNCHECKED: "open"}
_PLACES = ("tank", "tanks", "into", "run", "runs", "pump", "pumps", "what")  # of a title, those that name one
_LEAST_SHARE = 0.005  # of the largest: bars below are none


@dataclass(frozen=True, slots=True)
class Mark:
    """What lies at one place: a bar, as a share of the longest, or a sign; how grave it is, for the style."""

    share: float = 0.0
    sign: str = ""
    grade: str = ""


@dataclass(frozen=True)
class Overlay:
    """What is said at parts (by run and index), runs and points, and the marks there; `words` says what it shows."""

    words: str = ""
    said: Mapping[tuple[str, int], str] = field(default_factory=dict)
    said_of_runs: Mapping[str, str] = field(default_factory=dict)
    said_of_points: Mapping[str, str] = field(default_factory=dict)
    at_parts: Mapping[tuple[str, int], Mark] = field(default_factory=dict)
    at_points: Mapping[str, Mark] = field(default_factory=dict)
    said_of_drains: Mapping[str, str] = field(default_factory=dict)  # by the drain's own name
    at_drains: Mapping[str, Mark] = field(default_factory=dict)


NOTHING = Overlay()


def losses(answers: Answers, mode: str) -> Overlay:
    """Return what every part loses, its bar as long as its share of the largest loss."""
    name, at = answers.mode(mode)
    told = {(one.run, one.index): one.head_loss_m for one in answers.solved(name).losses if one.index is not None}
    found = {place: loss for place, loss in told.items() if math.isfinite(loss)}
    most = max(found.values(), default=0.0)
    words = "The number is the head lost in a part; the bar shows it as a share of the largest loss."
    return Overlay(
        words, {place: _tight(show_head(loss, at.units)) for place, loss in found.items()}, at_parts=_bars(found, most)
    )


def heads(answers: Answers, mode: str) -> Overlay:
    """Return the head behind every part that water runs through, its bar as long as its share of the greatest."""
    name, at = answers.mode(mode)
    state, network = answers.solved(name), at.network
    found: dict[tuple[str, int], float] = {}
    ends: dict[str, str] = {}
    for run in network.runs:
        try:
            line = head_line(network, state.solution, [run])
        except NetworkError:  # nothing flows there
            ends[run] = "no flow"
            continue
        found |= {(run, one.index): one.head_m for one in line if one.place == "part" and one.index is not None}
        ends[run] = f"head {show_head(line[0].head_m, at.units)}\nto {show_head(line[-1].head_m, at.units)}"
    low = min([*found.values(), 0.0])
    most = max(found.values(), default=0.0) - low
    words = (
        "The number is the head after a part, above the sump's water line; the bar shows it as a share of the highest."
    )
    bars = _bars({place: head - low for place, head in found.items()}, most)
    said = {place: _tight(show_head(head, at.units)) for place, head in found.items()}
    return Overlay(words, said, ends, at_parts=bars)


def safety(answers: Answers, mode: str) -> Overlay:
    """Return the worst verdict at every tank, pump and run that a check or a mishap is about."""
    name, at = answers.mode(mode)
    network, verdicts = at.network, dict[str, list[Verdict]]()
    for check in answers.safety().checks:
        for place in _about(check.title, network) or _usual(check.check, network):
            verdicts.setdefault(place, []).append(check.verdict_now)
    for one in answers.floor(name).mishaps:
        for place in _about(one.title, network):
            verdicts.setdefault(place, []).append(one.verdict)
    worst = {place: max(found, key=GRAVITY.index) for place, found in verdicts.items()}
    drains = drain_verdicts(at.drains, answers.safety().checks, now=True)
    marks = {place: Mark(sign=SIGNS[verdict], grade=_GRADES[verdict]) for place, verdict in worst.items()}
    machines = _machines(network)
    return Overlay(
        "✓ safe, ! close, ✗ unsafe, ? not checked: the worst of all checks of a place. The checks are listed below.",
        {machines[place]: str(verdict) for place, verdict in worst.items() if place in machines},
        {place: str(verdict) for place, verdict in worst.items() if place in network.runs},
        {place: str(verdict) for place, verdict in worst.items() if place in network.points},
        {machines[place]: mark for place, mark in marks.items() if place in machines}
        | {(place, -1): mark for place, mark in marks.items() if place in network.runs},
        {place: mark for place, mark in marks.items() if place in network.points},
        {name: str(verdict) for name, verdict in drains.items()},
        {name: Mark(sign=SIGNS[verdict], grade=_GRADES[verdict]) for name, verdict in drains.items()},
    )


def leaks(answers: Answers, mode: str) -> Overlay:
    """Return the joints that let out most, numbered, each at the part that it comes behind."""
    name, at = answers.mode(mode)
    said: dict[tuple[str, int], str] = {}
    marks: dict[tuple[str, int], Mark] = {}
    for number, place in enumerate(answers.floor(name).leaks[: 2 * SHOWN], start=1):
        key = (place.run, place.behind)
        if place.run in at.network.runs and key not in said:
            lets = "how much is not known" if place.water_m3 is None else show_volume(place.water_m3, at.units)
            said[key] = f"its {place.method} lets out {lets}"
            marks[key] = Mark(sign=str(number), grade="bad" if number <= SHOWN else "close")
    words = "Joints are numbered by how much water they let out if they open, times how likely that is. 1 is the worst."
    return Overlay(words, said, at_parts=marks)


OVERLAYS: Mapping[str, Callable[[Answers, str], Overlay]] = {
    "losses": losses,
    "heads": heads,
    "safety": safety,
    "leaks": leaks,
}


def _tight(words: str) -> str:
    """Return an amount that no line ends in."""
    return words.replace(" ", "\u00a0")


def _bars(values: Mapping[tuple[str, int], float], most: float) -> dict[tuple[str, int], Mark]:
    return {place: Mark(share=value / most) for place, value in values.items() if value > _LEAST_SHARE * most > 0.0}


def _about(title: Note, network: Network) -> list[str]:
    """Return the points, runs and pumps that a title names."""
    known = {*network.points, *network.runs, *network.pumps}
    return [name for name in _names(title) if name in known]


def _names(told: Note) -> Iterable[str]:
    for key, value in told.values:
        if key in _PLACES or not isinstance(value, str):
            yield from _of_value(value)


def _of_value(value: Value) -> Iterable[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Note):
        yield from _names(value)
    elif isinstance(value, tuple):
        for one in value:
            yield from _of_value(one)


def _usual(check: Check, network: Network) -> list[str]:
    """Return what a check is about that names nothing: the sumps, or the pumps."""
    if check in (Check.DRAIN_BACK, Check.PUMP_RESERVE):
        return [name for name in network.points if name in sumps(network)]
    return list(network.pumps) if check in (Check.DEAD_HEAD, Check.PRESSURE) else []


def _machines(network: Network) -> dict[str, tuple[str, int]]:
    """Return where each pump stands."""
    return {
        part.name: (run.name, index)
        for run in network.runs.values()
        for index, part in enumerate(run.parts)
        if part.kind is Kind.PUMP
    }
