"""A joint that comes apart → how much water it lets out, and what a file has to state for that.

Behind a pump it is what the sump gives down to the pump's intake, and once the pump stops what runs back out of tanks
and pipe; before a pump what stands above the intake. A ring or a gravity line lets its tank run down to where the line
begins, and with it goes what the pumps bring there, until they suck air.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

from optimizer.model.circuits import circuits, drawn_down, fed_surfaces, gravity_lines, has_pump, sumps
from optimizer.model.kinds import Kind
from optimizer.model.network import Mounting, Network, Run
from optimizer.model.note import Note, note
from optimizer.model.system import System
from optimizer.model.tanks import Tank
from optimizer.verify.allowance import volume_of
from optimizer.verify.drain_back import RESERVE, DrainBack, drain_back, inflow_m3_s, lifted_runs, tank_key
from optimizer.verify.into_sumps import by_lines_m3, feeding_sumps
from optimizer.verify.level_tanks import over_edge_m

Volume = tuple[float | None, tuple[Note, ...]]  # [m³]; None: not known for want of what the notes name


@dataclass(frozen=True)
class LetOut:
    """A plumbing with its valves set, and what flows in it [m³/s by run]."""

    system: System
    network: Network
    flows_m3_s: Mapping[str, float]

    @cached_property
    def _back(self) -> DrainBack:
        return drain_back(self.network, self.flows_m3_s, self.system.tanks, self.system.drains)

    def reserve(self, *points: str) -> Volume:
        """Return what sumps give through some points before their pumps suck air."""
        names = feeding_sumps(self.network, points, self.system.drains)
        reserve = volume_of(self.system, names, "reserve_m3")
        return reserve, () if reserve is not None else (RESERVE,)

    def _pumped(self, sources: Collection[str]) -> Volume:
        """Return what comes out of a line that draws from some tanks."""
        reserve, missing = self.reserve(*sources)
        names = feeding_sumps(self.network, sources, self.system.drains)
        if not fed_surfaces(self.network):
            return reserve, missing
        if reserve is None or self._back.untold:
            return None, (*missing, *self._back.untold)
        return reserve + by_lines_m3(self.network, self._back, self.system.drains, names), ()

    def behind_pump(self, run: Run) -> Volume:
        """Return what a joint behind the pump of a run lets out, or one of a line that the pump feeds."""
        line = next(circuit for circuit in circuits(self.network) if run.name in {each.name for each in circuit.runs})
        return self._by_tank.get(run.name) or self._pumped(line.sources)

    def before_pump(self, run: Run) -> Volume:
        """Return what a joint on the suction of a pump lets out."""
        start = run.start.point
        if run.name in self._by_tank:
            return self._by_tank[run.name]
        if has_pump(run) and start in fed_surfaces(self.network) and start not in sumps(self.network):
            return self._down_to_mouths(start, (run,))
        return self.reserve(start)

    def dry_runs(self) -> tuple[Run, ...]:
        """Return the runs with joints outside of the water: of pumps, and of gravity lines out of tanks that are fed.

        A ring whose pump stands in the water is taken to lie in its tank.
        """
        names = {run.name for run in lifted_runs(self.network)} | set(self._by_tank)
        return tuple(run for run in self.network.runs.values() if run.name in names)

    @cached_property
    def _by_tank(self) -> dict[str, Volume]:
        """What each run of a ring or a gravity line lets out of its tank, and what pumps draw down out of one."""
        found: dict[str, Volume] = {}
        fed, sunk = set(fed_surfaces(self.network)), set(sumps(self.network))
        for circuit in circuits(self.network):
            if not circuit.is_ring or any(is_sunk(self.network, run) for run in circuit.runs):
                continue
            (tank,) = circuit.ends
            out = self._pumped({tank}) if tank in sunk else self._down_to_mouths(tank, circuit.runs)
            found |= {run.name: out for run in circuit.runs}
        for tank, circuit in gravity_lines(self.network):
            if tank in fed:
                found |= {run.name: self._down_to_mouths(tank, circuit.runs) for run in circuit.runs}
        for tank in sorted(fed - sunk):
            drawn = drawn_down(self.network, tank)
            for circuit in circuits(self.network):
                if not {run.name for run in circuit.runs}.isdisjoint(drawn):
                    out = self._down_to_mouths(tank, [self.network.runs[name] for name in drawn])
                    found |= {run.name: out for run in circuit.runs}
        return found

    def _down_to_mouths(self, name: str, runs: Iterable[Run]) -> Volume:
        """Return what runs out of a tank down to where lines begin in it, and what comes in until the sump is empty."""
        tank = next((tank for tank in self.system.tanks if tank.name == name), Tank(name))
        depths, (reserve, missing) = dict(tank.mouths_m), self.reserve(name)
        here = [run.name for run in runs if name in (run.start.point, run.end.point)]
        missing = missing if name in fed_surfaces(self.network) else ()  # nothing comes in
        missing += tuple(
            note("key of tank", key=key, tank=name)
            for key, value in (("area", tank.area_m2), ("overflow edge", tank.overflow_edge_m))
            if value is None
        )
        missing += tuple(note("depth of a mouth", run=run, tank=name) for run in here if run not in depths)
        if missing or tank.area_m2 is None or tank.overflow_edge_m is None:
            return None, missing
        flow = inflow_m3_s(self.network, self.flows_m3_s, tank)
        stands = over_edge_m(self.network, self.system.drains, tank, flow)
        own = tank.area_m2 * (stands + max(depths[run] for run in here))
        above = sum(self._back.volumes_m3.get(tank_key(top), 0.0) for top in self._above(name))
        return own + above + (reserve or 0.0), ()

    def _above(self, name: str) -> set[str]:
        """Return the tanks whose water runs down into a tank, from tank to tank."""
        falls = [(top, ends) for top, circuit in gravity_lines(self.network) for ends in circuit.ends - {top}]
        falls += self.network.falls
        found = {name}
        while more := {top for top, to in falls if to in found} - found:
            found |= more
        return (found - {name}) & set(fed_surfaces(self.network))


def is_sunk(network: Network, run: Run) -> bool:
    """Return whether a run begins with a pump that stands in the water: its first joint lets nothing out."""
    first = run.parts[0]
    return first.kind is Kind.PUMP and network.pumps[first.name].mounting is Mounting.IN_WATER
