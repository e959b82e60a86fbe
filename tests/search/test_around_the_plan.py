"""What is shown around the cheapest plan: the frontier, other ways to go about it, what each change buys."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from said import said, worded

from optimizer import pipeline
from optimizer.clock import TimeIsUp
from optimizer.documents.found import remarks
from optimizer.documents.search_text import kinds_blocks
from optimizer.documents.tables import plain_text
from optimizer.errors import PlanError
from optimizer.hydraulics import conditions_of
from optimizer.model.catalog import THROTTLES, Catalog
from optimizer.model.dial import POWER
from optimizer.model.note import note
from optimizer.model.plan import planned_network
from optimizer.model.system import System
from optimizer.program.merge import efficient_selections
from optimizer.program.solve import solve_sizing
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system
from optimizer.search.cheapest import Search, find_plan
from optimizer.search.engine import solve
from optimizer.search.posing import pose
from optimizer.search.question import Question
from optimizer.search.studies import kinds as kinds_module
from optimizer.search.studies.frontier import FrontierPlan, best_for_budget, frontier
from optimizer.search.studies.kinds import KindOfPlan, kinds_of_plan, with_one_that_works_often
from optimizer.search.studies.worth import Explanation, explain
from optimizer.search.watch import Watch
from optimizer.verify.check import verify_plan
from optimizer.verify.settings import PathLosses


@cache
def catalog() -> Catalog:
    return load_catalog()


def clock() -> Watch:
    return Watch.of(60.0)


@cache
def cellar() -> System:
    return load_system(data_directory("examples") / "cellar-sump.yaml", catalog())


@cache
def plans() -> tuple[FrontierPlan, ...]:
    return frontier(cellar(), catalog(), clock()).plans


@cache
def found() -> Search:
    return find_plan(cellar(), catalog())


@cache
def told() -> Explanation:
    return explain(load_system(data_directory("examples") / "single-return.yaml", catalog()), catalog(), clock())


def test_more_money_on_the_frontier_always_reaches_more() -> None:
    costs = [plan.plan.cost_cents for plan in plans()]
    reaches = [plan.reach for plan in plans()]

    assert len(plans()) > 5
    assert costs == sorted(costs)  # type: ignore[type-var]
    assert reaches == sorted(reaches)


def test_the_first_frontier_plan_that_meets_the_targets_is_the_cheapest_plan() -> None:
    first = next(plan for plan in plans() if plan.meets_targets)

    assert first.plan.material_cents == found().plan.material_cents


def test_merged_tables_hold_the_optimum_of_the_program_on_the_example() -> None:
    problem = pose(found().options, found().flows, found().duty.speed).problem
    head = max(path.head for path in problem.paths)

    assert next(s.cents for s in efficient_selections(problem) if s.need <= head) == solve_sizing(problem).cents


def test_a_budget_takes_the_best_plan_that_it_pays_for() -> None:
    middle = plans()[len(plans()) // 2]
    cost = middle.plan.cost_cents
    assert cost is not None

    assert best_for_budget(plans(), cost) is middle
    assert best_for_budget(plans(), cost - 1) is plans()[len(plans()) // 2 - 1]
    assert best_for_budget(plans(), 0) is None


def test_the_plan_with_the_fewest_cuts_has_no_more_cuts_and_costs_no_less_than_the_cheapest() -> None:
    kinds = {worded(kind.kind): kind for kind in kinds_of_plan(cellar(), catalog(), clock())}
    cheapest = kinds["the cheapest"].plan
    fewest = next(kind.plan for words, kind in kinds.items() if words.startswith("the fewest saw cuts"))  # or so found
    assert cheapest is not None
    assert fewest is not None

    assert fewest.cuts <= cheapest.cuts
    assert (fewest.material_cents or 0) >= (cheapest.material_cents or 0)
    assert kinds["nothing at all"].reach < 1


def test_leaving_out_a_change_loses_flow() -> None:
    worths = [worth.reach_without for worth in told().worths if worth.reach_without is not None]

    assert worths
    assert all(reach < told().reach for reach in worths)


def test_above_its_limit_price_the_plan_takes_fewer_of_a_part_and_just_below_it_does_not() -> None:
    system = load_system(data_directory("examples") / "single-return.yaml", catalog())
    limit = next(limit for limit in told().limits if limit.turns_at_cents is not None)
    assert limit.turns_at_cents is not None

    def bought_at(cents: int) -> int:
        dearer = replace(limit.item, price_cents=cents)
        prices = replace(catalog(), items={**catalog().items, limit.item.item_id: dearer})
        plan = solve(Question(system, prices, clock())).plan
        return sum(p.item.item_id == limit.item.item_id for run in plan.runs.values() for p in run.purchases)

    assert bought_at(limit.turns_at_cents - 1) == bought_at(limit.price_cents)
    assert bought_at(limit.turns_at_cents + 1) < bought_at(limit.price_cents)


def test_electricity_at_a_price_turns_the_pump_down_and_spends_on_pipe_instead() -> None:
    slow = replace(cellar().rules, electricity_cents_per_kwh=40.0, horizon_h=5 * 8766.0)

    plan = find_plan(replace(cellar(), rules=slow), catalog()).plan
    speed, usual = (p.pump_speeds["return"] for p in (plan, found().plan))

    assert speed < usual
    assert (plan.cost_cents or 0) > (found().plan.cost_cents or 0)
    planned = planned_network(cellar().network, plan)
    assert PathLosses(planned, found().flows, conditions_of(planned)).reach() >= 1


def test_a_stronger_pump_is_bought_only_where_the_rules_allow_it_and_pipe_alone_does_not_do() -> None:
    system = load_system(data_directory("examples") / "single-return.yaml", catalog())
    more = replace(system, targets=(replace(system.targets[0], low_m3_s=1.1e-3),))

    alone = find_plan(more, catalog()).plan
    with_pumps = find_plan(replace(more, rules=replace(more.rules, other_pumps=True)), catalog()).plan

    assert not alone.found
    assert with_pumps.found
    assert set(with_pumps.new_pumps) == {"return"}
    bought = [p.item for run in with_pumps.runs.values() for p in run.purchases]
    assert sum(item.item_id.startswith("pump-") for item in bought) == 1
    planned = planned_network(more.network, with_pumps)
    found_flows = find_plan(replace(more, rules=replace(more.rules, other_pumps=True)), catalog()).flows
    assert PathLosses(planned, found_flows, conditions_of(planned)).reach() == pytest.approx(1, abs=0.2)


def test_labour_at_a_rate_is_part_of_what_is_made_least() -> None:
    paid = find_plan(replace(cellar(), rules=replace(cellar().rules, labour_cents_per_hour=6000)), catalog()).plan

    assert paid.effort_cents > 0
    assert paid.minutes <= found().plan.minutes


def test_an_impossible_target_names_the_single_changes_that_free_it() -> None:
    system = load_system(data_directory("examples") / "single-return.yaml", catalog())
    more = replace(system, targets=(replace(system.targets[0], low_m3_s=1.1e-3),))

    ways = [
        reason
        for reason in said(pipeline.search(more, catalog()).reasons)
        if reason.startswith("what would make it possible")
    ]

    freed = [way for way in ways if "a pump of the catalogs (`other pumps: yes`)" in way]
    assert len(freed) == 1
    pumped = solve(Question(replace(more, rules=replace(more.rules, other_pumps=True)), catalog(), clock())).plan
    assert set(pumped.new_pumps) == {"return"}
    assert ways == freed


def slow() -> System:
    """Return the single line with its pump turned down by a dial that shows power, and no word on other speeds."""
    system = load_system(data_directory("examples") / "single-return.yaml", catalog())
    pump = replace(system.network.pumps["return"], speed=POWER.speed(0.2), speeds=(), dial=POWER)
    return replace(system, network=replace(system.network, pumps={"return": pump}))


def test_a_pump_that_is_turned_down_is_named_with_what_its_dial_shows_and_may_be_turned_up() -> None:
    # at 20 % of full power it runs at 0.2 to the third of full speed, 58 %: 0.34 of the head of 3.6 m at rest
    reasons = said(pipeline.search(slow(), catalog()).reasons)

    assert "pump 'return' at 20 % gives" in reasons[0]
    assert "only a higher speed (`speeds` of the pump, or its mode), a stronger pump or" in reasons[0]
    assert any("possible: pump 'return' at 100 % (`speeds`)" in reason for reason in reasons)


def test_the_frontier_and_the_kinds_say_why_no_plan_meets_the_targets() -> None:
    why = "pump 'return' at 20 % gives"

    assert why in " ".join(said(frontier(slow(), catalog(), clock()).notes))
    assert why in " ".join(said(kinds_of_plan(slow(), catalog(), clock())[0].reasons))


def test_where_settings_alone_do_they_are_the_cheapest_of_every_kind_that_keeps_the_pipe() -> None:
    system = load_system(data_directory("examples") / "single-return.yaml", catalog())
    little = replace(system, targets=(replace(system.targets[0], low_m3_s=5e-4),))
    kinds = {kind.kind.code: kind for kind in kinds_of_plan(little, catalog(), clock())}

    for code in ("the cheapest", "fewest cuts", "same size", "same pipe"):
        plan = kinds[code].plan
        assert plan is not None
        assert (plan.cost_cents, kinds[code].settled) == (0, True)


def test_a_plan_of_another_kind_that_works_often_is_shown_where_none_was_found_in_time() -> None:
    plan = found().plan
    dear = replace(plan, cost_cents=9000, material_cents=9000)
    kinds = [
        KindOfPlan(note("the cheapest"), plan, 1.0, works=0.5),
        KindOfPlan(note("works often"), None, 0.0, settled=False),
        KindOfPlan(note("same size"), dear, 1.2, works=0.97),
        KindOfPlan(note("same pipe"), replace(dear, cost_cents=9500), 1.2, works=0.99),
    ]

    often = with_one_that_works_often(kinds)[1]

    assert often.plan is not None
    assert (often.plan.cost_cents, often.works, often.settled) == (9000, 0.97, False)
    assert often.plan.gap_cents == 9000 - (plan.bound_cents or 0)  # no plan costs less than the cheapest of all
    settled = [kinds[0], replace(kinds[1], settled=True), *kinds[2:]]
    assert with_one_that_works_often(settled) == tuple(settled)


def test_the_cheapest_of_all_is_the_cheapest_that_works_often_where_it_does() -> None:
    kinds = [
        KindOfPlan(note("the cheapest"), found().plan, 1.0, works=0.85),
        KindOfPlan(note("works often"), None, 0.0, settled=False),
    ]

    often = with_one_that_works_often(kinds)[1]

    assert (often.plan, often.settled, often.works) == (kinds[0].plan, True, 0.85)


def test_how_far_a_plan_gets_is_told_once_for_all_kinds_and_left_out_where_the_time_is_short(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    system = load_system(data_directory("examples") / "single-return.yaml", catalog())
    little = replace(system, targets=(replace(system.targets[0], low_m3_s=5e-4),))
    asked = []

    def slow(*_: object) -> None:
        asked.append(1)
        raise TimeIsUp

    monkeypatch.setattr(kinds_module, "reach_of", slow)
    kinds = kinds_of_plan(little, catalog(), clock())

    plans = [kind for kind in kinds if kind.plan is not None]
    distinct = {repr(sorted(kind.plan.runs.items())) for kind in plans if kind.plan is not None}
    assert all(kind.reach is None for kind in plans)
    assert len(asked) <= len(distinct) + 1 < len(plans)  # and once for what stands
    text = plain_text(kinds_blocks(little, kinds))
    assert "–" in next(line for line in text.splitlines() if line.startswith("the cheapest"))


def test_a_target_out_of_reach_says_how_far_one_gets_and_that_is_true() -> None:
    system = load_system(data_directory("examples") / "single-return.yaml", catalog())
    wanted = 1.1e-3
    more = replace(system, targets=(replace(system.targets[0], low_m3_s=wanted),))

    plan = find_plan(more, catalog()).plan
    best = next(reason for reason in said(plan.reasons) if "best" in reason)
    percent = int(best.split(" %")[0].split()[-1])
    below, above = (
        find_plan(replace(system, targets=(replace(system.targets[0], low_m3_s=wanted * share),)), catalog()).plan
        for share in ((percent - 1) / 100, (percent + 2) / 100)
    )

    assert below.found
    assert not above.found


def test_a_valve_that_stands_half_shut_is_opened_before_anything_is_bought() -> None:
    system = load_system(data_directory("examples") / "single-return.yaml", catalog())
    run = system.network.runs["return line"]
    throttled = tuple(replace(part, opening=0.4) if part.kind in THROTTLES else part for part in run.parts)
    shut = replace(system, network=system.network.with_runs({run.name: replace(run, parts=throttled)}))
    little = replace(shut, targets=(replace(system.targets[0], low_m3_s=5e-4),))

    plan = find_plan(little, catalog()).plan
    checked = verify_plan(little, plan)

    assert plan.material_cents == 0
    assert checked.passed
    assert checked.demands[0].before_m3_s < 5e-4 <= checked.demands[0].after_m3_s
    assert all(setting.opening > 0.4 for setting in checked.valves)
    assert len(checked.valves) == 2


def test_a_demand_with_a_valve_and_no_target_is_asked_for() -> None:
    forgotten = replace(cellar(), targets=tuple(t for t in cellar().targets if t.run != "scrubber line"))

    with pytest.raises(
        PlanError, match="run 'scrubber line' has a valve and no target; for a plan write `scrubber line: at least"
    ):
        find_plan(forgotten, catalog())
    assert [told for told in remarks(forgotten, catalog()) if "'scrubber line' has a valve and no target" in told]
    assert not [told for told in remarks(cellar(), catalog()) if "no target" in told]


def test_a_target_past_the_end_of_the_pump_curve_is_told_as_that() -> None:
    system = load_system(data_directory("examples") / "single-return.yaml", catalog())
    absurd = replace(system, targets=(replace(system.targets[0], low_m3_s=1e-2),))

    reasons = said(find_plan(absurd, catalog()).plan.reasons)

    assert "past the last point of the curve of pump 'return' at 100 %" in reasons[0]
