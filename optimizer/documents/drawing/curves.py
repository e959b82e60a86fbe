"""Pump curve and system curve in one chart: where they cross, the pump works."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from optimizer.documents.drawing.chart import Frame, frame, legend
from optimizer.documents.drawing.svg import Canvas
from optimizer.model.catalog import Kind
from optimizer.model.network import Network, Pump
from optimizer.units import flow_unit, flow_value, head_unit, head_value, show_flow, show_head
from optimizer.wording.amounts import percent

if TYPE_CHECKING:
    from optimizer.hydraulics.network import NetworkSolution

_WIDTH, _HEIGHT = 440.0, 320.0
_STEPS = 24  # of the pump curve
_SHARES = tuple(share / 20 for share in range(3, 21))  # of full speed: points of the system curve
_STILL_M3_S = 1e-9

Curve = tuple[tuple[float, float], ...]  # (flow_m3_s, head_m)


@dataclass(frozen=True)
class PumpPicture:
    """One pump in one plumbing: its curve at its speed, what the plumbing takes, and where the two meet."""

    pump: str
    speed: float
    pump_curve: Curve
    system_curve: Curve
    flow_m3_s: float
    head_m: float
    at_the_end: bool = False  # of its curve, or past it: what it gives is known from below alone


def pump_picture(network: Network, solution: NetworkSolution, pump: Pump) -> PumpPicture:
    """Return a pump's curves in a solved plumbing.

    The system curve is what the plumbing takes at each flow of this pump, all valves as they stand and all other
    pumps at their speed: the points at which the pump would work at other speeds.
    """
    from optimizer.hydraulics.pumps import pump_head_m

    run = next(run.name for run in network.runs.values() for part in run.parts if _is(part.kind, part.name, pump))
    flow = solution.flows_m3_s[run]
    last = pump.curve[-1][0] * pump.speed
    flows = [last * step / _STEPS for step in range(_STEPS + 1)]
    curve = tuple((at, pump_head_m(pump, at)) for at in flows)
    system = _system_curve(network, run, pump, (flow, pump_head_m(pump, flow)))
    at_the_end = pump.name in solution.doubt.pumps
    return PumpPicture(pump.name, pump.speed, curve, system, flow, pump_head_m(pump, flow), at_the_end)


def _is(kind: Kind, name: str, pump: Pump) -> bool:
    return kind is Kind.PUMP and name == pump.name


def _system_curve(network: Network, run: str, pump: Pump, working: tuple[float, float]) -> Curve:
    from optimizer.errors import NetworkError
    from optimizer.hydraulics import solve_network
    from optimizer.hydraulics.pumps import pump_head_m

    points = {working} if working[0] > _STILL_M3_S else set[tuple[float, float]]()
    for share in _SHARES:
        turned = replace(pump, speed=share)
        try:
            flow = solve_network(replace(network, pumps={**network.pumps, pump.name: turned})).flows_m3_s[run]
        except NetworkError:
            continue  # at this speed the plumbing has no steady flow: the curve does without this point
        if _STILL_M3_S < flow <= pump.curve[-1][0] * share:
            points.add((flow, pump_head_m(turned, flow)))
    return tuple(sorted(points))


def _point_words(picture: PumpPicture, units: str, between: str = " at ") -> str:
    flow = show_flow(picture.flow_m3_s, units)
    if picture.at_the_end:
        return f"at least {flow}, the end of its curve"
    return f"{flow}{between}{show_head(picture.head_m, units)}"


def curves_chart(
    now: PumpPicture | None, after: PumpPicture | None, units: str, *, title: str, key: str, alone: bool = False
) -> str:
    """Return the chart of a pump now, after the work, or both; one of them must be there."""
    told = "; ".join(
        f"{words}: at {percent(picture.speed)} of full speed it gives {_point_words(picture, units)}"
        for words, picture in (("now", now), ("after", after))
        if picture is not None
    )
    name = next(picture.pump for picture in (now, after) if picture is not None)
    text = f"Pump {name}, {told}."
    return curves_canvas(now, after, units).svg(title, text, key, alone=alone)


def curves_canvas(now: PumpPicture | None, after: PumpPicture | None, units: str) -> Canvas:
    """Return the drawn chart: thin lines the pump, thick ones the plumbing, marks where the pump works."""
    pictures = [(kind, picture) for kind, picture in (("now", now), ("after", after)) if picture is not None]
    if not pictures:
        raise ValueError("curves need a pump, before or after")
    every = [point for _, one in pictures for point in (*one.pump_curve, *one.system_curve)]
    heads, flows = [head_value(head, units) for _, head in every], [flow_value(flow, units) for flow, _ in every]
    drawn = frame(
        _WIDTH,
        _HEIGHT,
        (0.0, max(flows)),
        (min(0.0, *heads), max(heads)),
        f"flow, {flow_unit(units)}",
        f"head, {head_unit(units)}",
        legend_rows=len(pictures),
    )
    for kind, one in pictures:
        drawn.line(_shown(one.pump_curve, units), f"{kind}-faint")
        drawn.line(_shown(one.system_curve, units), f"{kind}-line")
    for kind, one in pictures:
        drawn.mark(_shown([(one.flow_m3_s, one.head_m)], units)[0], f"{kind}-mark")
    _notes(drawn, pictures, units)
    entries = [(f"{kind}-line", f"{kind}-mark", f"{kind}: {_point_words(one, units, ', ')}") for kind, one in pictures]
    legend(drawn, entries, len(pictures))
    return drawn.canvas


def _notes(drawn: Frame, pictures: Sequence[tuple[str, PumpPicture]], units: str) -> None:
    last = pictures[-1][1]
    middle = last.pump_curve[len(last.pump_curve) // 5]
    drawn.note(_shown([middle], units)[0], "pump", "aside")
    if last.system_curve:
        drawn.note(_shown([last.system_curve[len(last.system_curve) // 3]], units)[0], "plumbing", "aside")


def _shown(points: Sequence[tuple[float, float]], units: str) -> list[tuple[float, float]]:
    return [
        (flow_value(flow, units), head_value(head, units))
        for flow, head in points
        if math.isfinite(flow) and math.isfinite(head)
    ]
