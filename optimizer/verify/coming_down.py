"""Pumps that stop, all or one of several → what comes down into a tank from one above, or is drawn from it no more.

Lines that part, or whose pump draws from a tank, let water of a higher tank into a lower one until mouths or siphon
breaks part it. The levels are held as they were, so it is what comes at the beginning, the most of all; a stopped
pump counts as open pipe. Check valves are taken as tight, as stuck open, and all that stands still as shut.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from optimizer.hydraulics import compile_network, solve_flows
from optimizer.model.catalog import CHECKS, Kind
from optimizer.model.checks import Check
from optimizer.model.circuits import Circuit, circuits, fed_surfaces, mouths_of, once
from optimizer.model.network import Network, Part, PointKind
from optimizer.model.note import Note, note
from optimizer.model.safety import WORSE, SafetyCheck
from optimizer.model.system import System
from optimizer.model.tanks import Tank
from optimizer.verify.balance import balances
from optimizer.verify.drain_back import drain_back, tank_key
from optimizer.verify.drains import gravity_capacity_m3_s
from optimizer.verify.level_tanks import carried_m3_s, drains_of, most_over_edge_m3_s, over_edge_m
from optimizer.verify.running import STILL_M3_S, Running, running_pump_runs

_Down = tuple[float, float | None, Note | None]  # what comes, what may come [m³/s], what to state


def coming_checks(system: System, now: Running, after: Running) -> Iterator[SafetyCheck]:
    """Yield, of each tank that may get more when pumps stop than while they run, whether it runs off or finds room."""
    for name in open_to_more(after.network):
        today, then = (_worst(system, each, name) for each in (now, after))
        if then is None:
            continue
        comes, limit, lack = then
        was, limit_now, _ = today or (0.0, limit, None)
        title, why = note("comes down", tank=name), note("runs over")
        yield SafetyCheck(Check.FREEBOARD, title, "flow", was, comes, limit, lack or why, limit_now, why)


def down_shares(system: System, there: Running) -> dict[str, float]:
    """Return what share of what each tank takes may come into it when pumps stop, of those where that may be more."""
    found = {name: _worst(system, there, name) for name in open_to_more(there.network)}
    return {name: down[0] / down[1] for name, down in found.items() if down and down[1]}


def open_to_more(network: Network) -> tuple[str, ...]:
    """Return the tanks that lines of pumps join to a higher tank, or that such a line draws from."""
    return once(network, "open to more", _find_open)


def _find_open(network: Network) -> tuple[str, ...]:
    lifting = [circuit for circuit in circuits(network) if circuit.pumped and not circuit.is_ring]
    return tuple(
        name
        for name in fed_surfaces(network)
        if any(name in circuit.sources or _above(network, circuit, name) for circuit in lifting)
    )


def _above(network: Network, circuit: Circuit, name: str) -> set[str]:
    """Return the fed tanks in whose water a line ends that has another end in this tank, or over it, below them."""
    falls = {top for top, to in network.falls if to == name and network.points[top].kind is PointKind.OUTLET}
    if not circuit.ends & (falls | {name}):
        return set()
    level_m = network.points[name].head_m or 0.0
    return {
        top for top in fed_surfaces(network) if top in circuit.ends and (network.points[top].head_m or 0.0) > level_m
    }


def _worst(system: System, there: Running, name: str) -> _Down | None:
    """Return the worst of all that may come when one pump stops or all do; None where nothing more comes.

    Those that are off in this mode have just been stopped, too: all of them at once.
    """
    network = there.network
    running = [part.name for run in running_pump_runs(network) for part in run.parts if part.kind is Kind.PUMP]
    tank = next((tank for tank in system.tanks if tank.name == name), Tank(name))
    before = _left(system, network, there.flows_m3_s)[name]
    found: list[_Down] = []
    off = tuple(name for name, pump in network.pumps.items() if pump.speed <= 0.0)
    for stopped in dict.fromkeys((tuple(running), *((pump,) for pump in running), off)):
        still = [one for one in circuits(network) if not _pumps(one).isdisjoint(stopped)]
        for flows in _flows_then(there, stopped, still):
            comes = _left(system, network, flows)[name]
            more = comes > before * (1.0 + WORSE) + STILL_M3_S
            if more and not _finds_room(system, there, still, tank, flows):
                found.append((comes, *_carried(system, there, tank)))
    return max(found, key=lambda each: each[0], default=None)


def _pumps(circuit: Circuit) -> set[str]:
    return {part.name for run in circuit.runs for part in run.parts if part.kind is Kind.PUMP}


def _left(system: System, network: Network, flows_m3_s: Mapping[str, float]) -> dict[str, float]:
    """Return what is left for the drains of each tank [m³/s]."""
    return {each.tank: max(each.left_m3_s, 0.0) for each in balances(system, network, flows_m3_s)}


def _flows_then(there: Running, stopped: tuple[str, ...], still: list[Circuit]) -> Iterator[dict[str, float]]:
    """Yield what flows with the levels as they were: check valves tight, stuck open, all that stands still shut.

    Other circuits go on as before, gravity lines too: they take what their tanks give.
    """
    gone = {Kind.PUMP: set(stopped)}
    names = {run.name for circuit in still for run in circuit.runs}
    for sticks in (False, True):
        runs = {
            name: replace(run, parts=tuple(part for part in run.parts if not _is_gone(part, gone, sticks)))
            for name, run in there.network.runs.items()
            if name in names
        }
        alone = replace(there.network, runs=runs, tanks_balance=False)
        solved = dict(zip(runs, map(float, solve_flows(compile_network(alone))), strict=True))
        yield {**there.flows_m3_s, **solved}
    yield {**there.flows_m3_s, **dict.fromkeys(names, 0.0)}


def _is_gone(part: Part, gone: Mapping[Kind, set[str]], sticks: bool) -> bool:
    return part.name in gone.get(part.kind, ()) or (sticks and part.kind in CHECKS)


def _carried(system: System, there: Running, tank: Tank) -> tuple[float | None, Note | None]:
    """Return what may run into a tank for good [m³/s]: what its drains and lines take, and its edge below the rim."""
    own = sum(drains_of(system, tank.name), ())
    lines = mouths_of(there.network, tank.name)
    if not own and not lines:
        return None, note("drain of", tank=tank.name)
    carried = carried_m3_s(system, tank, own) if own else 0.0
    if carried is None:
        return None, note("drop and lip of drains of", tank=tank.name)
    if lines:
        taken = sum(abs(there.flows_m3_s[run]) for run in lines)
        carried += max(gravity_capacity_m3_s(there.network, tank.name) - taken, 0.0)
    below_rim = most_over_edge_m3_s(system.network, own, tank)
    if below_rim is None:
        return None, note("edge and rim")
    return (min(carried, below_rim) if own else carried), None


def _finds_room(
    system: System, there: Running, still: list[Circuit], tank: Tank, flows_m3_s: Mapping[str, float]
) -> bool:
    """Return whether all that can come down from above would stand below the rim, if none of it ran off."""
    network = there.network
    above = set[str]().union(*(_above(network, circuit, tank.name) for circuit in still))
    back = drain_back(network, there.flows_m3_s, system.tanks, system.drains)
    volumes = [back.volumes_m3.get(tank_key(top)) for top in above]
    told = {each.tank: each for each in balances(system, network, flows_m3_s)}
    endless = not volumes or any(told[top].comes_m3_s > STILL_M3_S for top in above)
    if endless or None in volumes or tank.area_m2 is None or tank.overflow_edge_m is None or tank.rim_m is None:
        return False
    left_m3_s = _left(system, network, there.flows_m3_s)[tank.name]
    stands_m = over_edge_m(network, system.drains, tank, left_m3_s)
    return sum(each or 0.0 for each in volumes) <= tank.area_m2 * (tank.rim_m - stands_m)
