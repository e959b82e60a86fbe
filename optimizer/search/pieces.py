"""Plans of pieces that share no water → the plan of them all: what each run becomes, and one parts list."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from optimizer.model.catalog import PIPES, Catalog
from optimizer.model.plan import Plan, RunPlan, Status
from optimizer.model.system import System
from optimizer.search.assemble import with_list
from optimizer.takeoff.plan_price import consumables_of


def plan_of_pieces(system: System, catalog: Catalog, plans: Sequence[Plan]) -> Plan:
    """Return the plan that has every run as the plan of its own piece has it, whole lengths and packs shared.

    It costs what its list does. None costs less than what each piece does by itself at the least, for the list of one
    piece is part of every list of all; how much less lists cost together than apart is left open.
    """
    planned = {name: _without_pipe(run) for plan in plans for name, run in plan.runs.items()}
    runs = {
        name: planned.get(name, RunPlan(name, run.parts, (), (), (), ())) for name, run in system.network.runs.items()
    }
    bound = max(plan.bound_cents or 0 for plan in plans)
    made = Plan(
        Status.FEASIBLE,
        None,
        bound,
        catalog.currency,
        runs,
        {point: tee for plan in plans for point, tee in plan.tees.items()},
        {pump: speed for plan in plans for pump, speed in plan.pump_speeds.items()},
        consumables_of(catalog, [joint for run in runs.values() for joint in run.joints]),
        effort_cents=sum(plan.effort_cents for plan in plans),
        energy_cents=sum(plan.energy_cents for plan in plans),
        new_pumps={name: pump for plan in plans for name, pump in plan.new_pumps.items()},
        cuts=sum(plan.cuts for plan in plans),
        minutes=sum(plan.minutes for plan in plans),
        notes=tuple(dict.fromkeys(each for plan in plans for each in plan.notes)),
        left_out=tuple(dict.fromkeys(each for plan in plans for each in plan.left_out)),
    )
    listed = with_list(system, catalog, made)
    proved = (listed.material_cents or 0) <= bound and all(plan.status is Status.OPTIMAL for plan in plans)
    return replace(listed, status=Status.OPTIMAL) if proved else listed


def _without_pipe(run: RunPlan) -> RunPlan:
    """Return a run without the lengths of pipe that its own list bought: they are cut for all runs together."""
    return replace(run, purchases=tuple(each for each in run.purchases if each.item.kind not in PIPES))
