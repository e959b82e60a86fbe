"""A search for unknown flows that need not go all the way: only below a cost, or to any plan."""

from __future__ import annotations

from functools import cache

import pytest
from said import said
from unknown_systems import branches, catalog

from optimizer.model.plan import Status
from optimizer.search.unknown_flows import UnknownSearch, find_unknown
from optimizer.verify.check import verify_plan

TARGETS = "  left: at least 1300 L/h\n  right: at least 1300 L/h"


@cache
def whole() -> UnknownSearch:
    return find_unknown(branches(TARGETS), catalog())


@pytest.mark.slow
def test_the_same_plan_is_found_below_a_cost_above_its_own() -> None:
    assert whole().cents is not None

    found = find_unknown(branches(TARGETS), catalog(), cutoff_cents=whole().cents + 1)

    assert found.plan.status is Status.OPTIMAL
    assert found.cents == whole().cents


@pytest.mark.long
def test_no_plan_is_found_below_the_least_cost_and_that_is_proved() -> None:
    found = find_unknown(branches(TARGETS), catalog(), cutoff_cents=whole().cents)

    assert found.plan.status is Status.INFEASIBLE
    assert found.bound_cents == whole().cents
    assert "no plan costs less than" in said(found.plan.reasons)[0]


@pytest.mark.long
def test_any_plan_stands_but_is_not_called_the_cheapest_unless_the_bound_says_so() -> None:
    found = find_unknown(branches(TARGETS), catalog(), any_plan=True)

    assert verify_plan(branches(TARGETS), found.plan).passed
    assert found.cents is not None
    assert found.bound_cents is not None
    assert found.bound_cents <= (whole().cents or 0) <= found.cents
    assert (found.plan.status is Status.OPTIMAL) == (found.cents == found.bound_cents)
