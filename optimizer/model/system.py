"""A system file as a value: the plumbing, what the owner wants of it, and the rules the plan must keep."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from optimizer.model.calibration import Calibration, Measurement
from optimizer.model.circuits import feeders
from optimizer.model.money import Money
from optimizer.model.network import Network, Part
from optimizer.model.rules import Rules as Rules
from optimizer.model.tanks import Drain, Tank

_HELD = 1e-6  # relative: what a flow that is solved may miss its target by


@dataclass(frozen=True, slots=True)
class Share:
    """Limits of a flow as shares of what other runs carry together: 0.25 of the riser, give or take a tolerance."""

    of: tuple[str, ...]  # run names
    low: float
    high: float | None


@dataclass(frozen=True, slots=True)
class Target:
    """What a run must carry [m³/s]. `high_m3_s` None: no upper limit; `low_m3_s` 0: any flow will do.

    `run` is the target's name as the owner wrote it: a run, a device or a sum. `runs` holds the runs whose flows are
    added up; empty, it is the run of that name. With a `share` the limits go by the flow of other runs.
    """

    run: str
    low_m3_s: float
    high_m3_s: float | None = None
    place: str = ""
    runs: tuple[str, ...] = ()
    share: Share | None = None

    @property
    def summed(self) -> tuple[str, ...]:
        """Return the runs whose flows count together."""
        return self.runs or (self.run,)

    @property
    def asks_for_flow(self) -> bool:
        """Return whether it is missed where nothing flows."""
        return self.low_m3_s > 0.0 or (self.share is not None and self.share.low > 0.0)

    def amount_m3_s(self, flows_m3_s: Mapping[str, float]) -> float:
        """Return what its runs carry together [m³/s]; not-a-number where that of one is not told."""
        return sum(flows_m3_s.get(run, math.nan) for run in self.summed)

    def limits_m3_s(self, flows_m3_s: Mapping[str, float]) -> tuple[float, float | None]:
        """Return its limits as flows: those of a share by what the other runs carry [m³/s]."""
        if self.share is None:
            return self.low_m3_s, self.high_m3_s
        whole = sum(flows_m3_s.get(run, math.nan) for run in self.share.of)
        return self.share.low * whole, None if self.share.high is None else self.share.high * whole

    def miss_m3_s(self, flows_m3_s: Mapping[str, float]) -> float:
        """Return by how much its runs carry too little, below 0, or too much [m³/s]; 0 where it is met."""
        amount, (low, high) = self.amount_m3_s(flows_m3_s), self.limits_m3_s(flows_m3_s)
        if amount < low * (1.0 - _HELD):
            return amount - low
        return amount - high if high is not None and amount > high * (1.0 + _HELD) else 0.0

    @property
    def is_plain(self) -> bool:
        """Return whether the target is a window on the flow of the one run that it is named after."""
        return self.share is None and self.summed == (self.run,)


@dataclass(frozen=True, slots=True)
class Setting:
    """One way in which the plumbing is run: pumps at these fractions of full rpm, and what must flow then.

    A pump that is not named runs as the file says. Valves keep one position in all settings: nobody turns six handles
    every evening.
    """

    name: str
    speeds: Mapping[str, float]
    targets: tuple[Target, ...]
    place: str = ""


@dataclass(frozen=True, slots=True)
class SecondPump:
    """Where a second pump may be put beside the owner's one.

    In series it stands in the pipe of the owner's run at the place `pipe`; side by side it has a line of its own from
    the same water, and the tee where the two join stands in that pipe. `line` is what the second line is built of, all
    of it new: `suction` before the pump (none: it stands in the water), `line` from there to the tee.
    """

    in_series: bool
    beside: bool
    run: str
    pump: str
    pipe: int
    suction: tuple[Part, ...] = ()
    line: tuple[Part, ...] = ()
    another_cents: int | None = None  # what another pump like the owner's costs; None: only pumps of the catalogs


def another_id(pump: str) -> str:
    """Return the item number of another pump like one of the owner's."""
    return f"another-{pump}"


@dataclass(frozen=True)
class System:
    """The network has the factors of `calibration` in it already; `measured` is what they were found from.

    `owned_m` is pipe that lies there already [m], by catalog id.
    """

    name: str
    units: str  # "US" or "metric": how results are shown
    currency: str
    network: Network
    targets: tuple[Target, ...] = ()
    rules: Rules = field(default_factory=Rules)
    path: str = ""
    note: str = ""
    measured: tuple[Measurement, ...] = ()
    calibration: Calibration | None = None
    settings: tuple[Setting, ...] = ()  # none: one setting, the pumps as they are or may be dialled
    owned_m: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    tanks: tuple[Tank, ...] = ()
    drains: tuple[Drain, ...] = ()
    second_pump: SecondPump | None = None  # None: none may be put in
    remarks: tuple[str, ...] = ()  # what is odd in the file, each with its place, and counts all the same
    closes_alone: bool = False  # what a run is held by counts as held whatever becomes of other runs
    money: Money | None = None  # rates and tax, where the file was read with them
    carried_m3_s: Mapping[str, Mapping[str, float]] | None = None  # by mode and run, as it stands; None: to be solved

    @property
    def all_targets(self) -> tuple[Target, ...]:
        """Return the targets of every setting; those of the system where it has no settings."""
        return tuple(target for one in self.settings for target in one.targets) if self.settings else self.targets

    @property
    def fitted_readings(self) -> tuple[Measurement, ...]:
        """Return the readings, where the network has the factors that they gave."""
        return self.measured if self.calibration is not None else ()

    @property
    def planned_parts(self) -> tuple[tuple[str, ...], ...]:
        """Return the connected parts of the plumbing, run by run, that a plan is about.

        Those with a target in any setting, and those with work to do whatever flows there: an open joint, a part that
        must go. Where nothing at all is asked for, all of them.
        """
        network, aimed = self.network, self._aimed
        parts = network.parts()
        return tuple(part for part in parts if aimed & set(part) or network.has_work(part)) if aimed else parts

    @property
    def _aimed(self) -> set[str]:
        """Return the runs that some target speaks of, and those that bring the water of the tanks they run out of."""
        runs = [(*target.summed, *(target.share.of if target.share else ())) for target in self.all_targets]
        named = {run for each in runs for run in each if run in self.network.runs}
        return {*feeders(self.network, named), *(run for each in runs for run in each)}

    @property
    def with_standing(self) -> System:
        """Return the system with the runs whose valves are no matter of a plan marked in its network."""
        aimed = self._aimed
        standing = frozenset(run for part in self.network.parts() if not aimed & set(part) for run in part)
        return replace(self, network=replace(self.network, standing=standing)) if standing and aimed else self

    @property
    def ways_to_run(self) -> tuple[tuple[str, System], ...]:
        """Return (name, system as it is run then) of every setting; itself, without a name, where there are none."""
        return tuple((setting.name, self.at(setting)) for setting in self.settings) or (("", self),)

    def with_budget(self, cents: int | None) -> System:
        """Return the system with a budget for the parts list [cents] in its rules, or without one."""
        return replace(self, rules=replace(self.rules, budget_cents=cents))

    def with_promise(self, margin: float | None = None, certainty: float | None = None) -> System:
        """Return the system with other shares in its rules; None leaves what is there."""
        rules = self.rules
        margin = rules.margin if margin is None else margin
        certainty = rules.certainty if certainty is None else certainty
        return replace(self, rules=replace(rules, margin=margin, certainty=certainty))

    def at(self, setting: Setting) -> System:
        """Return the system as it is run in one setting: its speeds, its targets, nothing else to choose there."""
        pumps = {
            name: replace(pump, speed=setting.speeds.get(name, pump.speed), speeds=())
            for name, pump in self.network.pumps.items()
        }
        carried = None if self.carried_m3_s is None else {"": self.carried_m3_s.get(setting.name, {})}
        network = replace(self.network, pumps=pumps)
        return replace(self, network=network, targets=setting.targets, settings=(), carried_m3_s=carried)
