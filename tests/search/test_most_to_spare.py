"""Of plans that cost the same the one with the most head to spare is taken."""

from __future__ import annotations

import pytest
from small_trees import random_tree, small_catalog

from optimizer.choices.demands import known_flows
from optimizer.hydraulics import conditions_of
from optimizer.model.plan import Plan, planned_network
from optimizer.model.system import System
from optimizer.search.cheapest import find_plan
from optimizer.verify.settings import PathLosses


def spare_m(system: System, plan: Plan) -> float:
    known = known_flows(system)
    losses = PathLosses(planned_network(system.network, plan), known, conditions_of(system.network))
    return min(losses.balance_at({run: target.low_m3_s for run, target in known.targets.items()}).surplus_m.values())


@pytest.mark.parametrize("seed", [0, 1, 3])
def test_no_head_is_given_away_at_the_same_cost(seed: int) -> None:
    catalog = small_catalog()
    system = random_tree(seed, catalog, bends=(0, 0))
    found = find_plan(system, catalog)
    first, taken = found.plan, found.roomier or found.plan
    if not taken.found:
        return
    assert (taken.cost_cents, taken.status) == (first.cost_cents, first.status)
    assert spare_m(system, taken) >= spare_m(system, first) - 1e-9
