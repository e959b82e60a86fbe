"""Plans for a certainty, built by 300 simulated owners: losses drawn anew, valves trimmed on the solved network."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from optimizer import pipeline
from optimizer.hydraulics.posterior import draws_after
from optimizer.model.plan import planned_networks
from optimizer.verify.chance import trimmed_works

EXAMPLES = Path(__file__).parents[2] / "examples"
OWNERS, SEED = 300, 7_001  # other draws than those that plans are chosen and judged on


def share_that_works(name: str, certainty: float, time_limit_s: float) -> float:
    """Return the share of owners whose trimmed plumbing meets every target."""
    system, catalog = pipeline.read(EXAMPLES / f"{name}.yaml")
    asked = replace(system, rules=replace(system.rules, certainty=certainty))
    found = pipeline.search(asked, catalog, time_limit_s=time_limit_s)
    assert found.found
    report = pipeline.report(system, found, catalog)
    owners = draws_after((), system.network, OWNERS, SEED)
    works = trimmed_works(system, owners, planned_networks(system, found), report.verification.valves)
    return float(works.mean())


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "seconds"), [("single-return", 60.0), ("cellar-sump", 120.0), ("metric-unions", 120.0)]
)
def test_plans_at_90_percent_work_for_about_as_many_owners_and_plain_ones_for_fewer(name: str, seconds: float) -> None:
    assert 0.86 <= share_that_works(name, 0.9, seconds) <= 0.96
    # About half; more where what was bought in whole lengths leaves some head, as on the metric example (73 %).
    assert 0.4 <= share_that_works(name, 0.0, seconds) <= 0.8
