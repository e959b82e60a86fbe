"""A plumbing with its drains → what is safe as planned, and yet to be minded, each as a note.

So is what happens when one of several pumps stops, and which valves stand nearly shut.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from optimizer.errors import NetworkError
from optimizer.hydraulics import Handles
from optimizer.hydraulics.lift import barely_lifting
from optimizer.hydraulics.outlets import drawn_along
from optimizer.hydraulics.steady import other_states, state_notes
from optimizer.model.catalog import CHECKS, PIPES, THROTTLES, Kind
from optimizer.model.circuits import fed_surfaces, returns_to
from optimizer.model.doubt import doubt_of
from optimizer.model.kinds import BENDS
from optimizer.model.network import Network, PointKind, Run
from optimizer.model.note import Note, note
from optimizer.model.plan import Plan, ValveSetting, Verification, planned_networks
from optimizer.model.system import System
from optimizer.model.tanks import Tank
from optimizer.verify.drain_back import gross_inflow_m3_s, inflow_coefficients, inflow_m3_s, pumped_runs
from optimizer.verify.drains import carried_m3_s, drains_of, over_edge_m
from optimizer.verify.running import STILL_M3_S, Running, pump_runs, running, running_pump_runs
from optimizer.verify.settings import with_openings

_SAME = 1e-3  # of a flow: as near as two solutions of a network come to each other
MARGIN = 1.25  # of drains: with less to spare than this they are close to what they carry; common practice, no source
QUARTER = 0.25  # of its travel: below, a valve is noisy, drifts and clogs; common practice, no source
_BALL_STEP = 5.0 / 90.0  # 5° of the quarter turn
_TURNS_STEP = 1.0 / 16.0  # of the turns of a gate or globe valve
_ROTARY = frozenset({Kind.BALL_VALVE, Kind.TRUE_UNION_BALL_VALVE})


def warnings_of(system: System, after: Running) -> list[Note]:
    """Return what is to be minded in one setting: drains, one valve for all, what happens when one pump stops."""
    drains = (*_close_to_full(system, after), *_no_emergency(system, after), *over_teeth(system, after))
    drains = (*drains, *_one_break(system, after.network))
    network = after.network
    shaped = (*_tails(system, network), *_single_valves(network), *_no_service_valve(network))
    lifts = barely_lifting(network, after.flows_m3_s)
    lifts = (*lifts, *drawn_along(network, after.flows_m3_s))
    return [*drains, *shaped, *lifts, *pump_stops(system, after), *_endless(after)]


def with_other_states(system: System, plan: Plan, verification: Verification) -> Verification:
    """Return a verification that says in which other steady states a planned plumbing may be, in any of its modes."""
    found: list[Note] = []
    for network, told in zip(planned_networks(system, plan), verification.settings, strict=True):
        others = other_states(with_openings(network, verification.valves), told.flows_m3_s)
        found += state_notes(told.flows_m3_s, others)
    return replace(verification, warnings=(*verification.warnings, *dict.fromkeys(found))) if found else verification


def _close_to_full(system: System, after: Running) -> Iterator[Note]:
    for name in fed_surfaces(after.network):
        tank = next((tank for tank in system.tanks if tank.name == name), Tank(name))
        working, _ = drains_of(system, name)
        carried = carried_m3_s(system, tank, working) if working else None
        flow = inflow_m3_s(after.network, after.flows_m3_s, tank)
        if not after.doubt.sums(inflow_coefficients(after.network, tank)).known(""):
            continue  # what flows is not known: the check says so
        if carried is not None and flow <= carried < MARGIN * flow:
            yield note("main drain nearly full", tank=name, carries_m3_s=carried, comes_m3_s=flow)


def _no_emergency(system: System, after: Running) -> Iterator[Note]:
    for name in fed_surfaces(after.network):
        working, emergency = drains_of(system, name)
        if working and not emergency:
            yield note("no emergency drain", tank=name)


def _one_break(system: System, network: Network) -> Iterator[Note]:
    """Yield the tanks whose one siphon break may not part all that siphons out of them.

    Of several lines it is not counted on; of one with several outlets it is: then each of them has to have its hole,
    but where all meet above the water.
    """
    for tank in system.tanks:
        lines = returns_to(network, tank.name)
        runs = tuple(run for line in lines for run in line)
        if tank.break_depth_m is not None and not tank.breaks_m and len(runs) > 1:
            if len(lines) > 1:
                yield note("one break, several lines", tank=tank.name, runs=runs)
            elif not tank.meets_m or any(depth_m > 0.0 for _, depth_m in tank.meets_m):
                yield note("one break, several outlets", tank=tank.name, runs=runs)


def over_teeth(system: System, after: Running) -> Iterator[Note]:
    """Yield the overflow edges whose water stands above their teeth: what swims or drifts goes over them."""
    for tank in system.tanks:
        if tank.overflow_edge_m is None or tank.teeth_depth_m is None:
            continue
        flow = inflow_m3_s(after.network, after.flows_m3_s, tank)
        head_m = over_edge_m(after.network, system.drains, tank, flow)
        if head_m > tank.teeth_depth_m:
            yield note("over its teeth", tank=tank.name, head_m=head_m, teeth_m=tank.teeth_depth_m)


def _tails(system: System, network: Network) -> Iterator[Note]:
    """Yield the lines that open into a tank by a tail of new pipe, where they ended in a bend."""
    for run in network.runs.values():
        stood = system.network.runs.get(run.name)
        if stood is None or not stood.parts or network.points[run.end.point].kind is not PointKind.SURFACE:
            continue
        last = run.parts[-1]
        if last.kind in PIPES and not last.existing and stood.parts[-1].kind in BENDS:
            yield note("tail on the last bend", run=run.name)


def _single_valves(network: Network) -> Iterator[Note]:
    """Yield the pumps whose whole flow one valve can shut."""
    for run in pump_runs(network):
        branches = [each for each in pumped_runs(network) if network.points[each.end.point].is_fixed]
        row = [*run.parts, *(branches[0].parts if len(branches) == 1 else ())]
        behind = row[next(i for i, part in enumerate(row) if part.kind is Kind.PUMP) :]
        if any(part.kind in THROTTLES for part in behind):
            yield note("one valve shuts all", run=run.name)


def _no_service_valve(network: Network) -> Iterator[Note]:
    """Yield the pumps outside the water whose suction no valve shuts: the sump runs out when they are unbolted."""
    for run in pump_runs(network):
        index = next(i for i, part in enumerate(run.parts) if part.kind is Kind.PUMP)
        before = run.parts[:index]
        open_water = network.points[run.start.point].kind is PointKind.SURFACE
        if before and open_water and not any(part.kind in THROTTLES for part in before):
            yield note("no service valve", run=run.name, tank=run.start.point)


def _endless(after: Running) -> Iterator[Note]:
    """Yield where house water runs into the open: it does not stop by itself."""
    for name, into in house_water_m3_s(after.network, after.flows_m3_s).items():
        yield note("house water runs on", into=name, an_hour_m3=3600.0 * into)


def house_runs(network: Network, flows_m3_s: Mapping[str, float]) -> list[Run]:
    """Return the runs that house water flows through."""
    reached = [point.name for point in network.points.values() if point.kind is PointKind.SUPPLY]
    found: list[Run] = []
    for name in reached:  # grows as it goes
        behind = [run for run in network.runs.values() if run.start.point == name and flows_m3_s[run.name] > 0.0]
        found += behind
        ends = [run.end.point for run in behind if not network.points[run.end.point].is_fixed]
        reached += [end for end in dict.fromkeys(ends) if end not in reached]
    return found


def house_water_m3_s(network: Network, flows_m3_s: Mapping[str, float]) -> dict[str, float]:
    """Return the ends that house water runs to, each with what comes there in all [m³/s]."""
    ends = dict.fromkeys(run.end.point for run in house_runs(network, flows_m3_s))
    return {
        name: sum(flows_m3_s[run.name] for run in network.runs.values() if run.end.point == name)
        for name in ends
        if network.points[name].is_fixed
    }


def opened(system: System, planned: Network, after: Running, wide_open: Mapping[str, float]) -> Iterator[Note]:
    """Yield the tanks whose emergency drain does not carry what comes with every valve fully open, and as set less."""
    for name in fed_surfaces(planned):
        tank = next((tank for tank in system.tanks if tank.name == name), Tank(name))
        _, emergency = drains_of(system, name)
        carried = carried_m3_s(system, tank, emergency) if emergency else None
        flow = inflow_m3_s(planned, wide_open, tank)
        if flow <= inflow_m3_s(planned, after.flows_m3_s, tank) * (1.0 + _SAME):
            continue  # no handle makes a difference: that is told of the flow as it is set
        doubt = doubt_of(planned, wide_open).sums(inflow_coefficients(planned, tank))
        if carried is not None and flow <= carried and not doubt.known(""):
            yield note("opened, past the curve", tank=name)
        if carried is not None and flow > carried:
            least = note("at least") if not doubt.known("") else None
            code = "opened, much" if doubt.unknown else "opened, too much"
            yield note(code, tank=name, least=least, flow_m3_s=flow, carries_m3_s=carried)


def pump_stops(system: System, after: Running) -> Iterator[Note]:
    """Yield for each of several pumps what still flows when it alone stops, and what then runs back through it.

    A stopped pump is in the way of what flows through it (see `hydraulics.pumps`). Check valves are taken as tight,
    and as stuck open.
    """
    runs = running_pump_runs(after.network)
    names = [(run, part.name) for run in runs for part in run.parts if part.kind is Kind.PUMP]
    if len(names) < 2:
        return
    for run, name in names:
        stopped = _stopped(after.network, name)
        try:
            yield _stops(system, after, run, name, running(stopped))
            if len(runs) > 1 and _checked(run):
                yield from _stuck(run, name, running(_without_check(stopped, run)))
        except NetworkError as error:
            yield note("stop not calculated", pump=name, error=str(error))


def _stops(system: System, after: Running, run: Run, name: str, left: Running) -> Note:
    told = []
    for tank_name in fed_surfaces(after.network):
        tank = next((tank for tank in system.tanks if tank.name == tank_name), Tank(tank_name))
        before, still = (gross_inflow_m3_s(each.network, each.flows_m3_s, tank) for each in (after, left))
        told.append(note("still gets", tank=tank_name, still_m3_s=still, before_m3_s=before))
    back = -left.flows_m3_s.get(run.name, 0.0)
    runs_back = note("and runs back", back_m3_s=back) if back > STILL_M3_S else None
    return note("one pump stops", pump=name, left=tuple(told) or (note("others go on"),), back=runs_back)


def _stuck(run: Run, name: str, left: Running) -> Iterator[Note]:
    back = -left.flows_m3_s.get(run.name, 0.0)
    if back > STILL_M3_S:
        yield note("check valve sticks", pump=name, back_m3_s=back)


def _stopped(network: Network, name: str) -> Network:
    return replace(network, pumps={**network.pumps, name: replace(network.pumps[name], speed=0.0)})


def _checked(run: Run) -> bool:
    return any(part.kind in CHECKS for part in run.parts)


def _without_check(network: Network, run: Run) -> Network:
    parts = tuple(part for part in run.parts if part.kind not in CHECKS)
    return network.with_runs({run.name: replace(run, parts=parts)})


def touchy_valves(network: Network, valves: tuple[ValveSetting, ...]) -> Iterator[Note]:
    """Yield how far a small turn moves the flow of every valve that stands open less than a quarter of its travel.

    Parameters
    ----------
    network
        The plumbing with its valves where they are to stay.
    valves
        How they are set.
    """
    near_shut = [setting for setting in valves if 0.0 < setting.opening < QUARTER]
    if not near_shut:
        return
    try:
        handles = Handles(network)
    except NetworkError:
        return
    for setting in near_shut:
        part = network.runs[setting.run].parts[setting.part_index]
        step = _BALL_STEP if part.kind in _ROTARY else _TURNS_STEP
        try:
            now, wider = (
                abs(handles.turned_m3_s(setting.run, setting.part_index, opening)[setting.run])
                for opening in (setting.opening, min(1.0, setting.opening + step))
            )
        except NetworkError:
            continue
        if now > STILL_M3_S:
            moves = "handle moves much" if part.kind in _ROTARY else "turns move much"
            yield note(moves, run=setting.run, share=wider / now - 1.0)
