"""A tank and those that stand level with it → the drains that take its water, what they carry, how high it stands.

What a drain of another tank takes has to run there through the pipe between the two, and that needs a head of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from optimizer.hydraulics import compile_network, solve_flows
from optimizer.hydraulics.weirs import weir_flow_m3_s, weir_head_m
from optimizer.model.circuits import circuits, drained_as, mouths_of
from optimizer.model.network import Network
from optimizer.model.note import Note, note
from optimizer.model.system import System
from optimizer.model.tanks import Drain, DrainMode, Tank
from optimizer.verify.drains import together_m3_s

_HIGHEST_M = 100.0  # a pipe between two tanks that needs more is shut
_EXACT_M = 1e-6


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
