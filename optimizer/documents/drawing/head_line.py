"""The head line of one path as a chart, before and after the work: where it falls steeply, the head is lost."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from optimizer.documents.drawing.chart import Frame, frame, legend_row
from optimizer.documents.drawing.profile import HeadLine, Station
from optimizer.documents.drawing.svg import Canvas
from optimizer.units import head_unit, head_value, length_unit, length_value, show_head

_WIDTH, _HEIGHT = 440.0, 280.0
_LEAST_STEP = 0.12  # of the chart's range of head: smaller falls get no words


def head_line_chart(
    now: HeadLine | None, after: HeadLine | None, units: str, *, title: str, key: str, alone: bool = False
) -> str:
    """Return the chart of a path's head now (broken line), after (full line), or both; one of them must be there."""
    lines = [line for line in (now, after) if line is not None]
    told = "; ".join(
        f"{words}: starts at {show_head(line.stations[0].head_m, units)}, highest "
        f"{show_head(max(station.head_m for station in line.stations), units)}, ends at {line.end} with "
        f"{show_head(line.end_head_m, units)}"
        for words, line in (("now", now), ("after", after))
        if line is not None
    )
    text = f"Total head along {', '.join(lines[-1].runs)}. {told}."
    return head_line_canvas(now, after, units).svg(title, text, key, alone=alone)


def head_line_canvas(now: HeadLine | None, after: HeadLine | None, units: str) -> Canvas:
    """Return the drawn chart."""
    lines = [line for line in (now, after) if line is not None]
    if not lines:
        raise ValueError("a head line needs a path, before or after")
    stations = [station for line in lines for station in line.stations]
    heads = [head_value(station.head_m, units) for station in stations]
    longest = max(length_value(station.length_m, units) for station in stations)
    drawn = frame(
        _WIDTH,
        _HEIGHT,
        (0.0, longest),
        (min(0.0, *heads), max(heads)),
        f"pipe along the path, {length_unit(units)}",
        f"head, {head_unit(units)}",
    )
    for line, role in ((now, "now-line"), (after, "after-line")):
        if line is not None:
            drawn.line(_points(line.stations, units), role)
    _name_steps(drawn, lines[-1].stations, units)
    if len(lines) == 2:
        legend_row(drawn, (("now-line", "", "now"), ("after-line", "", "after")))
    return drawn.canvas


def _points(stations: Sequence[Station], units: str) -> list[tuple[float, float]]:
    return [(length_value(station.length_m, units), head_value(station.head_m, units)) for station in stations]


def _name_steps(drawn: Frame, stations: Sequence[Station], units: str) -> None:
    """Write what stands where the head jumps: pumps and devices with a visible step."""
    span = drawn.y_ticks[-1] - drawn.y_ticks[0]
    for before, station in pairwise(stations):
        step = head_value(station.head_m - before.head_m, units)
        is_machine = station.words and station.length_m == before.length_m and abs(step) >= _LEAST_STEP * span
        if is_machine:
            level = head_value((station.head_m + before.head_m) / 2, units)
            drawn.note((length_value(station.length_m, units), level), station.words, "words")
