"""All that is told of water on the floor beside the checks: mishaps, how pumps may be dialled, weak joints.

Among the mishaps: someone shuts a valve while all others stand as they are.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from optimizer.errors import NetworkError
from optimizer.hydraulics import Handles, pump_head_m
from optimizer.model.catalog import THROTTLES, Kind
from optimizer.model.circuits import fed_surfaces, mouths_of, mouths_when_off, sumps
from optimizer.model.network import Network, Run
from optimizer.model.note import Note, note
from optimizer.model.safety import GRAVITY, WORSE, LeakPlace, PumpRange, SafetyCheck, Scenario, Verdict
from optimizer.model.system import System
from optimizer.model.tanks import Tank
from optimizer.verify.allowance import volume_of
from optimizer.verify.drain_back import gross_inflow_m3_s, inflow_coefficients, inflow_m3_s
from optimizer.verify.drains import carried_m3_s, drains_of, most_over_edge_m3_s
from optimizer.verify.into_sumps import reach
from optimizer.verify.leaks import leak_places
from optimizer.verify.running import STILL_M3_S, Running, pump_runs, running, running_pump_runs
from optimizer.verify.safe_range import safe_ranges
from optimizer.verify.safety import in_setting
from optimizer.verify.scenarios import There, scenarios_of


@dataclass(frozen=True)
class FloorFacts:
    """What may go wrong, between which settings each pump stays safe, and the joints, the worst first."""

    mishaps: tuple[Scenario, ...]
    ranges: tuple[PumpRange, ...]
    leaks: tuple[LeakPlace, ...]


def floor_facts(system: System, network: Network, checks: Sequence[SafetyCheck] = ()) -> FloorFacts:
    """Return them for a plumbing with its valves set; nothing where it has no steady flow.

    `checks` are those of the same plumbing: what they judge is judged there alone.
    """
    try:
        there = running(network)
        ranges = safe_ranges(system, network)
        tops = {one.pump: one.high for one in ranges if one.high is not None}
        pumps = {
            name: replace(pump, speed=tops.get(name, pump.speed) or pump.speed) for name, pump in network.pumps.items()
        }
        most = running(replace(network, pumps=pumps)) if tops else there
        mishaps = scenarios_of(system, network, there.flows_m3_s, most, checks)
        return FloorFacts(
            (*mishaps, *_shut_valves(system, network)), ranges, leak_places(system, network, there.flows_m3_s)
        )
    except NetworkError:
        return FloorFacts((), (), ())


def _shut_valves(system: System, network: Network) -> Iterator[Scenario]:
    """Yield what a valve that someone shuts does, each in the mode in which that is gravest; harmless ones as one."""
    found: dict[str, list[tuple[str, Scenario]]] = {}
    for name, at in system.ways_to_run:
        pumps = {key: replace(pump, speed=at.network.pumps.get(key, pump).speed) for key, pump in network.pumps.items()}
        there = running(replace(network, pumps=pumps) if system.settings else network)
        for run, one in shut_valves(system, there.network, there.flows_m3_s).items():
            found.setdefault(run, []).append((name, one))
    harmless: list[str] = []
    for run, told in found.items():
        name, one = max(told, key=lambda each: _gravity(each[1]))
        if one.verdict is Verdict.SAFE:
            harmless.append(run)
        else:
            yield replace(one, title=in_setting(one.title, name)) if name else one
    if harmless:
        yield Scenario(
            note("one of the valves shut", runs=tuple(harmless)), 0.0, 0.0, note("nowhere else"), Verdict.SAFE
        )


def _gravity(one: Scenario) -> tuple[int, float, float]:
    return GRAVITY.index(one.verdict), one.spilled_m3 or 0.0, one.water_m3 or 0.0


def shut_valves(system: System, network: Network, flows_m3_s: Mapping[str, float]) -> dict[str, Scenario]:
    """Return what a valve that someone shuts does in one mode, by its run; nothing where no tank is fed.

    The plumbing is solved with that valve shut and all others as they are; of several in a run the last one. The run
    with the most flow comes first.
    """
    if not fed_surfaces(network):
        return {}
    return dict(_Shut(system, network, flows_m3_s, Running(network, flows_m3_s, {}), ()).shut())


@dataclass(frozen=True)
class _Shut(There):
    def shut(self) -> Iterator[tuple[str, Scenario]]:
        handles = Handles(self.network)
        for run in sorted(self.network.runs.values(), key=lambda each: -abs(self.flows_m3_s.get(each.name, 0.0))):
            at = [i for i, part in enumerate(run.parts) if part.kind in THROTTLES]
            if at and abs(self.flows_m3_s.get(run.name, 0.0)) > STILL_M3_S:
                yield run.name, self._with_shut(run, at[-1], handles)

    def _with_shut(self, run: Run, at: int, handles: Handles) -> Scenario:
        title = note("a valve shut", run=run.name)
        try:
            then = handles.turned_m3_s(run.name, at, 0.0)
        except NetworkError as error:
            return Scenario(title, None, None, note("not calculated", error=str(error)), Verdict.CLOSE)
        for tank in self.tanks:
            if found := self._fuller(title, tank, then):
                return found
        for tank in self.tanks:
            if unknown := self._unknown(tank, then):
                return Scenario(title, None, None, note("more into", tank=tank.name), Verdict.UNCHECKED, unknown)
        told = [*self._still_pumps(run, at, then), *self._emptied(then)]
        if missing := tuple(each for tank in self.tanks for each in self._mouths_untold(tank, then)):
            return Scenario(title, None, None, note("over the sump"), Verdict.UNCHECKED, missing)
        fallen = {tank.name: self._fallen_m3(tank, then) for tank in self.tanks}
        known = {name: volume for name, volume in fallen.items() if volume is not None}
        water = sum(known.values()) if len(known) == len(fallen) else None
        if water is not None and (spilled := self._spilled_m3(known)) > 0.0:
            over = note("all of these", what=(*told, note("over the sump")))
            return Scenario(title, water, spilled, over, Verdict.UNSAFE)
        where = note("all of these", what=(*told, *self._elsewhere(run, then)))
        return Scenario(title, water, 0.0, where, Verdict.CLOSE if told else Verdict.SAFE)

    def _spilled_m3(self, fallen_m3: Mapping[str, float]) -> float:
        """Return the most by which a sump runs over if it gets all that tanks give which may run down to it [m³]."""
        drains, spilled = self.system.drains, [0.0]
        for sump in sumps(self.network):
            free = volume_of(self.system, (sump,), "free_volume_m3")
            comes = sum(each for tank, each in fallen_m3.items() if sump in reach(self.network, tank, drains))
            spilled.append(0.0 if free is None else comes - free)
        return max(spilled)

    def _fuller(self, title: Note, tank: Tank, then: Mapping[str, float]) -> Scenario | None:
        """Return what becomes of a tank that gets more than before; None where it takes that."""
        before, after = (inflow_m3_s(self.network, flows, tank) for flows in (self.flows_m3_s, then))
        if after <= before * (1.0 + WORSE) + STILL_M3_S:
            return None
        working, emergency = drains_of(self.system, tank.name)
        own, drains = working + emergency, self.system.drains
        carried = carried_m3_s(self.system, tank, own) if own or mouths_of(self.network, tank.name) else None
        known = [each for each in (carried, most_over_edge_m3_s(self.network, drains, tank)) if each is not None]
        if any(after > limit for limit in known):
            head = 0.0 if tank.overflow_edge_m is None else self._stands_m(tank, before)
            return self._over(title, tank, after - min(known), head)
        if carried is None:
            missing = (note("drop and lip of drains of" if own else "drain of", tank=tank.name),)
            return Scenario(title, None, None, note("more into", tank=tank.name), Verdict.UNCHECKED, missing)
        main = carried_m3_s(self.system, tank, working)
        if main is not None and after > main:
            return Scenario(title, 0.0, 0.0, note("down the emergency drain as well", tank=tank.name), Verdict.CLOSE)
        return None

    def _still_pumps(self, shut: Run, at: int, then: Mapping[str, float]) -> Iterator[Note]:
        """Yield the pumps that moved water before and stand still now, with the head that they stand against."""
        for run in running_pump_runs(self.network):
            if self.flows_m3_s[run.name] <= STILL_M3_S or then[run.name] > STILL_M3_S:
                continue
            pumps = [(i, part.name) for i, part in enumerate(run.parts) if part.kind is Kind.PUMP]
            if shut.feeds_pump or (run.name == shut.name and at < pumps[0][0]):
                yield note("pump runs dry", run=run.name)
                continue
            head_m = sum(pump_head_m(self.network.pumps[name], 0.0) for _, name in pumps)
            yield note("pump stands still", run=run.name, head_m=head_m)

    def _emptied(self, then: Mapping[str, float]) -> Iterator[Note]:
        """Yield the fed tanks out of which more is pumped than comes in."""
        for tank in self.tanks:
            counts = inflow_coefficients(self.network, tank)
            into = sum(count * then.get(name, 0.0) for name, count in counts.items())
            drawing = [run for run in pump_runs(self.network) if run.start.point == tank.name]
            if any(then[run.name] > STILL_M3_S for run in drawing) and into < -STILL_M3_S:
                yield note("tank runs dry", tank=tank.name)

    def _runs_down(self, tank: Tank, then: Mapping[str, float]) -> tuple[str, ...]:
        """Return the runs through which a tank goes on emptying because less comes in than before; else nothing.

        Nothing is left for its overflow then, and what leads down from it takes what stood above its mouth.
        """
        before, after = (gross_inflow_m3_s(self.network, each, tank) for each in (self.flows_m3_s, then))
        if after >= before * (1.0 - WORSE) or inflow_m3_s(self.network, then, tank) > STILL_M3_S:
            return ()
        return mouths_when_off(self.network, tank.name)

    def _mouths_untold(self, tank: Tank, then: Mapping[str, float]) -> Iterator[Note]:
        """Yield the mouths that bound how far a tank empties and that the file does not state."""
        stated = dict(tank.mouths_m)
        for run in self._runs_down(tank, then):
            if run not in stated:
                yield note("depth of a mouth", run=run, tank=tank.name)

    def _fallen_m3(self, tank: Tank, then: Mapping[str, float]) -> float | None:
        """Return what a tank gives to the sump as its water falls at the edge, or to a mouth [m³]; None: not stated."""
        if tank.area_m2 is None or tank.overflow_edge_m is None:
            return None
        flows = (inflow_m3_s(self.network, each, tank) for each in (self.flows_m3_s, then))
        before, after = (self._stands_m(tank, flow) for flow in flows)
        deepest = max((dict(tank.mouths_m)[run] for run in self._runs_down(tank, then)), default=0.0)
        return tank.area_m2 * (max(0.0, before - after) + deepest)

    def _elsewhere(self, shut: Run, then: Mapping[str, float]) -> Iterator[Note]:
        """Yield where most of the water goes instead, if it goes anywhere."""
        more = {
            name: then[name] - abs(flow)
            for name, flow in self.flows_m3_s.items()
            if name != shut.name and self.network.points[self.network.runs[name].end.point].is_fixed
        }
        name = max(more, key=lambda each: more[each], default="")
        if name and more[name] > STILL_M3_S:
            yield note("carries more", run=name, before_m3_s=self.flows_m3_s[name], then_m3_s=then[name])
