"""A plan as a value: what every run becomes, what is bought and taken out, how the valves stand, how sure that is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from optimizer.model.catalog import PIPES, CatalogItem
from optimizer.model.doubt import NO_DOUBT, Doubt
from optimizer.model.network import Network, Part, Pump, Run, Tee
from optimizer.model.note import Note, money_note
from optimizer.model.safety import SafetyReport
from optimizer.model.system import Share, System


class Status(StrEnum):
    """How a search ended. Never blurred."""

    OPTIMAL = "optimal"  # proved: no cheaper plan in this catalog under these rules, but for what `Plan.left_out` names
    FEASIBLE = "feasible"  # a limit was hit; the gap says how much cheaper a plan might still be
    INFEASIBLE = "infeasible"  # proved: no plan reaches the targets
    NO_PLAN_FOUND = "none found"  # a limit was hit before any plan came


class Forbidden(StrEnum):
    """What rules a plan out where it is proved that there is none."""

    BY_PARTS = "parts"  # no combination of the parts gives the flows, or none that was looked at without one rule
    BY_RULES = "rules"  # without one of the owner's rules, such as the budget, there is a plan
    BY_CHECKS = "checks"  # plans that give every flow there are, and a check, such as that of the sump, refuses each


@dataclass(frozen=True, slots=True)
class Purchase:
    """One thing bought for one place.

    `quantity` counts pieces, or for pipe the whole sale lengths that this piece adds to what earlier pieces of the same
    pipe left over: so it can be 0 for a piece that comes out of a length already counted. What pipe costs is told by
    the parts list as a whole: it may come in longer lengths than that.
    """

    item: CatalogItem
    quantity: int
    where: str  # the run or tee
    length_m: float = 0.0  # pipe: the length of this piece

    @property
    def cost_cents(self) -> int:
        return self.quantity * self.item.price_cents


@dataclass(frozen=True, slots=True)
class JointWork:
    """One joint that is made: what seals it and where. `method` is "cement", "tape", "washer", "swivel", "clamp"
    "push" or "sleeve".
    """

    method: str
    size: str
    where: str
    words: str


@dataclass(frozen=True, slots=True)
class RunPlan:
    """What a run becomes. `parts` is the whole run in order; new parts have `existing` False.

    `cut_apart` has the two pieces of every pipe of which one end stays and the other goes, in the order of the water.
    """

    run: str
    parts: tuple[Part, ...]
    purchases: tuple[Purchase, ...]
    removed: tuple[Part, ...]
    joints: tuple[JointWork, ...]
    changes: tuple[Note, ...]  # what is done, in order along the run
    cut_apart: tuple[tuple[Part, Part], ...] = ()

    def stood(self, parts: tuple[Part, ...]) -> tuple[Part, ...]:
        """Return the parts of the run as they stand, a pipe of which one end stays told as its two pieces."""
        waiting = list(self.cut_apart)
        found: list[Part] = []
        for part in parts:
            if waiting and replace(waiting[0][0], length_m=part.length_m) == part:
                found += waiting.pop(0)
            else:
                found.append(part)
        return tuple(found)

    @property
    def cost_cents(self) -> int:
        """Return what the run's new parts cost, pipe by its sale length."""
        return sum(purchase.cost_cents for purchase in self.purchases)

    @property
    def parts_cents(self) -> int:
        """Return what the run's new parts cost, pipe apart: that is cut for all runs together."""
        return sum(purchase.cost_cents for purchase in self.purchases if purchase.item.kind not in PIPES)


@dataclass(frozen=True, slots=True)
class TeePlan:
    point: str
    tee: Tee  # as it will be
    purchases: tuple[Purchase, ...]
    removed: tuple[CatalogItem, ...]
    changes: tuple[Note, ...] = ()

    @property
    def cost_cents(self) -> int:
        return sum(purchase.cost_cents for purchase in self.purchases)


@dataclass(frozen=True, slots=True)
class Plan:
    """The outcome of a search. `runs` and `tees` hold all of them, changed or not, when a plan was found.

    `cost_cents` is what the parts list comes to: pipe as the store sells it, whole packs. `material_cents` is what the
    search made least, and no plan comes to less than `bound_cents`: the parts list, and labour, a minimum order and
    electricity where the owner gave them a price (`total_cents`). Where flows are not known beforehand and there is too
    much to choose from, it counts pipe by the length used and the first pack of each kind instead. `left_out` names
    what the proof did not weigh, where that is anything: the status holds for all the rest.
    """

    status: Status
    cost_cents: int | None
    bound_cents: int | None
    currency: str
    runs: Mapping[str, RunPlan]
    tees: Mapping[str, TeePlan]
    pump_speeds: Mapping[str, float]
    consumables: tuple[Purchase, ...] = ()
    material_cents: int | None = None
    effort_cents: int = 0  # labour at the owner's rate
    topped_up_cents: int = 0  # what a minimum order charges above parts and labour
    energy_cents: int = 0  # electricity over the owner's horizon
    new_pumps: Mapping[str, Pump] = field(default_factory=dict)  # bought, in place of their namesakes if there are any
    stands: Network | None = None  # the plumbing as it stands, its runs cut apart where new ones join; None: as it is
    cuts: int = 0
    minutes: int = 0
    reasons: tuple[Note, ...] = ()  # why there is no plan, what blocks, what would make it possible
    notes: tuple[Note, ...] = ()
    left_out: tuple[Note, ...] = ()
    beyond: tuple[Plan, ...] = ()  # the next ones by cost with clearly more head to spare; not checked yet
    forbidden: Forbidden = Forbidden.BY_PARTS  # what rules a plan out, where the status is INFEASIBLE

    @property
    def found(self) -> bool:
        return self.status in (Status.OPTIMAL, Status.FEASIBLE)

    @property
    def total_cents(self) -> int | None:
        """Return what the parts list comes to, with all that has a price beside it; None without a list."""
        beside = self.effort_cents + self.topped_up_cents + self.energy_cents
        return None if self.cost_cents is None else self.cost_cents + beside

    @property
    def cost_note(self) -> Note:
        """Return what its parts list comes to."""
        return money_note(self.cost_cents or 0, self.currency)

    @property
    def counts_its_list(self) -> bool:
        """Return whether what the proof counts for parts is what the parts list comes to: whole lengths and packs."""
        return self.material_cents is None or self.total_cents in (None, self.material_cents)

    @property
    def gap_cents(self) -> int | None:
        """Return how much less a plan might still come to; 0 when it is proved that none does."""
        if self.material_cents is None or self.bound_cents is None:
            return None
        return max(0, self.material_cents - self.bound_cents)

    @property
    def list_gap_cents(self) -> int | None:
        """Return how much less the list of another plan might come to, with all that has a price beside it.

        Where the proof counts what is used, that is more than `gap_cents`.
        """
        if self.bound_cents is None or self.total_cents is None:
            return self.gap_cents
        return max(0, self.total_cents - self.bound_cents)


def planned_network(network: Network, plan: Plan) -> Network:
    """Return the plumbing as it will be: every run and tee of the plan in place, pumps at their planned speed."""
    network = plan.stands or network
    runs: dict[str, Run] = {
        name: replace(network.runs[name], parts=run_plan.parts) for name, run_plan in plan.runs.items()
    }
    tees = {name: plan.tees[name].tee if name in plan.tees else tee for name, tee in network.tees.items()}
    pumps = {
        name: replace(pump, speed=plan.pump_speeds.get(name, pump.speed))
        for name, pump in {**network.pumps, **plan.new_pumps}.items()
    }
    return replace(network.with_runs(runs), tees=tees, pumps=pumps)


def stood_network(network: Network, plan: Plan) -> Network:
    """Return the plumbing as it stands with every pipe of which one end stays told as its two pieces."""
    runs = {
        name: replace(network.runs[name], parts=run_plan.stood(network.runs[name].parts))
        for name, run_plan in plan.runs.items()
        if run_plan.cut_apart and name in network.runs
    }
    return network.with_runs(runs)


def planned_networks(system: System, plan: Plan) -> tuple[Network, ...]:
    """Return the plumbing as it will be in every setting, in the order of `System.ways_to_run`.

    Where the owner states settings, the pumps run at their speeds; otherwise at those of the plan.
    """
    out = []
    for _, at in system.ways_to_run:
        network = planned_network(at.network, plan)
        if system.settings:
            speeds = {name: pump.speed for name, pump in at.network.pumps.items()}
            pumps = {name: replace(p, speed=speeds.get(name, p.speed)) for name, p in network.pumps.items()}
            network = replace(network, pumps=pumps)
        out.append(network)
    return tuple(out)


@dataclass(frozen=True, slots=True)
class DemandCheck:
    """One demand in the planned network, solved again without the solver. Flows in m³/s.

    Of a `share` the limits are what it comes to after the work.

    The doubts are what the ends of pump curves leave unknown of the flow, under the name "". `unconnected` are its
    runs, and those of the pumps that feed them, with a place that is not connected yet: the flow before is what would
    run with that place closed.
    """

    run: str
    low_m3_s: float
    high_m3_s: float | None
    before_m3_s: float
    after_m3_s: float
    all_open_m3_s: float  # with every valve fully open
    met: bool
    before_doubt: Doubt = NO_DOUBT
    after_doubt: Doubt = NO_DOUBT
    all_open_doubt: Doubt = NO_DOUBT
    unconnected: tuple[str, ...] = ()
    share: Share | None = None


@dataclass(frozen=True, slots=True)
class ValveSetting:
    """How far one valve of a run is to be opened, in words that its handle can follow."""

    run: str
    part_index: int
    words: str
    opening: float  # 0 shut ... 1 open
    head_loss_m: float


@dataclass(frozen=True, slots=True)
class SettingFlows:
    """What flows in every run in one setting [m³/s], how fast in its fastest place [m/s], and with all valves open."""

    name: str
    flows_m3_s: Mapping[str, float]
    velocities_m_s: Mapping[str, float]
    all_open_m3_s: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Verification:
    """What the network solution says of a plan. `passed` only if every demand is met and nothing is over a limit.

    `flows_m3_s` and `velocities_m_s` are those of the first setting; `settings` has every one of them, and a single one
    without a name where the owner states none.
    """

    passed: bool
    demands: tuple[DemandCheck, ...]
    valves: tuple[ValveSetting, ...]
    flows_m3_s: Mapping[str, float]
    velocities_m_s: Mapping[str, float]  # the fastest place of each run
    warnings: tuple[Note, ...]
    failures: tuple[Note, ...]
    safety: SafetyReport | None = None  # drains, drain-back, pressure: what was checked of them
    settings: tuple[SettingFlows, ...] = ()
