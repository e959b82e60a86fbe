"""Rings that the tables cut open: a plan costs what the best combination costs, whichever way runs are written.

As in `test_box_search`, every combination of small random rings is solved as a true network (all are invented).
"""

from __future__ import annotations

import pytest
from flow_cases import random_case
from test_box_search import check, enclosed, rings
from unknown_systems import catalog, ring

from optimizer.model.plan import Status
from optimizer.search.unknown_flows import find_unknown

SIDES = ("one side", "other side", "link")


@pytest.mark.parametrize(
    "first",
    [pytest.param(first, marks=pytest.mark.long if first < 10 else pytest.mark.slow) for first in range(0, 400, 10)],
)
def test_the_plan_of_a_ring_costs_what_the_best_combination_costs(first: int) -> None:
    for seed in rings(first):
        check(random_case(seed))


@pytest.mark.parametrize("first", [0, *(pytest.param(first, marks=pytest.mark.long) for first in range(10, 60, 10))])
def test_no_true_flow_round_a_ring_is_outside_of_what_the_tables_enclose(first: int) -> None:
    for seed in rings(first):
        enclosed(seed)


@pytest.mark.long
@pytest.mark.parametrize("turned", [("one side",), SIDES])
def test_the_same_ring_written_the_other_way_costs_the_same(turned: tuple[str, ...]) -> None:
    """Which way a run is written says nothing of the water; the tables go through some of them backwards."""
    targets = "  left: at least 1300 L/h\n  right: at least 1300 L/h"
    as_written, other = (find_unknown(ring(targets, runs), catalog(), time_limit_s=200.0) for runs in ((), turned))

    assert as_written.plan.status is other.plan.status is Status.OPTIMAL
    assert as_written.cents == other.cents
    assert as_written.cents
