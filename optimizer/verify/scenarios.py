"""What a careful person thinks of that can go wrong → how much water leaves its place, and where it goes.

Every row goes by what the file states of tanks and drains; what is not stated is named with the key that would say it.
Each thing happens alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from optimizer.model.catalog import CHECKS, Kind
from optimizer.model.checks import Check
from optimizer.model.circuits import circuits, fed_surfaces, mouths_of, ring_runs, sumps
from optimizer.model.network import Network, Run
from optimizer.model.note import Note, note
from optimizer.model.safety import SafetyCheck, Scenario, Verdict, worst
from optimizer.model.system import System
from optimizer.model.tanks import DrainMode, Tank
from optimizer.verify.allowance import volume_of, volume_of_sumps
from optimizer.verify.drain_back import (
    FREE,
    FREEBOARD,
    RESERVE,
    START,
    DrainBack,
    drain_back,
    gross_inflow_m3_s,
    inflow_coefficients,
    inflow_m3_s,
    lifted_runs,
)
from optimizer.verify.drains import carried_m3_s, drains_of, most_over_edge_m3_s, over_edge_m
from optimizer.verify.into_sumps import feeding_sumps, fullest_sump, starts, tightest
from optimizer.verify.leaks import LetOut
from optimizer.verify.remarks import MARGIN, house_water_m3_s
from optimizer.verify.running import STILL_M3_S, Running, pump_runs
from optimizer.verify.safety import about_tank

_HALF = 0.5


def scenarios_of(
    system: System,
    network: Network,
    flows_m3_s: Mapping[str, float],
    most: Running | None = None,
    checks: Sequence[SafetyCheck] = (),
) -> tuple[Scenario, ...]:
    """Return what may go wrong in a plumbing that feeds tanks, each with its water; nothing where no tank is fed.

    Parameters
    ----------
    system
        Its tanks and drains.
    network, flows_m3_s
        The plumbing with its valves set, and what flows [m³/s by run].
    most
        The same plumbing with the pumps at the highest setting that is allowed: what an emergency drain has to take.
    checks
        What the safety checks say of the same plumbing: what they judge as well is judged there alone.
    """
    if not fed_surfaces(network):
        return ()
    there = There(system, network, flows_m3_s, most or Running(network, flows_m3_s, {}), tuple(checks))
    return (
        *there.power_cut(),
        *there.restart(),
        *there.teeth(),
        *there.blocked_drains(),
        *there.lips(),
        *there.opened(),
        *there.top_up(),
        *there.house_water(),
    )


@dataclass(frozen=True)
class There:
    """A plumbing with its valves set: what goes wrong in it, row by row."""

    system: System
    network: Network
    flows_m3_s: Mapping[str, float]
    most: Running
    checks: tuple[SafetyCheck, ...]

    @property
    def tanks(self) -> tuple[Tank, ...]:
        stated = {tank.name: tank for tank in self.system.tanks}
        return tuple(stated.get(name, Tank(name)) for name in fed_surfaces(self.network))

    # power

    def power_cut(self) -> Iterator[Scenario]:
        yield self._back(note("power fails"), self.system.tanks)
        if any(part.kind in CHECKS for run in lifted_runs(self.network) for part in run.parts):
            yield self._back(note("power fails, check valve sticks"), self.system.tanks)
        if any(tank.has_break for tank in self.tanks):
            clogged = tuple(tank.clogged for tank in self.system.tanks)
            yield self._back(note("power fails, break clogged"), clogged, second=True)
        yield from self._sumps_siphoned()

    def _sumps_siphoned(self) -> Iterator[Scenario]:
        """Yield the sumps that go on emptying through a pump that stands still, to an end that lies lower."""
        stated = {tank.name: tank for tank in self.system.tanks}
        for sump in sumps(self.network):
            runs = [run for circuit in circuits(self.network) if sump in circuit.sources for run in circuit.runs]
            ends = {run.end.point for run in runs if self.flows_m3_s.get(run.name, 0.0) > STILL_M3_S}
            reserve = stated.get(sump, Tank(sump)).reserve_m3
            missing = () if reserve is not None else (RESERVE,)
            for point in self.network.points.values():
                level_m = self.network.points[sump].head_m
                if point.name in ends and point.head_m is not None and point.head_m < (level_m or 0.0):
                    title, where = note("power fails, sump siphoned out", tank=sump), note("out at", point=point.name)
                    yield Scenario(title, reserve, reserve, where, Verdict.UNSAFE, missing)

    def _unknown(self, tank: Tank, flows_m3_s: Mapping[str, float]) -> tuple[Note, ...]:
        """Return what to state where a pump runs to the end of its curve and no more than a least inflow is known."""
        return _past_curves(Running(self.network, flows_m3_s, {}), tank)

    def _judged(self, check: Check, second: bool = False) -> Verdict | None:
        """Return what the safety checks say of it, the worst of all modes; None where they do not."""
        found = [each.verdict for each in self.checks if each.check is check and each.second is second]
        return worst(found) if found else None

    def _is_close(self, check: Check, tank: Tank) -> bool:
        """Return whether a safety check of a tank is close, in any mode: at the upper end of its flow, or not known."""
        return any(
            each.check is check and each.verdict is Verdict.CLOSE and about_tank(each.title) == tank.name
            for each in self.checks
        )

    def _fed_unknown(self) -> tuple[Note, ...]:
        """Return what to state of pumps so that what runs into all the tanks is known."""
        return tuple(dict.fromkeys(one for tank in self.tanks for one in self._unknown(tank, self.flows_m3_s)))

    def _back(self, title: Note, tanks: tuple[Tank, ...], second: bool = False) -> Scenario:
        """Return what runs back; after a `second` failure it is close at worst, as in the safety checks."""
        back: DrainBack = drain_back(self.network, self.flows_m3_s, tanks, self.system.drains)
        _, runs_back, free = fullest_sump(self.system, self.network, back)
        missing = [*back.untold, *([] if free is not None else [FREE])]
        if missing or free is None:
            return Scenario(title, None, None, note("back into the sump"), Verdict.UNCHECKED, tuple(missing))
        spilled = max(0.0, runs_back - free)
        over = runs_back * FREEBOARD > free
        told = self._judged(Check.DRAIN_BACK, second)
        if told is Verdict.UNCHECKED:
            return Scenario(title, None, None, note("back into the sump"), told, (*back.missing, *self._fed_unknown()))
        verdict = told or ((Verdict.CLOSE if second else Verdict.UNSAFE) if over else Verdict.SAFE)
        if not over and (unknown := self._fed_unknown()):
            return Scenario(title, None, None, note("back into the sump"), Verdict.UNCHECKED, unknown)
        where = note("over the sump" if spilled else "sump holds it")
        return Scenario(title, back.total_m3, spilled, where, verdict)

    def restart(self) -> Iterator[Scenario]:
        title = note("power comes back")
        start = tightest(starts(self.system, self.network, self.flows_m3_s), {})
        gathers, reserve = (None, None) if start is None else (start.gathers_m3, start.reserve_m3)
        missing = [START] if gathers is None else []
        missing += [RESERVE] if reserve is None else []
        missing += drain_back(self.network, self.flows_m3_s, self.system.tanks, self.system.drains).untold
        if missing or gathers is None or reserve is None:
            yield Scenario(title, None, None, note("out of the sump"), Verdict.UNCHECKED, tuple(missing))
            return
        own = Verdict.UNSAFE if gathers > reserve else Verdict.SAFE
        verdict = self._judged(Check.PUMP_RESERVE) or own
        if own is Verdict.SAFE and (unknown := self._fed_unknown()):
            yield Scenario(title, None, None, note("out of the sump"), Verdict.UNCHECKED, unknown)
            return
        where = note("sucks air" if gathers > reserve else "out of the sump")
        yield Scenario(title, gathers, 0.0, where, verdict)

    # what blocks

    def teeth(self) -> Iterator[Scenario]:
        for tank in self.tanks:
            title = note("overflow half blocked", tank=tank.name)
            flow = inflow_m3_s(self.network, self.flows_m3_s, tank)
            if tank.overflow_edge_m is None or tank.rim_m is None:
                keys = {"overflow edge": tank.overflow_edge_m, "rim above edge": tank.rim_m}
                missing = tuple(
                    note("key of tank", key=key, tank=tank.name) for key, value in keys.items() if value is None
                )
                yield Scenario(title, None, None, note("over the rim if it rises"), Verdict.UNCHECKED, missing)
                continue
            half = replace(tank, overflow_edge_m=_HALF * tank.overflow_edge_m)
            head, rises = self._stands_m(half, flow), self._stands_m(tank, flow)
            if head <= tank.rim_m and (unknown := self._unknown(tank, self.flows_m3_s)):
                yield Scenario(title, None, None, note("over the rim if it rises"), Verdict.UNCHECKED, unknown)
                continue
            if head <= tank.rim_m:
                held = None if tank.area_m2 is None else tank.area_m2 * (head - rises)
                close = self._stands_m(half, MARGIN * flow) > tank.rim_m or self._is_close(Check.FREEBOARD, tank)
                verdict = Verdict.CLOSE if close else Verdict.SAFE
                yield Scenario(title, held, 0.0, note("stands higher", tank=tank.name), verdict)
                continue
            most = most_over_edge_m3_s(self.network, self.system.drains, half) or 0.0
            yield self._over(title, tank, flow - most, rises)

    def _stands_m(self, tank: Tank, flow_m3_s: float) -> float:
        return over_edge_m(self.network, self.system.drains, tank, flow_m3_s)

    def blocked_drains(self) -> Iterator[Scenario]:
        for tank in self.tanks:
            working, emergency = drains_of(self.system, tank.name)
            if not working + emergency:
                continue
            by_lines = not working and bool(mouths_of(self.network, tank.name))
            title = note("gravity lines blocked" if by_lines else "main drain blocked", tank=tank.name)
            inflow = gross_inflow_m3_s if by_lines else inflow_m3_s
            flow, unknown = inflow(self.network, self.most.flows_m3_s, tank), _past_curves(self.most, tank)
            carried = carried_m3_s(self.system, tank, emergency) if emergency else 0.0
            if carried is None:
                missing = (note("drop and lip of the emergency drain"),)
                yield Scenario(title, None, None, note("emergency drain alone"), Verdict.UNCHECKED, missing)
            elif carried >= flow and unknown:
                yield Scenario(title, None, None, note("emergency drain alone"), Verdict.UNCHECKED, unknown)
            elif carried >= flow:
                close = carried < MARGIN * flow or self._is_close(Check.EMERGENCY_DRAIN, tank)
                verdict = Verdict.CLOSE if close else Verdict.SAFE
                yield Scenario(title, 0.0, 0.0, note("down the emergency drain"), verdict)
            else:
                head = 0.0 if tank.overflow_edge_m is None else self._stands_m(tank, flow)
                yield self._over(title, tank, flow - carried, head)

    def lips(self) -> Iterator[Scenario]:
        """Yield the emergency drains of which no file says whether the tank runs over before their lip takes water."""
        for drain in self.system.drains:
            if drain.mode is DrainMode.EMERGENCY and drain.lip_below_rim_m is None:
                title = note("lip near the rim", drain=drain.name, tank=drain.tank)
                missing = (note("lip below rim", drain=drain.name),)
                yield Scenario(title, None, None, note("over the rim first"), Verdict.UNCHECKED, missing)

    def _over(self, title: Note, tank: Tank, more_m3_s: float, head_m: float) -> Scenario:
        """Return that a tank runs over: with what the sump gives until the pump sucks air, less what fills it up."""
        names = feeding_sumps(self.network, (tank.name,), self.system.drains)
        reserve = volume_of(self.system, names, "reserve_m3")
        missing = [] if reserve is not None else [RESERVE]
        missing += [
            note("key of tank", key=key, tank=tank.name)
            for key, value in (("area", tank.area_m2), ("rim above edge", tank.rim_m))
            if value is None
        ]
        where = note("over the rim", tank=tank.name)
        if missing or reserve is None or tank.area_m2 is None or tank.rim_m is None:
            return Scenario(title, None, None, where, Verdict.UNSAFE, tuple(missing))
        fills = tank.area_m2 * max(0.0, tank.rim_m - head_m)
        spilled = max(0.0, reserve - fills)
        if spilled <= 0.0:
            where = note("fills below its rim", tank=tank.name)
            return Scenario(title, reserve, 0.0, where, Verdict.CLOSE)
        return Scenario(title, reserve, spilled, where, Verdict.UNSAFE)

    # what opens

    def opened(self) -> Iterator[Scenario]:
        out = LetOut(self.system, self.network, self.flows_m3_s)
        for run in pump_runs(self.network):
            if run.name in ring_runs(self.network) and run not in out.dry_runs():
                continue  # in the water
            index = next(i for i, part in enumerate(run.parts) if part.kind is Kind.PUMP)
            yield self._off(note("joint apart at the pump", run=run.name), *out.behind_pump(run))
            if index > 0 or run.start.point not in sumps(self.network):
                yield self._off(note("joint apart on the suction", run=run.name), *out.before_pump(run))
        devices = [run for run in lifted_runs(self.network) if any(part.kind is Kind.DEVICE for part in run.parts)]
        for run in _worst(devices, self.flows_m3_s):
            yield self._off(note("joint apart at the device", run=run.name), *out.behind_pump(run))

    def _off(self, title: Note, water_m3: float | None, missing: tuple[Note, ...]) -> Scenario:
        verdict = Verdict.UNCHECKED if water_m3 is None else Verdict.UNSAFE
        return Scenario(title, water_m3, water_m3, note("on the floor beside the sump"), verdict, missing)

    def top_up(self) -> Iterator[Scenario]:
        title = note("sump leaks")
        volume = volume_of_sumps(self.system, self.network, "top_up_m3")
        if volume is None:
            missing = (note("top-up volume"),)
            yield Scenario(title, None, None, note("on the floor"), Verdict.UNCHECKED, missing)
        elif volume > 0.0:
            yield Scenario(title, volume, volume, note("on the floor with the sump"), Verdict.UNSAFE)

    def house_water(self) -> Iterator[Scenario]:
        """Yield where house water runs to if its valve sticks open: what comes in an hour, all of it too much."""
        for end, flow_m3_s in house_water_m3_s(self.network, self.flows_m3_s).items():
            title = note("house water sticks open", into=end)
            an_hour = 3600.0 * flow_m3_s
            free = volume_of(self.system, (end,), "free_volume_m3") if end in sumps(self.network) else 0.0
            if free is None:
                missing = (FREE,)
                yield Scenario(title, an_hour, None, note("over the sump"), Verdict.UNSAFE, missing)
                continue
            spilled = max(0.0, an_hour - free)
            where = note("over the rim until shut" if spilled else "holds it", tank=end)
            yield Scenario(title, an_hour, spilled, where, Verdict.UNSAFE if spilled else Verdict.CLOSE)


def _past_curves(there: Running, tank: Tank) -> tuple[Note, ...]:
    """Return what to state of pumps so that what runs into a tank is known; nothing where it is."""
    doubt = there.doubt.sums(inflow_coefficients(there.network, tank))
    return () if doubt.known("") else (note("more points", pumps=tuple(there.doubt.pumps)),)


def _worst(runs: list[Run], flows_m3_s: Mapping[str, float]) -> list[Run]:
    """Return the run that carries the most of some."""
    return sorted(runs, key=lambda run: -abs(flows_m3_s.get(run.name, 0.0)))[:1]
