"""A plumbing with several pumps → what happens when one of them stops, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from optimizer.errors import NetworkError
from optimizer.model.catalog import CHECKS, Kind
from optimizer.model.circuits import fed_surfaces
from optimizer.model.network import Network, Run
from optimizer.model.system import System
from optimizer.model.tanks import Tank
from optimizer.units import show_flow
from optimizer.verify.drain_back import gross_inflow_m3_s
from optimizer.verify.running import STILL_M3_S, Running, running, running_pump_runs


def pump_stops(system: System, after: Running) -> Iterator[str]:
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
            yield _words(system, after, run, name, running(stopped))
            if len(runs) > 1 and _checked(run):
                yield from _stuck(system, run, name, running(_without_check(stopped, run)))
        except NetworkError as error:
            yield f"what happens when pump {name!r} stops could not be calculated: {error}"


def _words(system: System, after: Running, run: Run, name: str, left: Running) -> str:
    told = []
    for tank_name in fed_surfaces(after.network):
        tank = next((tank for tank in system.tanks if tank.name == tank_name), Tank(tank_name))
        before, still = (gross_inflow_m3_s(each.network, each.flows_m3_s, tank) for each in (after, left))
        told.append(f"{tank_name!r} still gets {show_flow(still, system.units)} of {show_flow(before, system.units)}")
    words = f"when pump {name!r} stops, {' and '.join(told) or 'the others go on'}"
    back = -left.flows_m3_s.get(run.name, 0.0)
    if back > STILL_M3_S:
        words += f", and {show_flow(back, system.units)} run back through it: give its line a check valve"
    return words


def _stuck(system: System, run: Run, name: str, left: Running) -> Iterator[str]:
    back = -left.flows_m3_s.get(run.name, 0.0)
    if back > STILL_M3_S:
        yield (
            f"if the check valve of pump {name!r} sticks open then, {show_flow(back, system.units)} flows back "
            "through it: test both check valves regularly"
        )


def _stopped(network: Network, name: str) -> Network:
    return replace(network, pumps={**network.pumps, name: replace(network.pumps[name], speed=0.0)})


def _checked(run: Run) -> bool:
    return any(part.kind in CHECKS for part in run.parts)


def _without_check(network: Network, run: Run) -> Network:
    parts = tuple(part for part in run.parts if part.kind not in CHECKS)
    return network.with_runs({run.name: replace(run, parts=parts)})
