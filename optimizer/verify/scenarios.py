"""What a careful person thinks of that can go wrong → how much water leaves its place, and where it goes.

Every row goes by what the file states of tanks and drains; what is not stated is named with the key that would say it.
Each thing happens alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from optimizer.hydraulics.weirs import weir_flow_m3_s, weir_head_m
from optimizer.model.catalog import CHECKS, THROTTLES, Kind
from optimizer.model.checks import Check
from optimizer.model.circuits import fed_surfaces, sumps
from optimizer.model.network import Network, Run
from optimizer.model.safety import SafetyCheck, Scenario, Verdict, worst
from optimizer.model.system import System
from optimizer.model.tanks import Drain, DrainMode, Tank
from optimizer.verify.allowance import volume_of_sumps
from optimizer.verify.drain_back import DEVICE_VOLUME, FREEBOARD, DrainBack, drain_back, inflow_m3_s, lifted_runs
from optimizer.verify.drains import together_m3_s
from optimizer.verify.remarks import MARGIN, house_water_m3_s
from optimizer.verify.running import pump_runs

_HALF = 0.5


def scenarios_of(
    system: System,
    network: Network,
    flows_m3_s: Mapping[str, float],
    most_m3_s: Mapping[str, float] | None = None,
    checks: Sequence[SafetyCheck] = (),
) -> tuple[Scenario, ...]:
    """Return what may go wrong in a plumbing that feeds tanks, each with its water; nothing where no tank is fed.

    Parameters
    ----------
    system
        Its tanks and drains.
    network, flows_m3_s
        The plumbing with its valves set, and what flows [m³/s by run].
    most_m3_s
        What flows with the pumps at the highest setting that is allowed: what an emergency drain has to take.
    checks
        What the safety checks say of the same plumbing: what they judge as well is judged there alone.
    """
    if not fed_surfaces(network):
        return ()
    there = _There(system, network, flows_m3_s, most_m3_s or flows_m3_s, tuple(checks))
    return (
        *there.power_cut(),
        *there.restart(),
        *there.teeth(),
        *there.blocked_drains(),
        *there.lips(),
        *there.opened(),
        *there.top_up(),
        *there.house_water(),
        *there.shut(),
    )


@dataclass(frozen=True)
class _There:
    system: System
    network: Network
    flows_m3_s: Mapping[str, float]
    most_m3_s: Mapping[str, float]
    checks: tuple[SafetyCheck, ...]

    @property
    def tanks(self) -> tuple[Tank, ...]:
        stated = {tank.name: tank for tank in self.system.tanks}
        return tuple(stated.get(name, Tank(name)) for name in fed_surfaces(self.network))

    @property
    def free_m3(self) -> float | None:
        return volume_of_sumps(self.system, self.network, "free_volume_m3")

    @property
    def reserve_m3(self) -> float | None:
        return volume_of_sumps(self.system, self.network, "reserve_m3")

    # power

    def power_cut(self) -> Iterator[Scenario]:
        yield self._back("the power fails", self.system.tanks)
        if any(part.kind in CHECKS for run in lifted_runs(self.network) for part in run.parts):
            yield self._back("the power fails and the check valve sticks open", self.system.tanks)
        if any(tank.break_depth_m is not None for tank in self.tanks):
            clogged = tuple(replace(tank, break_depth_m=None) for tank in self.system.tanks)
            yield self._back("the power fails and the siphon break is clogged", clogged, second=True)

    def _judged(self, check: Check, second: bool = False) -> Verdict | None:
        """Return what the safety checks say of it, the worst of all modes; None where they do not."""
        found = [each.verdict for each in self.checks if each.check is check and each.second is second]
        return worst(found) if found else None

    def _back(self, title: str, tanks: tuple[Tank, ...], second: bool = False) -> Scenario:
        """Return what runs back; after a `second` failure it is close at worst, as in the safety checks."""
        back: DrainBack = drain_back(self.network, self.flows_m3_s, tanks, self.system.drains)
        free = self.free_m3
        missing = [text for text in back.missing if DEVICE_VOLUME not in text]
        missing += [] if free is not None else ["'free volume' of the sump"]
        if missing or free is None:
            return Scenario(title, None, None, "back into the sump", Verdict.UNCHECKED, tuple(missing))
        spilled = max(0.0, back.total_m3 - free)
        over = back.total_m3 * FREEBOARD > free
        told = self._judged(Check.DRAIN_BACK, second)
        verdict = told or ((Verdict.CLOSE if second else Verdict.UNSAFE) if over else Verdict.SAFE)
        where = "over the rim of the sump" if spilled else "back into the sump, which holds it"
        return Scenario(title, back.total_m3, spilled, where, verdict)

    def restart(self) -> Iterator[Scenario]:
        title = "the power comes back"
        start, reserve = [tank.start_volume_m3 for tank in self.tanks], self.reserve_m3
        missing = ["'start volume' of the tanks that the pump feeds"] if None in start else []
        missing += ["'pump reserve' of the sump"] if reserve is None else []
        if missing or reserve is None:
            yield Scenario(title, None, None, "out of the sump until the drains run", Verdict.UNCHECKED, tuple(missing))
            return
        gathers = sum(volume for volume in start if volume is not None)
        own = Verdict.UNSAFE if gathers > reserve else Verdict.SAFE
        verdict = self._judged(Check.PUMP_RESERVE) or own
        where = "the pump sucks air" if gathers > reserve else "out of the sump until the drains run"
        yield Scenario(title, gathers, 0.0, where, verdict)

    # what blocks

    def teeth(self) -> Iterator[Scenario]:
        for tank in self.tanks:
            title = f"half of the overflow of {tank.name!r} is blocked"
            flow = inflow_m3_s(self.network, self.flows_m3_s, tank)
            if tank.overflow_edge_m is None or tank.rim_m is None:
                keys = {"overflow edge": tank.overflow_edge_m, "rim above edge": tank.rim_m}
                missing = tuple(f"'{key}' of tank {tank.name!r}" for key, value in keys.items() if value is None)
                yield Scenario(title, None, None, "over the rim, if it rises so far", Verdict.UNCHECKED, missing)
                continue
            half = _HALF * tank.overflow_edge_m
            head = weir_head_m(half, flow)
            if head <= tank.rim_m:
                held = None if tank.area_m2 is None else tank.area_m2 * (head - weir_head_m(2 * half, flow))
                verdict = Verdict.CLOSE if weir_head_m(half, MARGIN * flow) > tank.rim_m else Verdict.SAFE
                yield Scenario(title, held, 0.0, f"stands higher in {tank.name!r}, below its rim", verdict)
                continue
            rises = weir_head_m(2 * half, flow)
            yield self._over(title, tank, flow - weir_flow_m3_s(half, tank.rim_m), rises)

    def blocked_drains(self) -> Iterator[Scenario]:
        for tank in self.tanks:
            own = [drain for drain in self.system.drains if drain.tank == tank.name]
            if not own:
                continue
            title = f"the main drain of {tank.name!r} is blocked, pump at its highest safe setting"
            emergency: list[Drain] = [drain for drain in own if drain.mode is DrainMode.EMERGENCY]
            flow = inflow_m3_s(self.network, self.most_m3_s, tank)
            carried = together_m3_s(emergency, self.system.network.water) if emergency else 0.0
            if carried is None:
                missing = ("'drop' and 'head over lip' of its emergency drain",)
                yield Scenario(title, None, None, "the emergency drain alone", Verdict.UNCHECKED, missing)
            elif carried >= flow:
                verdict = Verdict.SAFE if carried >= MARGIN * flow else Verdict.CLOSE
                yield Scenario(title, 0.0, 0.0, "down the emergency drain alone", verdict)
            else:
                head = 0.0 if tank.overflow_edge_m is None else weir_head_m(tank.overflow_edge_m, flow)
                yield self._over(title, tank, flow - carried, head)

    def lips(self) -> Iterator[Scenario]:
        """Yield the emergency drains of which no file says whether the tank runs over before their lip takes water."""
        for drain in self.system.drains:
            if drain.mode is DrainMode.EMERGENCY and drain.lip_below_rim_m is None:
                title = f"the lip of {drain.name!r} stands too near to the rim of {drain.tank!r}"
                missing = (f"'lip below rim' of {drain.name!r}",)
                yield Scenario(title, None, None, "over the rim before it takes all", Verdict.UNCHECKED, missing)

    def _over(self, title: str, tank: Tank, more_m3_s: float, head_m: float) -> Scenario:
        """Return that a tank runs over: with what the sump gives until the pump sucks air, less what fills it up."""
        reserve = self.reserve_m3
        missing = [] if reserve is not None else ["'pump reserve' of the sump"]
        missing += [
            f"'{key}' of tank {tank.name!r}"
            for key, value in (("area", tank.area_m2), ("rim above edge", tank.rim_m))
            if value is None
        ]
        where = f"over the rim of {tank.name!r}"
        if missing or reserve is None or tank.area_m2 is None or tank.rim_m is None:
            return Scenario(title, None, None, where, Verdict.UNSAFE, tuple(missing))
        fills = tank.area_m2 * max(0.0, tank.rim_m - head_m)
        spilled = max(0.0, reserve - fills)
        if spilled <= 0.0:
            where = f"fills {tank.name!r} to below its rim until the pump sucks air"
            return Scenario(title, reserve, 0.0, where, Verdict.CLOSE)
        return Scenario(title, reserve, spilled, where, Verdict.UNSAFE)

    # what opens

    def opened(self) -> Iterator[Scenario]:
        reserve = self.reserve_m3
        keys = () if reserve is not None else ("'pump reserve' of the sump",)
        back = drain_back(self.network, self.flows_m3_s, self.system.tanks, self.system.drains)
        untold = tuple(text for text in back.missing if DEVICE_VOLUME not in text)
        after = back.total_m3 - back.volumes_m3.get("drains", 0.0)
        floor = "on the floor where that is not over the sump"
        for run in pump_runs(self.network):
            index = next(i for i, part in enumerate(run.parts) if part.kind is Kind.PUMP)
            water = None if reserve is None or untold else reserve + after
            yield self._off(f"a joint comes apart at the pump in {run.name!r}", water, floor, (*keys, *untold))
            if index > 0 or run.start.point not in sumps(self.network):
                yield self._off(f"a joint comes apart on the suction of {run.name!r}", reserve, floor, keys)
        devices = [run for run in lifted_runs(self.network) if any(part.kind is Kind.DEVICE for part in run.parts)]
        for run in _worst(devices, self.flows_m3_s):
            water = None if reserve is None or untold else reserve + after
            yield self._off(f"a joint comes apart at the device in {run.name!r}", water, floor, (*keys, *untold))

    def _off(self, title: str, water_m3: float | None, where: str, missing: tuple[str, ...]) -> Scenario:
        verdict = Verdict.UNCHECKED if water_m3 is None else Verdict.UNSAFE
        return Scenario(title, water_m3, water_m3, where, verdict, missing if water_m3 is None else ())

    def top_up(self) -> Iterator[Scenario]:
        title = "the sump leaks and the top-up goes on"
        volume = volume_of_sumps(self.system, self.network, "top_up_m3")
        if volume is None:
            missing = ("'top-up volume' of the sump (0 where there is none)",)
            yield Scenario(title, None, None, "on the floor", Verdict.UNCHECKED, missing)
        elif volume > 0.0:
            yield Scenario(title, volume, volume, "on the floor, beside what the sump held", Verdict.UNSAFE)

    def house_water(self) -> Iterator[Scenario]:
        """Yield where house water runs to if its valve sticks open: what comes in an hour, all of it too much."""
        for end, flow_m3_s in house_water_m3_s(self.network, self.flows_m3_s).items():
            title = f"the valve of the house water into {end!r} sticks open for an hour"
            an_hour = 3600.0 * flow_m3_s
            free = self.free_m3 if end in sumps(self.network) else 0.0
            if free is None:
                missing = ("'free volume' of the sump",)
                yield Scenario(title, an_hour, None, "over the rim of the sump", Verdict.UNSAFE, missing)
                continue
            spilled = max(0.0, an_hour - free)
            where = f"over the rim of {end!r}, until someone shuts it" if spilled else f"into {end!r}, which holds it"
            yield Scenario(title, an_hour, spilled, where, Verdict.UNSAFE if spilled else Verdict.CLOSE)

    def shut(self) -> Iterator[Scenario]:
        for run in pump_runs(self.network):
            branches = [each for each in lifted_runs(self.network) if self.network.points[each.end.point].is_fixed]
            row = [*run.parts, *(branches[0].parts if len(branches) == 1 else ())]
            behind = row[next(i for i, part in enumerate(row) if part.kind is Kind.PUMP) :]
            if any(part.kind in THROTTLES for part in behind):
                title = f"a valve is shut against the pump in {run.name!r}"
                yield Scenario(title, 0.0, 0.0, "nowhere; the pump heats what is in it until it fails", Verdict.CLOSE)


def _worst(runs: list[Run], flows_m3_s: Mapping[str, float]) -> list[Run]:
    """Return the run that carries the most of some."""
    return sorted(runs, key=lambda run: -abs(flows_m3_s.get(run.name, 0.0)))[:1]
