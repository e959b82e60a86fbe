"""Pumps that stop, all or one of several → what comes down into a tank from one above, or is drawn from it no more.

Lines that part, or whose pump draws from a tank, let water of a higher tank into a lower one until mouths or siphon
breaks part it. The levels are held as they were, so it is what comes at the beginning, the most of all; a stopped
pump counts as open pipe. Check valves are taken as tight, as stuck open, and all that stands still as shut.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from optimizer.hydraulics import compile_network, pump_head_m, solve_flows
from optimizer.model.catalog import CHECKS, Kind
from optimizer.model.checks import Check
from optimizer.model.circuits import Circuit, circuits, fed_surfaces, inflow_coefficients, mouths_of, once
from optimizer.model.network import Network, Part, PointKind
from optimizer.model.note import Note, note
from optimizer.model.safety import WORSE, SafetyCheck
from optimizer.model.system import System
from optimizer.model.tanks import Tank
from optimizer.verify.balance import balances
from optimizer.verify.drain_back import drain_back, tank_key
from optimizer.verify.drains import carried_m3_s, drains_of, gravity_capacity_m3_s, most_over_edge_m3_s, over_edge_m
from optimizer.verify.running import STILL_M3_S, Running, running_pump_runs

_OTHER_WAY, _EXPONENT = 2.0, 1.75
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


def least_down(system: System, least_m3_s: Mapping[str, float]) -> Iterator[tuple[str, dict[str, float], float]]:
    """Yield tanks with what runs count at the least in what comes when pumps stop, and with what they take [m³/s].

    It holds whatever is built. `least_m3_s` is what is asked of runs: more only costs a pump head.
    """
    network = system.network
    for name in open_to_more(network):
        tank = next((tank for tank in system.tanks if tank.name == name), Tank(name))
        limit = None if mouths_of(network, name) else _carried(system, Running(network, {}, {}), tank)[0]
        for stopped in _stops(network) if limit is not None else ():
            still = _still(network, stopped)
            back = _down_again(network, still, name, least_m3_s)
            at_rest = {run.name for circuit in still for run in circuit.runs}
            counts = inflow_coefficients(network, name, tank.fed_by)
            if limit is not None and not _may_find_room(system, still, tank):
                yield name, {run: count for run, count in counts.items() if run not in at_rest} | back, limit


def _down_again(network: Network, still: list[Circuit], name: str, least_m3_s: Mapping[str, float]) -> dict[str, float]:
    """Return what share of its flow each line out of a tank surely brings back into it once its pump stands still.

    What a line loses rises with the flow to the power of 1.75 at the least, as in smooth pipe (Blasius), and is at most
    about twice as much the other way, where what widened narrows; a line goes up as high as it comes down.
    """
    found = {}
    for circuit in still:
        if len(circuit.runs) > 1 or circuit.sources != {name} or not _above(network, circuit, name):
            continue
        (run,) = circuit.runs
        pumps = [network.pumps[part.name] for part in run.parts if part.kind is Kind.PUMP]
        fastest = (replace(pump, speed=max((pump.speed, *pump.speeds))) for pump in pumps)
        head_m = sum(pump_head_m(pump, least_m3_s.get(run.name, 0.0)) for pump in fastest)
        up_m = (network.points[run.end.point].head_m or 0.0) - (network.points[name].head_m or 0.0)
        lost_m = max(head_m - up_m, 0.5 * up_m)
        found[run.name] = min(1.0, up_m / (_OTHER_WAY * lost_m)) ** (1.0 / _EXPONENT)
    return found


def _may_find_room(system: System, still: list[Circuit], tank: Tank) -> bool:
    """Return whether all that can come down could stand below the rim with no water over the edges."""
    network = system.network
    volumes = drain_back(network, {}, system.tanks, system.drains).volumes_m3
    known = [volumes.get(tank_key(top)) for top in _tops(network, still, tank.name)]
    return (
        bool(known)
        and None not in known
        and sum(each or 0.0 for each in known) <= (tank.area_m2 or math.inf) * (tank.rim_m or math.inf)
    )


def _stops(network: Network) -> Iterable[tuple[str, ...]]:
    """Return the pumps that may stop at once: one, all that run, or all that are off in this mode."""
    running = [part.name for run in running_pump_runs(network) for part in run.parts if part.kind is Kind.PUMP]
    off = tuple(name for name, pump in network.pumps.items() if pump.speed <= 0.0)
    return dict.fromkeys((tuple(running), *((pump,) for pump in running), off))


def _still(network: Network, stopped: tuple[str, ...]) -> list[Circuit]:
    return [one for one in circuits(network) if not _pumps(one).isdisjoint(stopped)]


def _tops(network: Network, still: list[Circuit], name: str) -> set[str]:
    return set[str]().union(*(_above(network, circuit, name) for circuit in still))


def _worst(system: System, there: Running, name: str) -> _Down | None:
    """Return the worst of all that may come when one pump stops or all do; None where nothing more comes.

    Those that are off in this mode have just been stopped, too: all of them at once.
    """
    network = there.network
    tank = next((tank for tank in system.tanks if tank.name == name), Tank(name))
    before = _left(system, network, there.flows_m3_s)[name]
    found: list[_Down] = []
    for stopped in _stops(network):
        still = _still(network, stopped)
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
    above = _tops(network, still, tank.name)
    back = drain_back(network, there.flows_m3_s, system.tanks, system.drains)
    volumes = [back.volumes_m3.get(tank_key(top)) for top in above]
    told = {each.tank: each for each in balances(system, network, flows_m3_s)}
    endless = not volumes or any(told[top].comes_m3_s > STILL_M3_S for top in above)
    if endless or None in volumes or tank.area_m2 is None or tank.overflow_edge_m is None or tank.rim_m is None:
        return False
    left_m3_s = _left(system, network, there.flows_m3_s)[tank.name]
    stands_m = over_edge_m(network, system.drains, tank, left_m3_s)
    return sum(each or 0.0 for each in volumes) <= tank.area_m2 * (tank.rim_m - stands_m)
