"""Each rule of an owner holds in the plan, whether the flows are known beforehand or not."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest
from small_trees import random_tree, small_catalog
from test_unknown_flow_plans import at_least, bare

from optimizer.choices.effort import CUT_MINUTES
from optimizer.model.catalog import PIPES
from optimizer.model.network import Condition
from optimizer.model.plan import Plan
from optimizer.model.system import System
from optimizer.search.cheapest import find_plan
from optimizer.search.unknown_flows import find_unknown
from optimizer.verify.check import verify_plan

SEED = 1  # the plan without further rules buys pipe and takes cuts, with valves and without ...
CHANGING = 2  # ... and here it takes parts out
Find = Callable[[System], Plan]


def with_valves(seed: int = SEED) -> tuple[System, Find]:
    return at_least(random_tree(seed, small_catalog())), lambda system: find_plan(system, small_catalog()).plan


def without_valves(seed: int = SEED) -> tuple[System, Find]:
    return bare(seed), lambda system: find_unknown(system, small_catalog()).plan


both = pytest.mark.parametrize("case", [with_valves, without_valves], ids=["known flows", "unknown flows"])
Case = Callable[..., tuple[System, Find]]


def ruled(system: System, **rules: object) -> System:
    return replace(system, rules=replace(system.rules, **rules))  # type: ignore[arg-type]


@both
def test_pipe_is_bought_in_the_sizes_that_the_owner_names_alone(case: Case) -> None:
    system, find = case()
    free, own = find(system), find(ruled(system, sizes=("3/4 in",)))

    def sizes(plan: Plan) -> set[str]:
        parts = [part for run in plan.runs.values() for part in run.parts if not part.existing]
        return {part.ends[0].size for part in parts if part.kind in PIPES}

    assert "1 in" in sizes(free)
    assert sizes(own) <= {"3/4 in"}
    assert not own.found or (own.material_cents or 0) >= (free.material_cents or 0)


@both
def test_new_pipe_keeps_to_the_velocity_limit(case: Case) -> None:
    system, find = case()
    slow = find(ruled(system, velocity_limit_m_s=0.7))
    if not slow.found:
        pytest.skip("nothing serves so slowly")
    flows = verify_plan(ruled(system, velocity_limit_m_s=0.7), slow).flows_m3_s
    for name, run in slow.runs.items():
        for part in run.parts:
            if part.kind in PIPES and not part.existing:
                speed = flows[name] / (math.pi / 4 * part.end_bores_m[0] ** 2)
                assert speed <= 0.7 * 1.001


@both
def test_what_the_owner_keeps_stays(case: Case) -> None:
    system, find = case(CHANGING)
    free = find(system)
    name = next(name for name, run in free.runs.items() if run.removed)
    run = system.network.runs[name]
    kept = replace(run, parts=tuple(replace(part, condition=Condition.KEEP) for part in run.parts))

    plan = find(replace(system, network=system.network.with_runs({name: kept})))

    assert not plan.found or plan.runs[name].removed == ()
    assert not plan.found or (plan.material_cents or 0) >= (free.material_cents or 0)


@both
def test_labour_at_a_rate_is_money_and_makes_for_no_more_work(case: Case) -> None:
    system, find = case()
    free, paid = find(system), find(ruled(system, labour_cents_per_hour=12000))

    assert free.effort_cents == 0
    assert paid.minutes <= free.minutes
    assert paid.effort_cents >= paid.cuts * CUT_MINUTES * 200
    assert (paid.material_cents or 0) >= (free.material_cents or 0)
    parts = (paid.material_cents or 0) - paid.effort_cents
    assert parts >= (free.material_cents or 0)  # less work is bought with dearer parts, if with anything
