"""The choice of parts where the flows are not known beforehand: what the relaxation is given and gives back.

A network of points and runs. Every run is a row of *stages* in series: its plumbing (`FlowRun.alternatives`), its pump
(`FlowRun.settings`) and the tees at its ends (`FlowTee`). In every stage one alternative is chosen, and the head
between the run's start and end is the sum of what the chosen alternatives lose at the run's flow. All SI, heads in
metres of the flowing water, money in whole cents. Nothing here is rounded and nothing here knows a solver.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from optimizer.errors import PlanError
from optimizer.program.problem import Outcome, State

RUN, SETTING, TEE = "run", "setting", "tee"
Pick = tuple[str, str, int]  # (RUN, SETTING or TEE; name of the run or of the tee's point; index of the alternative)
RunEndKey = tuple[str, bool]  # (run, at its start)
Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Line:
    """h = slope q + intercept [m]; slope in s/m²."""

    slope_s_m2: float
    intercept_m: float

    def at(self, flow_m3_s: float) -> float:
        return self.slope_s_m2 * flow_m3_s + self.intercept_m


@dataclass(frozen=True, slots=True)
class Envelope:
    """Straight lines that a loss keeps above (`below`) and under (`above`) all over a range of flow."""

    below: tuple[Line, ...]
    above: tuple[Line, ...]


class LossCurve(Protocol):
    """Head lost against flow, strictly rising over the whole range of the run; negative where a pump adds head."""

    def loss_m(self, flow_m3_s: float) -> float:
        """Return the head lost at a flow [m]; of a pump, less the head that it adds."""
        ...

    def envelope(self, low_m3_s: float, high_m3_s: float) -> Envelope:
        """Return lines that hold on [low, high], the narrower the closer; no point of the curve is outside."""
        ...


@dataclass(frozen=True, slots=True)
class FlowNode:
    """A point. Either its head is fixed (a water surface, an outlet), or what is drawn there is known (tees: nothing).

    `head_m` fixes the head; `least_head_m` and `most_head_m` bound a free one. `demand_m3_s` leaves the network at a
    free point (negative: comes in) and must be 0 at a fixed one, where any flow may come and go.
    """

    name: str
    head_m: float | None = None
    least_head_m: float = -math.inf
    most_head_m: float = math.inf
    demand_m3_s: float = 0.0

    def __post_init__(self) -> None:
        if self.head_m is not None and self.demand_m3_s != 0.0:
            raise PlanError(f"point {self.name!r} has a fixed head, so its demand is what flows there; give one")
        if not self.least_head_m <= self.most_head_m:
            raise PlanError(f"point {self.name!r}: least head {self.least_head_m:g} m, most {self.most_head_m:g} m")

    @property
    def head_range_m(self) -> Range:
        return (self.least_head_m, self.most_head_m) if self.head_m is None else (self.head_m, self.head_m)


@dataclass(frozen=True, slots=True)
class FlowAlternative:
    """One way to build a stage of a run: cents, loss, end states at the tees, packs opened (bits).

    `flow_range_m3_s` is where it may be used (a velocity limit, the last point of a pump's curve). `throttled` says
    that a valve in it may add any loss in the direction of the flow: the same k of k Q² in every copy of the run.
    """

    cents: int
    curve: LossCurve
    start: State = 0
    end: State = 0
    packs: int = 0
    flow_range_m3_s: Range = (-math.inf, math.inf)
    throttled: bool = False


@dataclass(frozen=True, slots=True)
class FlowRun:
    """A run between two points, positive from start to end.

    Attributes
    ----------
    alternatives
        Ways to plumb it; exactly one is chosen.
    settings
        Pump settings, or other second choices in series, whose `curve` is minus the head that the pump adds; exactly
        one is chosen where there are any. Their end states do not count.
    flow_range_m3_s
        Finite bounds on the flow; may span zero. A target (at least, at most, between) on this run goes in here.
    one_way
        A check valve or an outlet: no backward flow; at rest the head at the end may be any that is no lower than what
        the start pushes.
    same_as
        The run takes the alternative of that other run (which must have as many): the same plumbing at another
        operating setting. Its own cents are not counted then.
    """

    name: str
    start: str
    end: str
    alternatives: tuple[FlowAlternative, ...]
    flow_range_m3_s: Range
    settings: tuple[FlowAlternative, ...] = ()
    one_way: bool = False
    same_as: str | None = None

    def __post_init__(self) -> None:
        low, high = self.flow_range_m3_s
        if not (math.isfinite(low) and math.isfinite(high)):
            raise PlanError(f"run {self.name!r}: its flow must have finite bounds, they are {low:g} and {high:g} m³/s")


class TeeLoss(Protocol):
    """Head lost between one leg of a fitting and its middle, charged to that leg's run, whatever the other legs do."""

    def envelope(self, end: RunEndKey, own: Range, others: Mapping[RunEndKey, Range]) -> Envelope:
        """Return lines in the own run's flow (positive along the run) that hold for own and other flows in ranges.

        The loss counts in the run's direction: it adds to head at start less head at end. `others` has every other
        end in the tee. Lines of slope 0 are a plain box.
        """
        ...


@dataclass(frozen=True, slots=True)
class FlowTeeAlternative:
    """One fitting for a tee: cents, the state of every run end in it, its losses (None: loses nothing), packs."""

    cents: int
    states: Mapping[RunEndKey, State]
    loss: TeeLoss | None = None
    packs: int = 0


@dataclass(frozen=True, slots=True)
class FlowTee:
    """The fitting at a point; `same_as` as in `FlowRun` (the ends of the other tee in the same order)."""

    point: str
    alternatives: tuple[FlowTeeAlternative, ...]
    same_as: str | None = None


@dataclass(frozen=True, slots=True)
class FlowRow:
    """low <= sum of coefficient × flow of run <= high [m³/s]: a target on a sum, a split."""

    name: str
    coefficients: Mapping[str, float]
    low_m3_s: float = -math.inf
    high_m3_s: float = math.inf


@dataclass(frozen=True, slots=True)
class ChoiceRow:
    """low <= sum of coefficient × (1 where that alternative is chosen) <= high.

    A budget, at most n cuts, a volume, choices that go together, a combination that is out (`no_good`). `packs` are
    what each opened pack adds to the sum; empty: nothing.
    """

    name: str
    coefficients: Mapping[Pick, float]
    low: float = -math.inf
    high: float = math.inf
    packs: tuple[float, ...] = ()


@dataclass(frozen=True)
class FlowProblem:
    """Choose one alternative for every run, setting and tee so that flows and heads can be as the rows want, cheapest.

    `packs` are the cents for the first use of each consumable (bits of the alternatives). The network must be one in
    which the flows of a finished choice are unique (every loss rises), as `hydraulics.solve_network` has it; then a
    choice is good or bad as a whole.
    """

    nodes: Mapping[str, FlowNode]
    runs: Mapping[str, FlowRun]
    tees: Mapping[str, FlowTee] = field(default_factory=dict)
    flow_rows: tuple[FlowRow, ...] = ()
    choice_rows: tuple[ChoiceRow, ...] = ()
    packs: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        for run in self.runs.values():
            for point in (run.start, run.end):
                if point not in self.nodes:
                    raise PlanError(f"run {run.name!r} goes to {point!r}, which is no point of the problem")
            if run.same_as is not None and len(self.runs[run.same_as].alternatives) != len(run.alternatives):
                raise PlanError(f"run {run.name!r} has not as many alternatives as {run.same_as!r}, which it copies")


@dataclass(frozen=True, slots=True)
class RelaxedSelection:
    """What the relaxation chose, with *its* flows and heads, which are near the true ones only where bins are narrow.

    OPTIMAL: `cents` is the least cost of any choice that the relaxation allows, so `bound_cents` == `cents` and no
    true plan costs less. FEASIBLE: the time ran out; no true plan costs less than `bound_cents`. INFEASIBLE: no plan
    (none of at most the cutoff) exists. NO_PLAN_FOUND: the time ran out without a choice; `bound_cents` may still be
    known.
    """

    outcome: Outcome
    runs: Mapping[str, int]
    settings: Mapping[str, int]
    tees: Mapping[str, int]
    flows_m3_s: Mapping[str, float]
    heads_m: Mapping[str, float]
    cents: int | None
    bound_cents: int | None
    solver: str

    def picks(self) -> frozenset[Pick]:
        """Return the choice as a set."""
        groups = ((RUN, self.runs), (SETTING, self.settings), (TEE, self.tees))
        return frozenset((kind, name, k) for kind, group in groups for name, k in group.items())


def no_good(picks: Iterable[Pick], name: str = "no good") -> ChoiceRow:
    """Return the row that forbids choosing all of these together (and nothing else)."""
    chosen = dict.fromkeys(sorted(picks), 1.0)
    return ChoiceRow(name, chosen, high=len(chosen) - 1.0)


def chosen_cents(problem: FlowProblem, picks: Iterable[Pick]) -> int:
    """Return the cost in whole cents of a choice, packs included, from the data alone."""
    cents = opened = 0
    for kind, name, k in picks:
        chosen = _alternative(problem, kind, name, k)
        if chosen is not None:
            cents += chosen.cents
            opened |= chosen.packs
    return cents + sum(price for i, price in enumerate(problem.packs) if opened >> i & 1)


def _alternative(problem: FlowProblem, kind: str, name: str, k: int) -> FlowAlternative | FlowTeeAlternative | None:
    if kind == TEE:
        tee = problem.tees[name]
        return None if tee.same_as is not None else tee.alternatives[k]
    run = problem.runs[name]
    if kind == SETTING:
        return run.settings[k]
    return None if run.same_as is not None else run.alternatives[k]
