"""Every efficient plan of the merged tables, for a study that looks at one after the other; None without tables."""

from __future__ import annotations

from collections.abc import Iterator

from optimizer.choices.demands import KnownFlows, flows_if_known
from optimizer.hydraulics import pump_head_m
from optimizer.model.catalog import Catalog
from optimizer.model.plan import Plan
from optimizer.model.system import System
from optimizer.program.merge import EfficientSelection, efficient_selections
from optimizer.program.problem import LOSS_UNIT_M, Outcome, Selection
from optimizer.search.assemble import plan_of
from optimizer.search.duty import Duty, duties
from optimizer.search.options import Options, options_of
from optimizer.search.posing import PosedProblem, pose

_HALVINGS = 18
_MOST = 20.0  # no step goes beyond this multiple of the minimum flows


def efficient_plans(system: System, catalog: Catalog, least_gain: float) -> Iterator[Plan] | None:
    """Return the efficient plans by rising cost, from the cheapest to the one that reaches the most.

    Efficient means: at the minimum flows, no other plan is both no dearer and needs no more head. The pump is at its
    fastest setting. Steps that by their head reach less than `least_gain` more than the one before are left out.
    None where the flows are not known beforehand, or not by the pump's head alone: then there are no such tables.
    """
    flows = flows_if_known(system)
    if flows is None or flows.others or not flows.pump:
        return None
    options = options_of(system, catalog, flows.flows_m3_s, flows_m3_s=flows.flows_m3_s)
    duty = duties(system.network.pumps[flows.pump], system.rules)[0]
    posed = pose(options, flows, duty.speed, bounded=False)
    if not all(posed.problem.runs.values()):
        return iter(())
    return _walk(options, flows, posed, duty, efficient_selections(posed.problem), least_gain)


def _walk(
    options: Options,
    flows: KnownFlows,
    posed: PosedProblem,
    duty: Duty,
    selections: tuple[EfficientSelection, ...],
    least_gain: float,
) -> Iterator[Plan]:
    about = 0.0
    for selection in selections:
        estimate = _estimate(flows, duty, selection.need * LOSS_UNIT_M)
        if estimate >= about * (1 + least_gain):
            about = estimate
            yield _plan(options, posed, duty, selection)


def _estimate(flows: KnownFlows, duty: Duty, need_m: float) -> float:
    """Return about what multiple of the minimum flows a head need at them allows; only good for an order."""
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
