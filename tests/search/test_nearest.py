"""What a little more money buys: plans next to the cheapest, which pass the same checks and promise more."""

from __future__ import annotations

from dataclasses import replace

import planned_examples
import pytest

from optimizer import pipeline
from optimizer.documents.answer import alternative_words
from optimizer.model.plan import planned_networks
from optimizer.verify.reach import reach_of

EXAMPLES = ("single-return", "starter")


@pytest.mark.parametrize("name", EXAMPLES)
def test_what_is_dearer_has_more_head_to_spare(name: str) -> None:
    report, _ = planned_examples.searched(name)
    system = report.system
    own = reach_of(system, planned_networks(system, report.plan)).scale
    beyond = report.plan.beyond

    assert beyond
    assert all((one.cost_cents or 0) > report.bill.total_cents for one in beyond)
    assert list(beyond) == sorted(beyond, key=lambda one: one.cost_cents or 0)
    assert all(reach_of(system, planned_networks(system, one)).scale > own for one in beyond[:3])


@pytest.mark.parametrize("name", EXAMPLES)
def test_what_is_told_works_more_often_or_needs_fewer_cuts(name: str) -> None:
    report, catalog = planned_examples.searched(name)
    told = pipeline.with_nearest(report, catalog).nearest

    assert 1 <= len(told) <= 2
    assert report.chance is not None
    assert report.chance.trimmed is not None
    for one in told:
        assert one.works is not None
        assert one.works > report.chance.trimmed
    assert all(one.cuts < report.plan.cuts for one in told[1:])


def test_no_plan_above_the_budget_is_told() -> None:
    report, catalog = planned_examples.searched("single-return")
    held = replace(report, system=report.system.with_budget(report.bill.total_cents))

    assert pipeline.with_nearest(held, catalog).nearest == ()
    assert alternative_words(pipeline.with_nearest(held, catalog)) == ""


def test_no_plan_that_fails_a_check_is_told() -> None:
    report, catalog = planned_examples.searched("single-return")
    as_it_stands = {
        name: replace(one, parts=report.system.network.runs[name].parts) for name, one in report.plan.runs.items()
    }
    short = replace(report.plan, runs=as_it_stands, cost_cents=report.bill.total_cents + 1, material_cents=None)

    assert pipeline.with_nearest(replace(report, plan=replace(report.plan, beyond=(short,))), catalog).nearest == ()


def test_the_line_tells_price_difference_and_cuts() -> None:
    report, catalog = planned_examples.searched("single-return")
    found = pipeline.with_nearest(report, catalog)
    told = alternative_words(found)

    for one in found.nearest:
        assert (
            f"${one.cost_cents / 100:.2f} in parts (${(one.cost_cents - report.bill.total_cents) / 100:.2f} more)"
            in told
        )
    assert "with 1 saw cut" in told
