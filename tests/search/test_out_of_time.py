"""When the time comes a search says what it has: the best plan, what none costs less than, and what is open."""

from __future__ import annotations

import time

import pytest
from said import free, said
from small_trees import random_tree, small_catalog

from optimizer import pipeline
from optimizer.clock import TimeIsUp, look
from optimizer.model.plan import Status
from optimizer.search import engine, list_proof
from optimizer.search.cheapest import find_plan
from optimizer.search.checks import Verdicts
from optimizer.search.list_ways import WayFinder
from optimizer.search.question import Question
from optimizer.search.studies import frontier as frontier_study
from optimizer.search.watch import Watch
from optimizer.verify.allowance import Allowance

SEED = 3  # of a tree whose cheapest list is proved only by all ways of its runs


def late(*_: object, **__: object) -> None:
    raise TimeIsUp


def test_a_search_with_known_flows_that_runs_out_of_time_tells_the_best_plan_its_bound_and_gap(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    catalog = small_catalog()
    system = random_tree(SEED, catalog)
    proved = find_plan(system, catalog).plan
    monkeypatch.setattr(WayFinder, "find", late)
    answer = pipeline.search(system, catalog)

    assert answer.status is Status.FEASIBLE
    assert answer.material_cents is not None
    assert answer.bound_cents is not None
    assert proved.material_cents is not None
    assert 0 < answer.bound_cents <= proved.material_cents <= answer.material_cents
    assert answer.gap_cents == answer.material_cents - answer.bound_cents
    assert pipeline.report(system, answer, catalog).verification.passed


def test_before_any_plan_it_says_that_none_came(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(list_proof._AtHead, "_start", late)
    catalog = small_catalog()
    answer = pipeline.search(random_tree(SEED, catalog), catalog)

    assert answer.status is Status.NO_PLAN_FOUND


def test_where_the_time_comes_after_a_plan_was_refused_it_says_which(monkeypatch: pytest.MonkeyPatch) -> None:
    catalog = small_catalog()
    system = random_tree(SEED, catalog)
    refused = Verdicts((), (free("the sump runs over"),), 1)
    monkeypatch.setattr(engine, "verdicts", lambda *_: refused)
    monkeypatch.setattr(Allowance, "most_pipe_m3", lambda *_: 1.0)
    monkeypatch.setattr(engine, "_holding", late)
    answer = engine.solve(Question(system, catalog, Watch.of(60.0)))

    assert answer.status is Status.NO_PLAN_FOUND
    assert "was refused: the sump runs over" in said(answer.reasons)[0]
    assert "the time limit came" in said(answer.reasons)[-1]


def test_how_far_the_plan_for_the_targets_gets_is_not_looked_for_when_the_time_is_over(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def endless(*_: object) -> None:
        while True:
            look()

    catalog = small_catalog()
    system = random_tree(SEED, catalog)
    found = engine.solve(Question(system, catalog, Watch.of(60.0)))
    monkeypatch.setattr(frontier_study, "reach_of", endless)
    monkeypatch.setattr(frontier_study, "_REACH_S", 0.05)
    began = time.monotonic()
    (only,) = frontier_study._with_plan(system, (), found, Watch.of(0.0))

    assert time.monotonic() - began < 2.0
    assert (only.plan, only.reach) == (found.plan, 1.0)
    assert only.total_m3_s > 0.0


@pytest.mark.slow
def test_a_frontier_that_runs_out_of_time_says_that_it_has_not_all(monkeypatch: pytest.MonkeyPatch) -> None:
    catalog = small_catalog()
    system = random_tree(SEED, catalog)
    whole = pipeline.frontier(system, catalog)
    monkeypatch.setattr(frontier_study, "efficient_plans", late)
    found = frontier_study.frontier(system, catalog, Watch.of(60.0))

    assert whole.complete
    assert not found.complete
    assert any("time limit" in note for note in said(found.notes))
    assert [one.plan.cost_cents for one in found.plans] == [
        one.plan.cost_cents for one in whole.plans if one.meets_targets
    ][:1]


@pytest.mark.long
@pytest.mark.parametrize("what", ["most_flow", "kinds_of_plan", "explain", "frontier"])
def test_all_searches_of_a_command_together_keep_to_the_time(what: str) -> None:
    catalog = small_catalog()
    system = random_tree(SEED, catalog, branches=4, bends=(2, 3)).with_budget(20000)
    before = time.process_time()
    getattr(pipeline, what)(system, catalog, time_limit_s=1.0)

    assert time.process_time() - before < 1.0 + 2.0
