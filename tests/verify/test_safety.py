"""Drain-back, drains, restart, pressure: what is unsafe today is said, what the work makes unsafe is refused."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from said import said, worded
from small_aquaria import aquarium, catalog, part, siphon, upright

from optimizer import pipeline
from optimizer.errors import NoPlanError
from optimizer.hydraulics.weirs import weir_head_m
from optimizer.model.catalog import Kind
from optimizer.model.checks import AS_IT_IS, Check
from optimizer.model.network import Condition, Leg, Point, PointKind, RunEnd
from optimizer.model.plan import Status
from optimizer.model.safety import SafetyCheck, SafetyReport, Verdict
from optimizer.model.system import System
from optimizer.model.tanks import Tank
from optimizer.read.places import data_directory
from optimizer.search.cheapest import find_plan
from optimizer.search.engine import solve
from optimizer.search.question import Question
from optimizer.search.studies.frontier import frontier
from optimizer.search.watch import Watch
from optimizer.verify.check import verify_plan
from optimizer.verify.drain_back import FREEBOARD, PIPE, drain_back
from optimizer.verify.safety import running, safety_today
from optimizer.verify.shut_off import shut_off_pressures_pa

DISPLAY = Tank("display", 0.72, 0.30, rim_m=0.03, opening_depth_m=0.025, start_volume_m3=0.004)
SUMP = Tank("sump", free_volume_m3=0.060, reserve_m3=0.015)
DRAINS = (siphon("1-1/2 in"), upright("2 in", 0.03))


def check_of(report: SafetyReport | None, words: str) -> SafetyCheck:
    assert report is not None
    return next(check for check in report.checks if words in worded(check.title))


def test_drain_back_agrees_with_a_hand_calculation() -> None:
    # 1.2 x 0.6 m of tank, 1200 L/h over 0.3 m of edge, the outlet 25 mm under it, 3 m of 3/4 in pipe of 20.57 mm bore
    # and no fitting: h = (3.333e-4 / (1.66 x 0.3))^(2/3) = 7.651 mm; 720 L/m x (7.651 + 25) mm = 23.51 L; pipe 0.997 L.
    system = aquarium(tanks=(DISPLAY, SUMP))
    run = replace(
        system.network.runs["return line"],
        parts=(system.network.runs["return line"].parts[0], part(Kind.PIPE, "3/4 in", 3.0)),
    )
    found = drain_back(system.network.with_runs({"return line": run}), {"return line": 1.2 / 3600}, system.tanks, ())

    assert said(found.missing) == ()
    assert found.volumes_m3["tank 'display'"] == pytest.approx(0.02351, rel=1e-3)
    assert found.volumes_m3["pipe and fittings"] == pytest.approx(0.000997, rel=1e-3)
    assert found.total_m3 == pytest.approx(0.02451, rel=1e-3)


def test_a_siphon_break_counts_at_its_own_depth() -> None:
    system = aquarium()
    deep = Tank("display", 0.72, 0.30, opening_depth_m=0.2)
    found = [drain_back(system.network, {}, (tank,), ()) for tank in (deep, replace(deep, break_depth_m=0.01))]

    assert found[0].total_m3 - found[1].total_m3 == pytest.approx(0.72 * 0.19)


def test_a_check_valve_is_not_counted_on() -> None:
    system = aquarium(tanks=(DISPLAY, SUMP))
    run = system.network.runs["return line"]
    valve = part(Kind.SWING_CHECK_VALVE, "3/4 in")
    with_valve = system.network.with_runs({"return line": replace(run, parts=(*run.parts[:2], valve, *run.parts[2:]))})
    flows = {"return line": 2e-4}

    assert drain_back(with_valve, flows, system.tanks, ()).total_m3 >= (
        drain_back(system.network, flows, system.tanks, ()).total_m3
    )


def test_the_drains_that_work_empty_as_well_and_the_dry_one_does_not() -> None:
    system = aquarium(tanks=(DISPLAY, SUMP))
    found = drain_back(system.network, {}, system.tanks, (upright("2 in", 0.03), siphon("1 in")))
    bore_m = part(Kind.PIPE, "1 in", 1.0).end_bores_m[0]

    assert found.volumes_m3["drains"] > math.pi / 4 * bore_m**2 * 0.9  # its 0.9 m of pipe and its fittings
    assert found.volumes_m3["drains"] < 1.5 * math.pi / 4 * bore_m**2 * 0.9


def test_what_is_not_stated_is_reported_and_never_taken_as_safe() -> None:
    report = safety_today(aquarium())

    assert check_of(report, "drain-back").verdict is Verdict.UNCHECKED
    assert any("'free volume'" in text for text in said(report.unchecked))
    assert any("'area' of tank 'display'" in text for text in said(report.unchecked))
    assert any("emergency" in text for text in said(report.unchecked))
    assert any("'pump reserve'" in text for text in said(report.unchecked))


def test_what_is_known_may_be_too_much_although_more_is_not_stated() -> None:
    small = aquarium(tanks=(DISPLAY, replace(SUMP, free_volume_m3=0.001)))
    run = small.network.runs["return line"]
    from optimizer.model.network import Device

    device = Device("uv", ((2e-4, 0.1),), run.parts[0].ends)  # type: ignore[arg-type]
    fitted = replace(run.parts[0], kind=Kind.DEVICE, name="uv")
    network = replace(
        small.network.with_runs({"return line": replace(run, parts=(*run.parts, fitted))}), devices={"uv": device}
    )
    report = safety_today(replace(small, network=network))

    assert check_of(report, "drain-back").verdict is Verdict.UNSAFE
    assert any("sump runs over" in text for text in said(report.today))


def test_a_sump_with_exactly_the_usual_freeboard_is_safe_and_one_with_less_is_not() -> None:
    system = aquarium(tanks=(DISPLAY, SUMP))
    back_m3 = drain_back(system.network, running(system.network).flows_m3_s, system.tanks, ()).total_m3

    def verdict(free_m3: float) -> Verdict:
        tanks = (DISPLAY, replace(SUMP, free_volume_m3=free_m3))
        return check_of(safety_today(replace(system, tanks=tanks)), "drain-back").verdict

    assert verdict(back_m3 * FREEBOARD * 1.0001) is Verdict.SAFE
    assert verdict(back_m3 * FREEBOARD * 0.9999) is Verdict.UNSAFE


def test_the_rim_must_stand_above_the_water_over_the_edge() -> None:
    system = aquarium(tanks=(DISPLAY, SUMP))
    flow = running(system.network).flows_m3_s["return line"]
    low = replace(DISPLAY, rim_m=0.9 * weir_head_m(0.30, flow))

    assert check_of(safety_today(system), "freeboard").verdict is Verdict.SAFE
    assert check_of(safety_today(replace(system, tanks=(low, SUMP))), "freeboard").verdict is Verdict.UNSAFE


def test_outlets_above_the_only_tank_fill_it_too() -> None:
    from optimizer.verify.drain_back import inflow_m3_s

    system, _ = pipeline.read(data_directory("examples") / "metric-unions.yaml")
    flows = {"left outlet": 6e-4, "spray line": 3e-4, "chiller line": 5e-4}
    (display,) = (tank for tank in system.tanks if tank.name == "display")

    assert inflow_m3_s(system.network, flows, display) == pytest.approx(9e-4)


def test_the_pump_may_not_empty_the_sump_before_the_drains_pull() -> None:
    system = aquarium(tanks=(DISPLAY, replace(SUMP, reserve_m3=0.003)))

    assert any("sucks air" in text for text in said(safety_today(system).today))


def test_pressure_is_that_of_the_shut_off_head_at_the_lowest_point() -> None:
    # 4 m of fresh water at 20 °C: 998.2 kg/m3 x 9.80665 x 4 = 39.16 kPa (density: CRC Handbook, from memory).
    assert max(shut_off_pressures_pa(aquarium().network).values()) == pytest.approx(39_160, rel=1e-3)


def test_a_part_that_the_pump_could_burst_is_named() -> None:
    system = aquarium()
    run = system.network.runs["return line"]
    item = replace(run.parts[1].item, pressure_rating_pa=30_000.0)  # type: ignore[type-var]
    weak = replace(run, parts=(run.parts[0], replace(run.parts[1], item=item), *run.parts[2:]))
    report = safety_today(replace(system, network=system.network.with_runs({"return line": weak})))

    assert any("may burst" in text for text in said(report.today))


def test_a_pump_behind_house_water_adds_its_head_to_it() -> None:
    # 30 m from the main and 4 m from the pump, at the lowest point, of fresh water: 998.2 x 9.80665 x 34 = 332.8 kPa.
    network = aquarium().network
    main = Point("main", PointKind.SUPPLY, 30.0, 0.0)
    middle = Point("middle", PointKind.TEE)
    line = network.runs["return line"]
    runs = {
        "feed": replace(
            line, name="feed", parts=line.parts[1:2], start=RunEnd("main"), end=RunEnd("middle", Leg.RUN_1)
        ),
        "return line": replace(line, start=RunEnd("middle", Leg.RUN_2)),
    }
    points = {"main": main, "middle": middle, "display": network.points["display"]}

    found = shut_off_pressures_pa(replace(network, points=points, runs=runs))

    assert found == pytest.approx(dict.fromkeys(runs, 332_800), rel=1e-3)


def test_a_pump_that_could_burst_what_must_stay_is_none_for_this_plumbing_and_what_may_go_goes() -> None:
    from optimizer.search.pressure import with_pump_borne

    system = aquarium()
    line = system.network.runs["return line"]
    item = replace(line.parts[1].item, pressure_rating_pa=50_000.0)  # type: ignore[type-var]
    tall = replace(system.network.pumps["return"], curve=((0.0, 11.0), (3e-4, 8.0), (6e-4, 0.0)))

    def with_part(condition: Condition) -> tuple[System, System]:
        weak = replace(line.parts[1], item=item, condition=condition)
        network = system.network.with_runs({"return line": replace(line, parts=(line.parts[0], weak, *line.parts[2:]))})
        today = replace(system, network=network)
        return today, replace(today, network=replace(network, pumps={"return": tall}))

    assert with_pump_borne(*with_part(Condition.KEEP)) is None
    borne = with_pump_borne(*with_part(Condition.MAY_CHANGE))
    assert borne is not None
    assert borne.network.runs["return line"].parts[1].condition is Condition.MUST_GO
    today, _ = with_part(Condition.KEEP)
    assert with_pump_borne(today, today) is today


def test_what_the_pump_could_burst_today_is_replaced_or_accepted_and_where_it_must_stay_there_is_no_plan() -> None:
    # 39 kPa with everything shut, as above; one pipe bears 30
    system = aquarium()
    line = system.network.runs["return line"]
    item = replace(line.parts[1].item, pressure_rating_pa=30_000.0, item_id="weak pipe")  # type: ignore[type-var]

    def with_part(condition: Condition, **rules: object) -> System:
        weak = replace(line.parts[1], item=item, condition=condition)
        network = system.network.with_runs({"return line": replace(line, parts=(line.parts[0], weak, *line.parts[2:]))})
        return replace(system, network=network, rules=replace(system.rules, **rules))  # type: ignore[arg-type]

    plan = pipeline.search(with_part(Condition.MAY_CHANGE), catalog())
    assert plan.status is Status.OPTIMAL
    assert (plan.material_cents or 0) > 0
    assert verify_plan(with_part(Condition.MAY_CHANGE), plan).passed
    accepted = with_part(Condition.KEEP, accepted=(Check.PRESSURE,))
    assert pipeline.search(accepted, catalog()).material_cents == 0
    none = pipeline.search(with_part(Condition.KEEP), catalog())
    assert none.status is Status.INFEASIBLE
    assert "burst" in said(none.reasons)[0]


def test_house_water_that_runs_into_the_open_is_remarked_on() -> None:
    system = aquarium()
    points = {**system.network.points, "sump": Point("sump", PointKind.SUPPLY, 30.0, 0.0)}
    line = system.network.runs["return line"]
    house = replace(
        system.network.with_runs({"return line": replace(line, parts=line.parts[1:])}), points=points, pumps={}
    )

    assert any("until someone shuts it" in text for text in said(safety_today(replace(system, network=house)).warnings))
    assert not any("until someone shuts it" in text for text in said(safety_today(system).warnings))


def test_a_pump_against_a_shut_line_is_unsafe() -> None:
    system = aquarium()
    run = system.network.runs["return line"]
    shut = tuple(replace(p, opening=0.0) if p.kind is Kind.BALL_VALVE else p for p in run.parts)
    network = system.network.with_runs({"return line": replace(run, parts=shut)})

    assert any("heats the water" in text for text in said(safety_today(replace(system, network=network)).today))


def test_drains_without_an_emergency_one_are_remarked_on() -> None:
    report = safety_today(aquarium(tanks=(DISPLAY, SUMP), drains=(siphon("1-1/2 in"),)))

    assert any("no emergency drain" in text for text in said(report.warnings))


# --- plans -----------------------------------------------------------------------------------------------------------

HUNGRY = 4.6e-4  # m3/s: more than the 3/4 in line gives, so pipe has to grow; the cheapest plan holds least water
HUNGRIER = 4.75e-4  # m3/s: here plans that cost more hold less water


def hungry(
    free_volume_m3: float = 0.060, drains: tuple[object, ...] = DRAINS, low_m3_s: float = HUNGRY, **changes: object
) -> System:
    tanks = (DISPLAY, replace(SUMP, free_volume_m3=free_volume_m3))
    system = aquarium(low_m3_s, tanks=tanks, drains=drains, sizes=("3/4 in", "1 in", "1-1/4 in"))  # type: ignore[arg-type]
    return replace(system, **changes)  # type: ignore[arg-type]


def drain_back_after(system: System) -> tuple[int | None, float]:
    plan = find_plan(system, catalog()).plan
    found = check_of(verify_plan(system, plan).safety, "drain-back").after
    assert found is not None
    return plan.material_cents, found


def room_for(low_m3_s: float, pipe_m3: float) -> System:
    """Return the aquarium whose sump takes what runs back if pipe and fittings hold no more than this."""
    system = hungry(low_m3_s=low_m3_s)
    back = drain_back(system.network, {"return line": low_m3_s}, system.tanks, system.drains)
    return hungry((back.total_m3 - back.volumes_m3[PIPE] + pipe_m3) * FREEBOARD, low_m3_s=low_m3_s)


@pytest.mark.long
def test_the_cheapest_plan_that_floods_is_refused_and_the_next_one_taken_with_the_reason() -> None:
    cheapest_cents, _ = drain_back_after(hungry(low_m3_s=HUNGRIER))
    tight = room_for(HUNGRIER, 0.0027)
    plan = solve(Question(tight, catalog(), Watch.of(60.0))).plan

    assert plan.status is Status.OPTIMAL
    assert plan.material_cents is not None
    assert cheapest_cents is not None
    assert plan.material_cents > cheapest_cents
    assert any("refused" in note and "sump runs over" in note for note in said(plan.notes))
    verification = verify_plan(tight, plan)
    assert verification.passed
    assert check_of(verification.safety, "drain-back").verdict is Verdict.SAFE


@pytest.mark.long
def test_the_smaller_the_sump_the_dearer_the_plan_until_there_is_none() -> None:
    free_cents, _ = drain_back_after(hungry(low_m3_s=HUNGRIER))
    tight = room_for(HUNGRIER, 0.0027)
    plan = solve(Question(tight, catalog(), Watch.of(60.0))).plan
    assert plan.status is Status.OPTIMAL
    assert plan.bound_cents == plan.material_cents
    assert verify_plan(tight, plan).passed
    assert free_cents is not None
    assert plan.material_cents is not None
    assert plan.material_cents > free_cents
    answer = solve(Question(room_for(HUNGRIER, 0.00265), catalog(), Watch.of(60.0)))
    assert answer.status is Status.INFEASIBLE
    assert "more room in the sump" in said(answer.reasons)[1]


@pytest.mark.long
def test_where_no_plan_holds_less_water_than_the_cheapest_the_sump_that_is_too_small_for_it_is_for_all() -> None:
    # by hand: 0.507 m of head is left for 5 m of pipe; 1 in. in 2.6 m of it loses that, and no way in eighths of the
    # pipes needs less; 1-1/4 in. in a shorter part holds more, for loss goes with d^-5 and water with d^2
    cheapest = solve(Question(room_for(HUNGRY, 0.0023), catalog(), Watch.of(60.0)))
    answer = solve(Question(room_for(HUNGRY, 0.00228), catalog(), Watch.of(60.0)))

    assert cheapest.cents == drain_back_after(hungry())[0]
    assert answer.status is Status.INFEASIBLE
    assert "sump runs over" in said(answer.reasons)[0]


def test_a_plan_that_floods_does_not_stand_its_check() -> None:
    _, back_m3 = drain_back_after(hungry())
    tight = hungry(back_m3 * FREEBOARD - 0.0001)
    verification = verify_plan(tight, find_plan(tight, catalog()).plan)

    assert not verification.passed
    assert any("sump runs over" in text for text in said(verification.failures))


def test_no_plan_is_offered_when_the_emergency_drain_can_not_take_the_least_flow() -> None:
    system = hungry(drains=(siphon("1-1/2 in"), upright("1 in", 0.01)))

    with pytest.raises(
        NoPlanError, match="the targets alone ask for more water into 'display' than its emergency drain"
    ):
        pipeline.plan(system, catalog())


def test_what_is_unsafe_already_and_no_plan_mends_is_no_plan() -> None:
    system = aquarium(1e-5, 2e-4, tanks=(DISPLAY, replace(SUMP, free_volume_m3=0.010)), drains=DRAINS)

    with pytest.raises(NoPlanError, match=r"the sump runs over; .*; only `accept: drain-back`") as found:
        pipeline.plan(system, catalog())
    assert found.value.proved


@pytest.mark.parametrize("accepted", [AS_IT_IS, (Check.DRAIN_BACK,)])
def test_a_fault_that_the_owner_accepts_is_said_first_and_forbids_nothing_that_does_not_worsen_it(
    accepted: tuple[Check, ...],
) -> None:
    unsafe = aquarium(1e-5, 2e-4, tanks=(DISPLAY, replace(SUMP, free_volume_m3=0.010)), drains=DRAINS)
    system = replace(unsafe, rules=replace(unsafe.rules, accepted=accepted))
    report = pipeline.plan(system, catalog())
    safety = report.verification.safety

    assert safety is not None
    assert any("sump runs over" in text for text in said(safety.today))
    assert said(safety.failures) == ()
    assert check_of(safety, "drain-back").verdict is Verdict.UNSAFE


def test_accepting_one_fault_does_not_accept_another() -> None:
    unsafe = aquarium(1e-5, 2e-4, tanks=(DISPLAY, replace(SUMP, free_volume_m3=0.010)), drains=DRAINS)
    system = replace(unsafe, rules=replace(unsafe.rules, accepted=(Check.FREEBOARD, Check.PUMP_RESERVE)))

    with pytest.raises(NoPlanError, match="sump runs over"):
        pipeline.plan(system, catalog())


@pytest.mark.long
def test_what_the_owner_accepts_may_stay_but_no_plan_may_make_it_worse() -> None:
    # more pipe holds more water: the sump that is too small as it is may not have to take that as well
    tight = hungry(0.010, low_m3_s=HUNGRIER)
    system = replace(tight, rules=replace(tight.rules, accepted=AS_IT_IS))

    with pytest.raises(NoPlanError, match=r"sump runs over[^(]*;"):
        pipeline.plan(system, catalog())


def test_valves_are_set_so_that_the_emergency_drain_takes_the_flow() -> None:
    # Wide open the line would give more than the emergency drain takes; the target has no upper end.
    emergency = upright("1 in", 0.02)
    system = aquarium(1e-4, tanks=(DISPLAY, SUMP), drains=(siphon("1-1/2 in"), emergency))
    free = verify_plan(replace(system, drains=()), find_plan(system, catalog()).plan)
    held = verify_plan(system, find_plan(system, catalog()).plan)
    carried = check_of(held.safety, "emergency").limit

    assert carried is not None
    assert free.flows_m3_s["return line"] > carried
    assert held.flows_m3_s["return line"] <= carried * (1 + 1e-5)
    assert held.passed


@pytest.mark.parametrize("name", ["cellar-sump", "metric-unions"])
def test_the_examples_are_checked_in_full_and_safe(name: str) -> None:
    system, _ = pipeline.read(data_directory("examples") / f"{name}.yaml")
    report = safety_today(system)

    assert said(report.today) == ()
    assert said(report.unchecked) == ()


@pytest.mark.slow
def test_no_efficient_plan_that_floods_stands_on_the_frontier() -> None:
    _, back_m3 = drain_back_after(hungry())
    tight = hungry(back_m3 * FREEBOARD - 0.0001)
    dry = frontier(tight, catalog(), Watch.of(60.0)).plans

    assert len(dry) < len(frontier(hungry(), catalog(), Watch.of(60.0)).plans)
    assert dry
    for step in dry:
        if step.meets_targets:
            assert check_of(verify_plan(tight, step.plan).safety, "drain-back").verdict is Verdict.SAFE


def test_flows_of_an_unsafe_system_begin_with_what_is_unsafe() -> None:
    from optimizer.documents.flows_text import flow_blocks

    system = aquarium(tanks=(DISPLAY, replace(SUMP, free_volume_m3=0.010)), drains=DRAINS)

    assert "Unsafe today" in str(flow_blocks(system, pipeline.flows(system))[0])
