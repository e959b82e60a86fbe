"""A plan for an example made by hand, so that pictures and page are tested without a search."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

from said import free

from optimizer import pipeline
from optimizer.hydraulics import solve_network
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.network import Part, Run
from optimizer.model.outcome import PlanReport
from optimizer.model.plan import DemandCheck, Plan, Purchase, RunPlan, Status, TeePlan, Verification, planned_network
from optimizer.model.system import System
from optimizer.takeoff import bill_of
from optimizer.verify.settings import with_openings

EXAMPLES = Path(__file__).parents[3] / "examples"
NAMES = ("cellar-sump", "metric-unions", "single-return", "starter")


@cache
def example(name: str) -> tuple[System, Catalog]:
    return pipeline.read(EXAMPLES / f"{name}.yaml")


@cache
def hand_report(name: str) -> PlanReport:
    """Return a plan in which every elbow of the first run is bought anew and all else stays, with every valve open."""
    system, _ = example(name)
    first = next(iter(system.network.runs))
    runs = {run.name: _kept(run) if run.name != first else _new_elbows(run) for run in system.network.runs.values()}
    tees = {point: TeePlan(point, tee, (), ()) for point, tee in system.network.tees.items()}
    cost = sum(run.cost_cents for run in runs.values())
    plan = Plan(Status.OPTIMAL, cost, cost, system.currency, runs, tees, {}, material_cents=cost)
    before, after = (
        solve_network(system.network),
        solve_network(with_openings(planned_network(system.network, plan), ())),
    )
    demands = tuple(
        DemandCheck(
            target.run,
            target.low_m3_s,
            target.high_m3_s,
            before.flows_m3_s[target.run],
            after.flows_m3_s[target.run],
            after.flows_m3_s[target.run],
            met=True,
        )
        for target in system.targets
    )
    checked = Verification(
        True, demands, (), after.flows_m3_s, after.velocities_m_s, (free("mind the <b>drain</b>"),), ()
    )
    return PlanReport(system, plan, checked, bill_of(system, plan), before.flows_m3_s)


def _kept(run: Run) -> RunPlan:
    return RunPlan(run.name, run.parts, (), (), (), ())


def _new_elbows(run: Run) -> RunPlan:
    old = [part for part in run.parts if part.kind is Kind.ELBOW]
    parts = tuple(_new(part) if part.kind is Kind.ELBOW else part for part in run.parts)
    bought = tuple(Purchase(part.item, 1, run.name) for part in old if part.item is not None)
    return RunPlan(run.name, parts, bought, tuple(old), (), (free("take out the elbows; put in new ones"),))


def _new(part: Part) -> Part:
    return replace(part, existing=False)
