"""Where flows are not known beforehand the plan found costs what the best of all combinations costs."""

from __future__ import annotations

import pytest
from flow_cases import cheapest_of_all, random_case

from optimizer.search.flow_posing import duties_of
from optimizer.search.flow_search import FlowSearch
from optimizer.verify.openings import settle

# cases in which neither the search nor the enumeration takes a second
QUICK = (
    *(25, 28, 40, 56, 62, 74),
    *(97, 106),  # a valve that stands alike in two settings
)
CASES = 300


def check(seed: int) -> None:
    case = random_case(seed)

    found = FlowSearch(case, time_limit_s=300.0).run()

    assert found.complete
    assert found.best_cents == cheapest_of_all(case)
    if found.best is not None:
        settled = settle(duties_of(case, found.best), case.conditions)
        assert settled is not None
        assert settled.met


@pytest.mark.parametrize("seed", [*QUICK[:3], *(pytest.param(seed, marks=pytest.mark.long) for seed in QUICK[3:])])
def test_the_plan_costs_what_the_best_combination_costs(seed: int) -> None:
    check(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [seed for seed in range(CASES) if seed not in QUICK])
def test_the_plan_costs_what_the_best_combination_costs_in_many_more_cases(seed: int) -> None:
    check(seed)
