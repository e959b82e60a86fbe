"""A plan comes before any proof: what stands, what loses least, and what its flows suggest are tried at once."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest
from unknown_systems import branches, branches_and_gravity, branches_beside_a_loop, catalog, ring

from optimizer.clock import TimeIsUp
from optimizer.hydraulics import solve_network
from optimizer.model.plan import Status
from optimizer.model.system import System
from optimizer.search import flow_case, unknown_flows
from optimizer.search.flow_case import Material, Prepared, material_of, prepare, with_valves_at_outlets
from optimizer.search.flow_first import FirstPlans
from optimizer.search.flow_posing import built_network, cents_of, duties_of
from optimizer.search.unknown_flows import find_unknown
from optimizer.verify.allowance import Allowance
from optimizer.verify.openings import settle

SUM = "  left + right: at least 2300 L/h"


@pytest.mark.parametrize(
    ("make", "targets"),
    [
        (ring, "  left: at least 1300 L/h\n  right: at least 1100 L/h"),
        (branches, "  left: at least 1700 L/h"),
        (branches, SUM),
    ],
)
def test_plumbing_that_meets_every_target_is_the_plan_without_a_single_relaxation(
    make: Callable[[str], System], targets: str
) -> None:
    found = find_unknown(make(targets), catalog())

    assert found.rounds == 0
    assert found.plan.status is Status.OPTIMAL
    assert found.plan.material_cents == 0


@pytest.mark.parametrize(
    ("make", "targets"), [(ring, "  left: at least 1300 L/h\n  right: at least 1100 L/h"), (branches, SUM)]
)
def test_where_what_stands_serves_nothing_is_looked_up_of_what_may_be_bought(
    monkeypatch: pytest.MonkeyPatch, make: Callable[[str], System], targets: str
) -> None:
    def looked_up(*_: object, **__: object) -> None:
        raise AssertionError("choice graphs of all that is for sale were built")

    monkeypatch.setattr(flow_case, "options_of", looked_up)

    assert find_unknown(make(targets), catalog()).plan.material_cents == 0


@pytest.mark.parametrize(
    ("make", "left", "right"), [(ring, 1400.0, 1400.0), (branches, 900.0, 800.0), (branches, 700.0, 700.0)]
)
def test_where_valves_alone_make_the_split_the_first_plan_has_them_and_the_network_bears_it_out(
    make: Callable[[str], System], left: float, right: float
) -> None:
    targets = f"  left: {left:.0f} to {1.2 * left:.0f} L/h\n  right: {right:.0f} to {1.2 * right:.0f} L/h"
    prepared = prepare(material_of(make(targets), catalog(), lossy=False, slots=True))
    assert prepared is not None
    case = with_valves_at_outlets(prepared.material, prepared.case)
    first = FirstPlans(case, math.inf)
    first.search()

    assert first.best is not None
    assert first.settled is not None
    assert first.settled.met
    flows = first.settled.flows_m3_s[""]
    for name, least in (("left", left), ("right", right)):
        assert 1.0 - 1e-4 < 3.6e6 * flows[name] / least < 1.2 + 1e-4
    # with the valves open as much water comes, or more, as the pump gives against less
    opened = solve_network(built_network(case, first.best, 0)).flows_m3_s
    assert opened["left"] + opened["right"] >= (1.0 - 1e-6) * (flows["left"] + flows["right"])


@pytest.mark.parametrize(("more", "valved"), [("", False), ("\n  down: at most 500 L/h", True)])
def test_a_gravity_line_gets_a_valve_only_where_something_is_asked_of_it(more: str, valved: bool) -> None:
    targets = f"  left: 800 to 950 L/h\n  right: 700 to 800 L/h{more}"
    prepared = prepare(material_of(branches_and_gravity(targets), catalog(), lossy=False, slots=True))
    assert prepared is not None
    case = with_valves_at_outlets(prepared.material, prepared.case)

    assert all(way.valved for name in ("left", "right") for way in case.ways[name])
    assert all(way.valved for way in case.ways["down"]) is valved


def test_where_a_ring_misses_by_little_one_thing_is_changed_after_the_other_until_it_does_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    network = ring("  left: any").network
    fast = replace(network, pumps={name: replace(pump, speed=1.0) for name, pump in network.pumps.items()})
    most = solve_network(fast).flows_m3_s
    least = {"left": 1.03 * most["left"], "right": 0.9 * most["right"]}
    asked = ring("".join(f"  {run}: at least {3.6e6 * flow:.1f} L/h\n" for run, flow in least.items()))
    prepared = prepare(material_of(asked, catalog(), lossy=False, slots=False))
    assert prepared is not None
    monkeypatch.setattr(FirstPlans, "_roomiest", lambda *_, **__: None)

    first = FirstPlans(prepared.case, math.inf, walks=False)
    first.search()

    assert first.best is not None
    assert first.settled is not None
    flows = first.settled.flows_m3_s[""]
    assert all(flows[run] >= (1.0 - 1e-4) * flow for run, flow in least.items())
    assert cents_of(prepared.case, first.best) > 0


def test_a_tank_that_would_run_over_has_a_plan_before_ways_that_hold_less_are_looked_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    system = branches("  left: at least 500 L/h\n  right: at least 500 L/h")
    today = solve_network(system.network).flows_m3_s
    most_m3_s = 0.8 * today["left"]
    assert most_m3_s > 500.0 / 3.6e6

    tried: list[Material] = []  # what suggests itself first

    def in_time(material: Material) -> Prepared | None:
        if material.saves_water and tried:
            raise TimeIsUp
        tried.extend([] if material.saves_water else [material])
        return prepare(material)

    monkeypatch.setattr(unknown_flows, "prepare", in_time)
    held = (Allowance(system, {"left tank": most_m3_s}, None, True),)
    found = find_unknown(system, catalog(), allowances=held)

    assert found.plan.status is Status.FEASIBLE
    assert found.case is not None
    assert found.choice is not None
    settled = settle(duties_of(found.case, found.choice), found.case.conditions)
    assert settled is not None
    after = settled.flows_m3_s[""]
    assert after["left"] <= (1.0 + 1e-4) * most_m3_s
    assert min(after["left"], after["right"]) >= (1.0 - 1e-4) * 500.0 / 3.6e6


def test_a_first_plan_costs_no_less_than_the_proved_one_and_not_far_more() -> None:
    system = branches("  left: at least 700 L/h\n  right: at least 700 L/h")
    prepared = prepare(material_of(system, catalog()))
    assert prepared is not None
    first = FirstPlans(with_valves_at_outlets(prepared.material, prepared.case), math.inf)
    first.search()
    assert first.best is not None
    proved = find_unknown(system, catalog())
    assert proved.plan.status is Status.OPTIMAL
    best = proved.cents or 0
    assert best <= cents_of(first.case, first.best) <= 2 * best


def test_a_pump_of_its_own_that_has_enough_is_left_out_of_what_the_others_lack() -> None:
    # wider pipe gives the branches a tenth more; a tenth more in the loop would be past the end of its pump's curve
    system = branches_beside_a_loop("  left + right: at least 2800 L/h")
    prepared = prepare(material_of(system, catalog(), lossy=False, slots=False))
    assert prepared is not None
    first = FirstPlans(prepared.case, math.inf)
    first.search()

    assert first.best is not None
