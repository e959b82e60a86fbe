"""What a plumber of such systems knows must come out of the search by itself."""

from __future__ import annotations

import pytest

from optimizer.hydraulics import solve_network
from optimizer.model.catalog import PIPES
from optimizer.model.plan import Status
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system
from optimizer.search.cheapest import find_plan
from optimizer.units import parse_flow
from optimizer.verify.check import verify_plan


@pytest.mark.long
def test_a_1200_gallon_nameplate_gives_580_and_the_next_pipe_size_gives_700() -> None:
    # Common practice, no source. The plumbing: 3/4 in., five elbows, two ball valves, 1.4 m of lift, a pump of 3.6 m
    # shut-off head whose zero-head flow is 1210 gal/h: that is the shipped example.
    catalog = load_catalog()
    system = load_system(data_directory("examples") / "single-return.yaml", catalog)
    (pump,) = system.network.pumps.values()

    now = solve_network(system.network).flows_m3_s["return line"]
    plan = find_plan(system, catalog).plan
    checked = verify_plan(system, plan)

    assert pump.curve[-1][0] > parse_flow("1200 gal/h", None)
    assert now == pytest.approx(parse_flow("580 gal/h", None), rel=0.05)
    assert plan.status is Status.OPTIMAL
    assert checked.passed
    assert checked.demands[0].after_m3_s >= parse_flow("700 gal/h", None)
    bought = {
        purchase.item.ends[0].size
        for purchase in plan.runs["return line"].purchases
        if purchase.item.kind in PIPES and purchase.length_m > 0.1  # shorter ones are stubs between two fittings
    }
    assert bought == {"1 in"}
