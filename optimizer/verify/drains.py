"""Drains → what each of them carries: a siphon as gravity plumbing, an open mouth as a weir.

Which drains take a tank's water: those of tanks that stand level with it do too. What they take has to run there
through the pipe between the two, and that needs a head of its own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
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
from optimizer.hydraulics.weirs import open_mouth_flow_m3_s, weir_flow_m3_s, weir_head_m
from optimizer.model.catalog import PIPES, THROTTLES
from optimizer.model.circuits import circuits, drained_as, gravity_lines, mouths_of
from optimizer.model.network import Network, Part, Point, PointKind, Run, RunEnd, Water
from optimizer.model.note import Note, note
from optimizer.model.system import System
from optimizer.model.tanks import Drain, DrainMode, Tank

_TOP, _BOTTOM, _RUN = "water over the mouth", "sump", "drain"
_HIGHEST_M = 100.0  # a pipe between two tanks that needs more is shut
_EXACT_M = 1e-6


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


def drains_of(system: System, tank: str) -> tuple[tuple[Drain, ...], tuple[Drain, ...]]:
    """Return the drains that take the water of a fed tank: those that work, and those for an emergency."""
    own = [drain for drain in system.drains if drained_as(system.network, drain.tank) == tank]
    working = tuple(drain for drain in own if drain.mode is not DrainMode.EMERGENCY)
    return working, tuple(drain for drain in own if drain.mode is DrainMode.EMERGENCY)


def has_drains(system: System, tank: str) -> bool:
    """Return whether a tank has drains to be judged by; a tank that only gravity lines empty has them instead."""
    return not mouths_of(system.network, tank) or bool(drains_of(system, tank)[0])


def carried_m3_s(system: System, tank: Tank, drains: Iterable[Drain]) -> float | None:
    """Return what some drains carry of a tank's water side by side [m³/s]; None if one of them cannot be told.

    Those of other tanks carry what runs there with the water of this one at its rim; None where no rim is stated.
    """
    total, drains = 0.0, tuple(drains)
    for name in dict.fromkeys(drain.tank for drain in drains):
        carried = together_m3_s((drain for drain in drains if drain.tank == name), system.network.water)
        elsewhere = name != tank.name
        if carried is None or (elsewhere and (tank.overflow_edge_m is None or tank.rim_m is None)):
            return None
        total += min(carried, _below_rim_m3_s(system.network, tank, {name})) if elsewhere else carried
    return total


def untold(system: System, tank: Tank, drains: tuple[Drain, ...]) -> Note:
    """Return what to state where it is not told what some drains carry of a tank's water."""
    if not drains:
        return note("such a drain")
    known = together_m3_s(drains, system.network.water) is not None
    return note("edge and rim" if known else "drop and lip of its drains")


def over_edge_m(network: Network, drains: Iterable[Drain], tank: Tank, flow_m3_s: float) -> float:
    """Return how high the water of a tank stands over its edge at a flow [m], whose edge and flow are stated.

    Where only other tanks have drains, by what the pipe to them needs, too.
    """
    head_m = weir_head_m(tank.overflow_edge_m or 0.0, flow_m3_s)
    others = _elsewhere(network, drains, tank)
    return head_m + _bridge_m(network, tank.name, others, flow_m3_s) if others else head_m


def most_over_edge_m3_s(network: Network, drains: Iterable[Drain], tank: Tank) -> float | None:
    """Return the flow at which a tank stands at its rim [m³/s]; None where its edge or rim is not stated."""
    if tank.overflow_edge_m is None or tank.rim_m is None:
        return None
    others = _elsewhere(network, drains, tank)
    return _below_rim_m3_s(network, tank, others) if others else weir_flow_m3_s(tank.overflow_edge_m, tank.rim_m)


def _elsewhere(network: Network, drains: Iterable[Drain], tank: Tank) -> set[str]:
    """Return the other tanks that drain a tank which has no drain of its own."""
    there = {drain.tank for drain in drains}
    if tank.name in there:
        return set()
    return {name for name in there if drained_as(network, name) == tank.name}


def _below_rim_m3_s(network: Network, tank: Tank, others: set[str]) -> float:
    """Return the flow at which what stands over the edge and what the pipe to others needs reach the rim [m³/s]."""
    from scipy.optimize import brentq

    through, edge_m, rim_m = _through(network, tank.name, others), tank.overflow_edge_m or 0.0, tank.rim_m or 0.0
    if not through(rim_m) > 0.0:
        return 0.0
    head_m = brentq(lambda head_m: head_m + weir_head_m(edge_m, through(head_m)) - rim_m, 0.0, rim_m, xtol=_EXACT_M)
    return through(float(head_m))


def _bridge_m(network: Network, tank: str, others: set[str], flow_m3_s: float) -> float:
    """Return the head that a flow needs to other tanks [m]; without end where they are shut off."""
    from scipy.optimize import brentq

    through = _through(network, tank, others)
    if not flow_m3_s > 0.0:
        return 0.0
    if through(_HIGHEST_M) < flow_m3_s:
        return float("inf")
    return float(brentq(lambda head_m: through(head_m) - flow_m3_s, 0.0, _HIGHEST_M, xtol=_EXACT_M))


def _through(network: Network, tank: str, others: set[str]) -> Callable[[float], float]:
    """Return what runs from a tank to others that it is joined to [m³/s] by how much higher it stands [m]."""
    joins = [one for one in circuits(network) if not one.pumped and tank in one.ends and others & one.ends]
    runs = {run.name: run for one in joins for run in one.runs}
    point = network.points[tank]

    def through(head_m: float) -> float:
        points = {**network.points, tank: replace(point, head_m=(point.head_m or 0.0) + head_m)}
        alone = replace(network, runs=runs, points=points, tanks_balance=False)
        flows = zip(runs.values(), solve_flows(compile_network(alone)), strict=True)
        return float(sum(((run.start.point == tank) - (run.end.point == tank)) * flow for run, flow in flows))

    return through if runs else lambda head_m: 0.0
