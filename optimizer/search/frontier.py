"""Every efficient plan from "as it is" to "the most this catalog can do", each checked by the network."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from optimizer.choices.demands import KnownFlows, known_flows
from optimizer.hydraulics import Conditions, conditions_of, pump_head_m, solve_network
from optimizer.model.catalog import Catalog
from optimizer.model.network import Network
from optimizer.model.plan import Plan, planned_network
from optimizer.model.system import System
from optimizer.program.merge import EfficientSelection, efficient_selections
from optimizer.program.problem import LOSS_UNIT_M, Outcome, Selection
from optimizer.search.assemble import plan_of
from optimizer.search.duty import Duty, duties
from optimizer.search.posing import Options, PosedProblem, options_of, pose
from optimizer.verify.allowance import may_flow
from optimizer.verify.settings import PathLosses, valve_settings, with_openings

LEAST_GAIN = 0.01  # published loss coefficients do not tell smaller steps apart
_HALVINGS = 18
_MOST = 20.0  # no frontier goes beyond this multiple of the least flows
CHECK_TOLERANCE = 1e-4  # relative, of a flow in the checked network


@dataclass(frozen=True, slots=True)
class FrontierPlan:
    """One efficient plan and what it reaches.

    `reach` is the largest multiple of all least flows at once that the planned plumbing holds with its valves set,
    worked out and then found again by the network; `total_m3_s` is the pump's flow there. `starts` is the reach from
    which on nothing cheaper is left open; None where that is from the plan before.
    """

    plan: Plan
    reach: float
    total_m3_s: float
    starts: float | None = None

    @property
    def meets_targets(self) -> bool:
        return self.reach >= 1.0


def frontier(system: System, catalog: Catalog, least_gain: float = LEAST_GAIN) -> tuple[FrontierPlan, ...]:
    """Return the efficient plans by rising cost, from the cheapest to the one that reaches the most.

    Efficient means: at the least flows, no other plan is both no dearer and needs no more head. The pump is at its
    fastest setting. Steps that reach less than `least_gain` more than the one before are left out (0: none are).

    Raises
    ------
    PlanError
        When the flows are not known beforehand (see `known_flows`).
    """
    flows = known_flows(system)
    options = options_of(system, catalog, flows.flows_m3_s)
    duty = duties(system.network.pumps[flows.pump], system.rules)[0]
    posed = pose(options, flows, duty.speed, bounded=False)
    plans = tuple(_walk(options, flows, posed, duty, efficient_selections(posed.problem), least_gain))
    return tuple(plan for plan in plans if not any(_beats(other, plan) for other in plans))


def _beats(first: FrontierPlan, second: FrontierPlan) -> bool:
    """Return whether whole lengths and packs made a plan no dearer than another one that reaches less."""
    return first.reach > second.reach and (first.plan.cost_cents or 0) <= (second.plan.cost_cents or 0)


def _walk(
    options: Options,
    flows: KnownFlows,
    posed: PosedProblem,
    duty: Duty,
    selections: tuple[EfficientSelection, ...],
    least_gain: float,
) -> Iterator[FrontierPlan]:
    """Yield the selections worth a step: told from the head that they need, then worked out and checked."""
    conditions = conditions_of(options.system.network)
    best, about = 0.0, 0.0
    for selection in selections:
        estimate = _estimate(flows, duty, selection.need * LOSS_UNIT_M)
        if estimate < about * (1 + least_gain):
            continue
        found = _reached(options, flows, posed, duty, selection, conditions)
        about = estimate  # also where it is refused: the next one looked at is a step further
        if found is not None and found.reach > best:
            best = found.reach
            yield found


def _estimate(flows: KnownFlows, duty: Duty, need_m: float) -> float:
    """Return about what multiple of the least flows a head need at the least flows allows; only good for an order."""
    lift = min(path.lift_m for path in flows.paths)

    def holds(scale: float) -> bool:
        return bool(pump_head_m(duty.pump, scale * flows.total_m3_s, duty.speed) - lift >= need_m * scale**1.85)

    low, high = 0.0, _MOST
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def _plan(options: Options, posed: PosedProblem, duty: Duty, found: EfficientSelection) -> Plan:
    selection = Selection(
        Outcome.OPTIMAL, found.run_choice, found.tee_choice, found.cents, found.cents, "merged tables"
    )
    return plan_of(options, posed, selection, duty)


def _reached(
    options: Options,
    flows: KnownFlows,
    posed: PosedProblem,
    duty: Duty,
    selection: EfficientSelection,
    conditions: Conditions,
) -> FrontierPlan | None:
    """Return a plan with what it reaches, None when the network does not confirm it."""
    plan = _plan(options, posed, duty, selection)
    planned = planned_network(options.system.network, plan)
    losses = PathLosses(planned, flows, conditions)
    scale = losses.reach()
    wanted = {run: scale * target.low_m3_s for run, target in flows.targets.items()}
    found = losses.balance_at(wanted)
    solution = solve_network(with_openings(planned, valve_settings(planned, flows, found)), conditions)
    if any(solution.flows_m3_s[run] < flow * (1 - CHECK_TOLERANCE) for run, flow in wanted.items()):
        return None
    if not _stays_dry(options.system, planned, flows, min(1.0, scale)):
        return None
    return FrontierPlan(plan, scale, solution.flows_m3_s[flows.source])


def _stays_dry(system: System, planned: Network, flows: KnownFlows, scale: float) -> bool:
    """Return whether drains and sump take a plan at its targets, or at least no worse than they take what stands."""
    if not system.tanks and not system.drains:
        return True
    at_targets = {name: scale * flow for name, flow in flows.flows_m3_s.items()}
    if may_flow(system, planned)(at_targets):
        return True
    return not may_flow(system, system.network)(solve_network(system.network).flows_m3_s)


def best_for_budget(plans: tuple[FrontierPlan, ...], budget_cents: int) -> FrontierPlan | None:
    """Return the plan that reaches the most for a parts list within a budget [cents]; None when none is."""
    within = [plan for plan in plans if plan.plan.cost_cents is not None and plan.plan.cost_cents <= budget_cents]
    return max(within, key=lambda plan: plan.reach, default=None)
