"""A plumbing with several pumps → what happens when one of them stops, each as a note."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from optimizer.errors import NetworkError
from optimizer.model.catalog import CHECKS, Kind
from optimizer.model.circuits import fed_surfaces
from optimizer.model.network import Network, Run
from optimizer.model.note import Note, note
from optimizer.model.system import System
from optimizer.model.tanks import Tank
from optimizer.verify.drain_back import gross_inflow_m3_s
from optimizer.verify.running import STILL_M3_S, Running, running, running_pump_runs


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
