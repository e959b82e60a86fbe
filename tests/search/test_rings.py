"""Loops, where water may run either way: what stands there counts, however much it would lose at more flow."""

from __future__ import annotations

import pytest
from unknown_systems import catalog, ring

from optimizer.hydraulics import solve_network
from optimizer.model.plan import Status
from optimizer.search.flow_case import material_of, prepare
from optimizer.search.unknown_flows import find_unknown


def test_nothing_is_bought_for_what_a_ring_gives_as_it_stands() -> None:
    flows = solve_network(ring("  left: any").network).flows_m3_s
    least = (3.6e6 * 0.95 * flows[run] for run in ("left", "right"))
    system = ring("  left: at least {:.0f} L/h\n  right: at least {:.0f} L/h".format(*least))

    plan = find_unknown(system, catalog()).plan

    assert plan.status is Status.OPTIMAL
    assert plan.material_cents == 0


def test_every_run_of_a_ring_may_stay_as_it_is() -> None:
    prepared = prepare(material_of(ring("  left: at least 1000 L/h\n  right: at least 1000 L/h"), catalog()))

    assert prepared is not None
    assert all(min(way.alternative.cents for way in ways) == 0 for ways in prepared.case.ways.values())


def test_what_goes_into_a_ring_is_at_least_what_must_come_out() -> None:
    prepared = prepare(material_of(ring("  left: at least 1000 L/h\n  right: at least 1100 L/h"), catalog()))

    assert prepared is not None
    low, _ = prepared.case.ranges["riser", 0]
    assert 3.6e6 * low == pytest.approx(2100, rel=1e-6)
