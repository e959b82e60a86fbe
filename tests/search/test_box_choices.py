"""The combinations of a tree below a cost, told one by one: against all of them, sieved."""

from __future__ import annotations

from collections import Counter

import pytest
from flow_cases import choices_of, random_case

from optimizer.search.box_choices import choices_below
from optimizer.search.box_tree import shape_of
from optimizer.search.flow_posing import cents_of

TREES = (1, 2, 3, 4, 7, 8, 13, 14, 18, 21, 22, 28)  # of random cases those without a ring


@pytest.mark.parametrize("seed", TREES)
def test_every_combination_below_the_cost_is_told_once_and_no_other(seed: int) -> None:
    case = random_case(seed)
    shape = shape_of(case)
    assert shape is not None
    every = choices_of(case)
    limit = sorted(cents_of(case, choice) for choice in every)[len(every) // 3] + 1
    ways = {name: range(len(found)) for name, found in case.ways.items()}
    fittings = {point: range(len(found)) for point, found in case.tees.items()}
    settings = range(len(case.modes[0].speeds))

    told = Counter(choices_below(case, shape, ways, fittings, settings, limit))

    assert told == Counter(choice for choice in every if cents_of(case, choice) < limit)
