"""Drains → what each of them carries: a siphon as gravity plumbing, an open mouth as a weir."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

from optimizer.hydraulics import (
    Conditions,
    compile_network,
    fluid_of,
    solve_flows,
    solve_network,
    valve_bore_m,
    valve_opening,
)
from optimizer.hydraulics.friction import area_m2
from optimizer.hydraulics.water import GRAVITY_M_S2
from optimizer.hydraulics.weirs import open_mouth_flow_m3_s
from optimizer.model.catalog import PIPES, THROTTLES
from optimizer.model.circuits import gravity_lines
from optimizer.model.network import Network, Part, Point, PointKind, Run, RunEnd, Water
from optimizer.model.tanks import Drain, DrainMode

_TOP, _BOTTOM, _RUN = "water over the mouth", "sump", "drain"


def drain_capacity_m3_s(drain: Drain, water: Water) -> float | None:
    """Return what a drain carries with its valves fully open [m³/s]; None where what it depends on is not stated.

    A full siphon is solved as plumbing between two water surfaces. An open or emergency drain takes what its mouth
    takes as a weir under the head that may stand over its lip, and never more than its pipe could carry full.
    """
    full = None if drain.drop_m is None else siphon_flow_m3_s(opened(drain), drain.drop_m, water)
    if drain.mode is DrainMode.SIPHON:
        return full
    over_lip_m = drain.most_over_lip_m
    if over_lip_m is None:
        return None
    mouth = open_mouth_flow_m3_s(drain.mouth_bore_m, over_lip_m)
    return mouth if full is None else min(mouth, full)


def together_m3_s(drains: Iterable[Drain], water: Water) -> float | None:
    """Return what several drains carry side by side [m³/s]; None if one of them cannot be told."""
    total = 0.0
    for drain in drains:
        carried = drain_capacity_m3_s(drain, water)
        if carried is None:
            return None
        total += carried
    return total


def siphon_flow_m3_s(parts: tuple[Part, ...], drop_m: float, water: Water) -> float:
    """Return the flow that runs full through parts in a row from one water surface down to another [m³/s]."""
    return solve_network(_plumbing(parts, drop_m, water)).flows_m3_s[_RUN]


def opened(drain: Drain) -> tuple[Part, ...]:
    """Return the drain's parts with every valve fully open."""
    return tuple(replace(part, opening=1.0) if part.kind in THROTTLES else part for part in drain.parts)


def trimmed_opening(drain: Drain, flow_m3_s: float, water: Water) -> tuple[int, float] | None:
    """Return (index of the valve, opening) at which a full siphon carries just this flow; None where nothing can.

    The first valve of the drain is the one that is set.
    """
    index = next((i for i, part in enumerate(drain.parts) if part.kind in THROTTLES), None)
    if index is None or drain.drop_m is None or not flow_m3_s > 0.0:
        return None
    parts = opened(drain)
    spare_m = drain.drop_m - _lost_m(parts, flow_m3_s, drain.drop_m, water)
    if spare_m < 0.0:
        return None
    part = parts[index]
    velocity_head_m = (flow_m3_s / area_m2(valve_bore_m(part))) ** 2 / (2.0 * GRAVITY_M_S2)
    return index, valve_opening(part.kind, spare_m / velocity_head_m)


def _lost_m(parts: tuple[Part, ...], flow_m3_s: float, drop_m: float, water: Water) -> float:
    """Return the head that the parts lose at a flow with their entrance and exit [m]."""
    from optimizer.hydraulics.compiled import openings_of, run_elements
    from optimizer.hydraulics.elements import element_head_loss_m

    network = _plumbing(parts, drop_m, water)
    conditions = Conditions(fluid_of(water), {})
    run = network.runs[_RUN]
    elements = (*run_elements(run, network, conditions), *openings_of(run, network, conditions))
    return sum(element_head_loss_m(element, flow_m3_s, conditions) for element in elements)


def _plumbing(parts: tuple[Part, ...], drop_m: float, water: Water) -> Network:
    points = {
        _TOP: Point(_TOP, PointKind.SURFACE, drop_m, drop_m),
        _BOTTOM: Point(_BOTTOM, PointKind.SURFACE, 0.0, 0.0),
    }
    run = Run(_RUN, RunEnd(_TOP), RunEnd(_BOTTOM), "", "", parts)
    return Network(points, {_RUN: run}, {}, {}, {}, water)


def part_volume_m3(part: Part) -> float:
    """Return the water in a part [m³]: pipe by bore and length, a fitting by its wider bore and its take-outs."""
    if part.kind in PIPES:
        return area_m2(part.end_bores_m[0]) * part.length_m
    if part.item is None or not part.end_bores_m:
        return 0.0
    return area_m2(max(part.end_bores_m)) * math.fsum(part.item.take_outs_m)


def gravity_capacity_m3_s(network: Network, tank: str) -> float:
    """Return what the gravity lines of a tank would carry while its water stands at its level [m³/s]."""
    lines = [run for top, circuit in gravity_lines(network) if top == tank for run in circuit.runs]
    alone = replace(network, runs={run.name: run for run in lines})
    flows = solve_flows(compile_network(alone))
    signs = [(run.start.point == tank) - (run.end.point == tank) for run in lines]
    return float(sum(sign * flow for sign, flow in zip(signs, flows, strict=True)))
