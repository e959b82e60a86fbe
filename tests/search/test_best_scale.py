"""The best that can be reached is told even where the plumbing at the whole targets is none at all."""

from __future__ import annotations

from dataclasses import replace

import pytest
from small_trees import random_tree, small_catalog

from optimizer.choices.demands import known_flows
from optimizer.model.catalog import Kind
from optimizer.model.network import Condition
from optimizer.model.system import System
from optimizer.search.cheapest import find_plan
from optimizer.search.options import options_of
from optimizer.search.reach import STEP, best_scale


def worn_out(seed: int, times: float, velocity_limit_m_s: float) -> System:
    """Return a random tree whose parts all have to go, with `times` its targets and a limit for the new pipe."""
    system = random_tree(seed, small_catalog())
    targets = tuple(replace(t, low_m3_s=times * t.low_m3_s, high_m3_s=None) for t in system.targets)
    runs = {
        name: replace(
            run,
            parts=tuple(p if p.kind is Kind.PUMP else replace(p, condition=Condition.MUST_GO) for p in run.parts),
        )
        for name, run in system.network.runs.items()
    }
    rules = replace(system.rules, velocity_limit_m_s=velocity_limit_m_s)
    return replace(system, network=system.network.with_runs(runs), targets=targets, rules=rules)


@pytest.mark.long
@pytest.mark.parametrize(
    ("seed", "times"), [(1, 1.0), (2, 5.0), (7, 1.0), *(pytest.param(s, 1.0, marks=pytest.mark.slow) for s in (0, 3))]
)
def test_where_the_velocity_limit_leaves_no_pipe_at_the_targets_the_best_share_is_told_and_no_more_is_there(
    seed: int, times: float
) -> None:
    system, catalog = worn_out(seed, times, 0.5), small_catalog()
    flows = known_flows(system)
    best = best_scale(options_of(system, catalog, flows.flows_m3_s), flows, 1.0)
    assert 0.1 < best < 1.0

    def planned(scale: float) -> bool:
        targets = tuple(replace(t, low_m3_s=scale * t.low_m3_s) for t in system.targets)
        return find_plan(replace(system, targets=targets), catalog, with_reasons=False).plan.found

    assert planned(best * (1.0 - 1e-6))
    assert not planned(best * (1.0 + 1.5 * STEP))
