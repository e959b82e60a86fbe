"""Where flows are not known beforehand: the cheapest plan that floods in any setting is refused, the next one taken."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from said import said, worded
from small_aquaria import aquarium, catalog, siphon, upright

from optimizer import pipeline
from optimizer.model.catalog import THROTTLES
from optimizer.model.checks import AS_IT_IS
from optimizer.model.network import Leg, Point, PointKind, RunEnd, Tee
from optimizer.model.plan import Plan, Status, Verification
from optimizer.model.safety import SafetyCheck, Verdict
from optimizer.model.system import Setting, System, Target
from optimizer.model.tanks import Tank
from optimizer.search.unknown_flows import find_unknown
from optimizer.verify.check import verify_plan
from optimizer.verify.drain_back import FREEBOARD
from optimizer.verify.safety import safety_today

DISPLAY = Tank("display", 0.72, 0.30, rim_m=0.03, opening_depth_m=0.025, start_volume_m3=0.004)
SUMP = Tank("sump", free_volume_m3=0.060, reserve_m3=0.015)
DRAINS = (siphon("1-1/2 in"), upright("2 in", 0.03))
HUNGRY = 4.9e-4  # m3/s: more than the 3/4 in line gives, so pipe has to grow
NIGHT = Setting("night", {"return": 0.8}, (Target("return line", 1e-4),))
DAY = Setting("day", {"return": 1.0}, (Target("return line", HUNGRY),))


def run_twice(*settings: Setting, free_volume_m3: float = 0.060, valve: bool = False, **changes: object) -> System:
    """Return an aquarium that is run in these settings, its return without a valve unless asked for."""
    tanks = (DISPLAY, replace(SUMP, free_volume_m3=free_volume_m3))
    system = aquarium(HUNGRY, tanks=tanks, drains=DRAINS, sizes=("3/4 in", "1 in", "1-1/4 in"))
    run = system.network.runs["return line"]
    parts = tuple(part for part in run.parts if valve or part.kind not in THROTTLES)
    network = system.network.with_runs({"return line": replace(run, parts=parts)})
    return replace(system, network=network, targets=(), settings=settings, **changes)  # type: ignore[arg-type]


def back(verification: Verification) -> list[SafetyCheck]:
    assert verification.safety is not None
    return [check for check in verification.safety.checks if "drain-back" in worded(check.title)]


@cache
def flooding(
    valve: bool = False, day_first: bool = False, low_m3_s: float = HUNGRY, less_m3: float = 0.0001
) -> tuple[Plan, System]:
    """Return the cheapest plan of all, and the system with a sump that is a little too small for it."""
    day = replace(DAY, targets=(Target("return line", low_m3_s),))
    order = (day, NIGHT) if day_first else (NIGHT, day)
    plan = find_unknown(run_twice(*order, valve=valve), catalog()).plan
    most = max(check.after or 0.0 for check in back(verify_plan(run_twice(*order, valve=valve), plan)))
    return plan, run_twice(*order, valve=valve, free_volume_m3=most * FREEBOARD - less_m3)


@cache
def next_one(day_first: bool = False) -> Plan:
    """Return the plan that is taken where the cheapest floods."""
    return pipeline.search(flooding(day_first=day_first)[1], catalog())


def refused(plan: Plan) -> list[str]:
    return [note for note in said(plan.notes) if "refused" in note]


@pytest.mark.long
@pytest.mark.parametrize("day_first", [False, pytest.param(True, marks=pytest.mark.slow)])
def test_with_unknown_flows_the_cheapest_plan_that_floods_is_refused_and_the_next_one_taken_with_the_reason(
    day_first: bool,
) -> None:
    cheapest, tight = flooding(day_first=day_first)
    plan = next_one(day_first)

    assert plan.status is Status.OPTIMAL
    assert (plan.material_cents or 0) > (cheapest.material_cents or 0)
    assert plan.bound_cents == plan.material_cents
    (note,) = refused(plan)
    assert f"parts for ${(cheapest.cost_cents or 0) / 100:.2f}" in note
    assert "sump runs over" in note
    assert verify_plan(tight, plan).passed
    assert not verify_plan(tight, cheapest).passed


@pytest.mark.long
def test_a_plan_that_floods_in_the_second_setting_only_is_refused_and_the_setting_named() -> None:
    cheapest, tight = flooding()
    unsafe = verify_plan(tight, cheapest)
    plan = next_one()

    assert not unsafe.passed
    assert [check.verdict for check in back(unsafe)] == [Verdict.SAFE, Verdict.UNSAFE]
    assert all("mode 'day'" in text for text in said(unsafe.failures))
    assert plan.status is Status.OPTIMAL
    assert (plan.material_cents or 0) > (cheapest.material_cents or 0)
    assert any("mode 'day'" in note for note in refused(plan))
    assert verify_plan(tight, plan).passed


@pytest.mark.slow
def test_with_a_valve_the_next_plan_keeps_to_the_sump_as_well() -> None:
    cheapest, tight = flooding(valve=True, low_m3_s=4.7e-4, less_m3=0.00005)
    plan = pipeline.search(tight, catalog())

    assert plan.status is Status.OPTIMAL
    assert (plan.material_cents or 0) > (cheapest.material_cents or 0)
    assert refused(plan)
    assert verify_plan(tight, plan).passed


@pytest.mark.slow
def test_with_a_valve_the_sump_that_is_too_small_for_the_plan_that_holds_least_is_so_for_all() -> None:
    # as with one setting, where the flows are known: no plan holds much less water than the cheapest one
    _, tight = flooding(valve=True, less_m3=0.001)
    plan = pipeline.search(tight, catalog())

    assert plan.status is Status.INFEASIBLE
    assert "sump runs over" in said(plan.reasons)[0]


@pytest.mark.long
def test_where_every_plan_floods_there_is_none_and_the_reason_says_so() -> None:
    _, tight = flooding()
    hopeless = run_twice(DAY, NIGHT, free_volume_m3=(tight.tanks[1].free_volume_m3 or 0.0) - 0.015)
    plan = pipeline.search(hopeless, catalog())

    assert plan.status is Status.INFEASIBLE
    assert "sump runs over" in said(plan.reasons)[0]
    assert "more room in the sump" in " ".join(said(plan.reasons))


def test_a_valve_is_set_so_that_the_emergency_drain_takes_the_flow_of_every_setting() -> None:
    # wide open the line gives more by day than the emergency drain takes; the target has no upper end
    easy = Setting("day", {"return": 1.0}, (Target("return line", 1e-4),))
    system = run_twice(NIGHT, easy, valve=True, drains=(siphon("1-1/2 in"), upright("1 in", 0.02)))
    plan = pipeline.search(system, catalog())
    checked = verify_plan(system, plan)

    assert plan.material_cents == 0
    assert checked.passed
    assert refused(plan) == []
    assert any(0.0 < valve.opening < 1.0 for valve in checked.valves)
    drains = [
        check for check in (checked.safety.checks if checked.safety else ()) if "emergency" in worded(check.title)
    ]
    assert [check.verdict for check in drains] == [Verdict.SAFE, Verdict.SAFE]


@pytest.mark.long
def test_a_line_that_floods_without_a_valve_gets_one_that_holds_the_water_back() -> None:
    # wide open 0.44 L/s flow and the emergency drain takes 0.35 L/s; 0.10 L/s are wanted
    wanted = Setting("day", {"return": 1.0}, (Target("return line", 1e-4),))
    drains = (siphon("1-1/2 in"), upright("1-1/4 in", 0.02))
    system = run_twice(wanted, drains=drains)
    plan = pipeline.search(system, catalog())
    checked = verify_plan(system, plan)

    assert plan.status is Status.OPTIMAL
    assert (plan.material_cents or 0) > 0
    assert checked.passed
    assert any(0.0 < valve.opening < 1.0 for valve in checked.valves)
    accepting = replace(system, rules=replace(system.rules, accepted=AS_IT_IS))
    assert pipeline.search(accepting, catalog()).material_cents == 0


def test_today_every_setting_is_looked_at_and_the_one_that_is_unsafe_named() -> None:
    emergency = upright("1-1/4 in", 0.02)  # 0.35 L/s; by night 0.30 L/s flow, by day 0.44 L/s
    report = safety_today(run_twice(NIGHT, DAY, drains=(siphon("1-1/2 in"), emergency)))

    assert [text for text in said(report.today) if "emergency" in text]
    assert all("mode 'day'" in text for text in said(report.today))


def test_a_pump_that_is_off_in_a_setting_does_not_run_against_a_shut_line() -> None:
    off = Setting("holiday", {"return": 0.0}, ())
    report = safety_today(run_twice(NIGHT, off))

    assert not any("heats the water" in text for text in said(report.today))


def test_what_is_the_same_in_all_settings_is_said_once() -> None:
    titles = [worded(check.title) for check in safety_today(run_twice(NIGHT, DAY)).checks]

    assert sum("pressure" in title for title in titles) == 1
    assert sum("drain-back" in title for title in titles) == 2
    assert len(set(titles)) == len(titles)


def two_tanks(free_volume_m3: float, most_m3_s: float = 4.0e-4) -> System:
    """Return an aquarium that feeds a second tank too, through a valve, over one sump."""
    system = aquarium(sizes=("3/4 in", "1 in"))
    line = system.network.runs["return line"]
    bare = tuple(part for part in line.parts if part.kind not in THROTTLES)
    valve = tuple(part for part in line.parts if part.kind in THROTTLES)
    points = {
        **system.network.points,
        "second": Point("second", PointKind.SURFACE, 1.0, 1.0),
        "split": Point("split", PointKind.TEE),
    }
    runs = {
        "riser": replace(line, name="riser", parts=bare[:2], end=RunEnd("split", Leg.RUN_1)),
        "first line": replace(line, name="first line", parts=bare[2:], start=RunEnd("split", Leg.RUN_2)),
        "second line": replace(
            line,
            name="second line",
            parts=(bare[1], *valve, bare[1]),
            start=RunEnd("split", Leg.BRANCH),
            end=RunEnd("second"),
        ),
    }
    network = replace(system.network, points=points, runs=runs, tees={"split": Tee("split", None)})
    tanks = (DISPLAY, replace(DISPLAY, name="second"), replace(SUMP, free_volume_m3=free_volume_m3))
    wanted = (Target("first line", 1.5e-4), Target("second line", 1e-5, most_m3_s))
    return replace(system, network=network, targets=wanted, tanks=tanks)


@pytest.mark.long
def test_of_two_tanks_the_sum_of_what_runs_back_is_kept_to_by_the_valve() -> None:
    easy = two_tanks(1.0)
    free = find_unknown(easy, catalog()).plan
    wide = back(verify_plan(easy, free))[0].after or 0.0
    tight = two_tanks(0.985 * wide * FREEBOARD)
    plan = pipeline.search(tight, catalog())
    checked = verify_plan(tight, plan)

    assert plan.status is Status.OPTIMAL
    assert plan.material_cents == plan.cost_cents == free.cost_cents
    assert checked.passed
    assert (back(checked)[0].after or 0.0) <= 0.985 * wide * (1 + 2e-5)
    assert any(0.0 < valve.opening < 1.0 for valve in checked.valves)


@pytest.mark.long
def test_what_is_unsafe_today_is_mended_where_that_costs_nothing() -> None:
    today = back_today(two_tanks(1.0))
    tight = two_tanks(0.99 * today * FREEBOARD)
    plan = pipeline.search(tight, catalog())
    report = verify_plan(tight, plan).safety

    assert report is not None
    assert any("sump runs over" in text for text in said(report.today))
    assert plan.material_cents == find_unknown(two_tanks(1.0), catalog()).plan.cost_cents
    assert [check.verdict for check in report.checks if "drain-back" in worded(check.title)] == [Verdict.SAFE]


def back_today(system: System) -> float:
    return next(check.now or 0.0 for check in safety_today(system).checks if "drain-back" in worded(check.title))
