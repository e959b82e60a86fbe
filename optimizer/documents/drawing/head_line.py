"""The head line of one path as a chart, before and after the work: where it falls steeply, the head is lost.

What a valve takes because it is set so is no loss: it is named apart from the three largest falls.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from optimizer.documents.drawing.chart import Frame, frame, legend
from optimizer.documents.drawing.svg import Canvas
from optimizer.model.catalog import Kind
from optimizer.units import head_unit, head_value, length_unit, length_value, show_head

if TYPE_CHECKING:
    from optimizer.hydraulics.head_line import HeadPoint

_WIDTH, _HEIGHT = 440.0, 280.0
_NAMED = 3  # so many of the largest falls are named
_SET = "set"  # said of what a valve takes on purpose

Line = Sequence["HeadPoint"]
Valves = Collection[tuple[str, int]]  # run and part index


def head_line_chart(
    now: Line, after: Line, units: str, *, title: str, key: str, throttled: Valves = (), alone: bool = False
) -> str:
    """Return the chart of a path's head now (broken line), after (full line), or both; an empty one is left out.

    `throttled` are the valves that are partly shut in the line whose falls are named: after the work, if there is one.
    """
    told = "; ".join(
        f"{words}: it starts at {show_head(line[0].head_m, units)}, is highest at "
        f"{show_head(max(place.head_m for place in line), units)} and ends at {show_head(line[-1].head_m, units)}"
        for words, line in (("now", now), ("after", after))
        if line
    )
    return head_line_canvas(now, after, units, throttled).svg(
        title, f"Total head along the path, {told}.", key, alone=alone
    )


def head_line_canvas(now: Line, after: Line, units: str, throttled: Valves = ()) -> Canvas:
    """Return the drawn chart; ValueError when both lines are empty."""
    lines = [(words, line) for words, line in (("now", now), ("after", after)) if line]
    if not lines:
        raise ValueError("a head line needs a path, before or after")
    points = [point for _, line in lines for point in _points(line, units)]
    drawn = frame(
        _WIDTH,
        _HEIGHT,
        (0.0, max(length for length, _ in points)),
        (min(0.0, *(head for _, head in points)), max(head for _, head in points)),
        f"pipe along the path, {length_unit(units)}",
        f"head, {head_unit(units)}",
    )
    for words, line in lines:
        drawn.line(_points(line, units), f"{words}-line")
    _name_steps(drawn, lines[-1][1], units, throttled)
    legend(drawn, [(f"{words}-line", "", words) for words, _ in lines])
    return drawn.canvas


def _points(line: Line, units: str) -> list[tuple[float, float]]:
    return [(length_value(place.distance_m, units), head_value(place.head_m, units)) for place in line]


def _name_steps(drawn: Frame, line: Line, units: str, throttled: Valves) -> None:
    """Write what stands where a pump lifts the head, its three largest falls, and valves that are partly shut."""
    steps = [(before, place) for before, place in pairwise(line) if place.distance_m == before.distance_m]
    falls = sorted((step for step in steps if _fall_m(*step) > 0.0), key=lambda step: -_fall_m(*step))
    lost = [step for step in falls if (step[1].run, step[1].index) not in throttled]
    valves = [step for step in falls if step not in lost]
    lifts = [step for step in steps if _fall_m(*step) < 0.0 and step[1].words.startswith(_MACHINES)]
    for before, place in (*lifts, *valves[:_NAMED], *lost[:_NAMED]):
        level = head_value((place.head_m + before.head_m) / 2, units)
        words = _short(place.words)
        if _fall_m(before, place) > 0.0:
            words = f"{words}, {show_head(_fall_m(before, place), units)}"
        if (before, place) in valves:
            words = f"{words} {_SET}"
        drawn.note((length_value(place.distance_m, units), level), words, "words")


def _fall_m(before: HeadPoint, place: HeadPoint) -> float:
    return before.head_m - place.head_m


def _short(words: str) -> str:
    """Return the trade's word of a part without its size, material and ends."""
    return next(
        (kind.value for kind in _LONGEST_FIRST if kind.value in words and not words.startswith(_MACHINES)), words
    )


_MACHINES = (Kind.PUMP.value, Kind.DEVICE.value)
_LONGEST_FIRST = sorted((kind for kind in Kind if kind.value not in _MACHINES), key=lambda kind: -len(kind.value))
