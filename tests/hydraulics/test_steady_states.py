"""Whether other starts lead to another steady state."""

from pathlib import Path

import numpy as np
import pytest
from networks import random_manifold, random_network
from said import said

from optimizer import pipeline
from optimizer.hydraulics import compile_network, solve_network
from optimizer.hydraulics.compiled import AS_COMPILED
from optimizer.hydraulics.newton import Newton
from optimizer.hydraulics.steady import _ends, other_states, state_notes
from optimizer.verify.check import verify_plan
from optimizer.verify.remarks import with_other_states

EXAMPLES = Path(__file__).parents[2] / "examples"


def test_where_there_is_one_steady_state_no_other_is_told() -> None:
    for seed in range(3):
        plumbing = random_manifold(seed, 9)
        assert other_states(plumbing, solve_network(plumbing).flows_m3_s) == ()


def test_starts_that_go_together_end_where_each_ends_alone() -> None:
    for seed in range(4):
        plumbing = random_network(seed, 9)
        compiled = compile_network(plumbing)
        true = Newton(compiled, AS_COMPILED).run().flow_m3_s
        starts = np.random.default_rng(seed).normal(scale=1e-3, size=(5, len(true)))
        alone = np.array([Newton(compiled, AS_COMPILED).run(start).flow_m3_s for start in starts])
        # both close energy to 1e-10 m: of the largest flow, for a run near rest has no figures of its own
        assert np.abs(_ends(compiled, true, starts) - alone).max() < 1e-7 * np.abs(alone).max()


def test_a_state_that_other_starts_lead_to_is_found_once_and_told_by_the_run_that_differs_most() -> None:
    # No network is known here that has two: told that another state is the known one, the true one is the other.
    plumbing = random_manifold(1, 7)
    true = solve_network(plumbing).flows_m3_s
    taken_for_known = {name: 0.5 * flow for name, flow in true.items()}
    (found,) = other_states(plumbing, taken_for_known)

    assert max(abs(found[name] - true[name]) for name in true) < 1e-8
    (told,) = state_notes(taken_for_known, [found])
    assert told.run == max(true, key=lambda name: abs(true[name]))


def test_a_plan_says_another_steady_state_of_its_plumbing(monkeypatch: pytest.MonkeyPatch) -> None:
    # taken that another start ends in half of all flows
    system, catalog = pipeline.read(EXAMPLES / "single-return.yaml")
    plan = pipeline.plan(system, catalog).plan
    verification = verify_plan(system, plan)
    assert with_other_states(system, plan, verification) == verification
    half = {run: 0.5 * flow for run, flow in verification.flows_m3_s.items()}
    monkeypatch.setattr("optimizer.verify.remarks.other_states", lambda *_: (half,))
    assert any("two steady states" in text for text in said(with_other_states(system, plan, verification).warnings))
