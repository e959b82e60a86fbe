"""From a system whose flows are not known to a plan: checked by the network, with a valve only where one is needed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from said import said
from small_trees import random_tree, small_catalog

from optimizer.choices.demands import known_flows
from optimizer.errors import FlowsUnknownError, PlanError
from optimizer.hydraulics import solve_network
from optimizer.model.catalog import THROTTLES
from optimizer.model.network import Network
from optimizer.model.plan import Plan, Status
from optimizer.model.system import Setting, Share, System, Target
from optimizer.pipeline import search
from optimizer.search.box_search import BoxSearch
from optimizer.search.cheapest import find_plan
from optimizer.search.unknown_flows import find_unknown
from optimizer.verify.check import verify_plan


def without_valves(network: Network) -> Network:
    runs = {
        name: replace(run, parts=tuple(part for part in run.parts if part.kind not in THROTTLES))
        for name, run in network.runs.items()
    }
    return network.with_runs(runs)


def at_least(system: System) -> System:
    return replace(system, targets=tuple(replace(target, high_m3_s=None) for target in system.targets))


def bare(seed: int) -> System:
    """Return a small tree whose branches have no valves and only least flows."""
    system = at_least(random_tree(seed, small_catalog()))
    return replace(system, network=without_valves(system.network))


def new_valves(plan: Plan) -> int:
    parts = [part for run in plan.runs.values() for part in run.parts]
    return sum(part.kind in THROTTLES and not part.existing for part in parts)


@pytest.mark.long
@pytest.mark.parametrize("seed", [5, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(5))])
def test_without_valves_a_plan_costs_no_less_than_with_them_for_nothing(seed: int) -> None:
    valved = at_least(random_tree(seed, small_catalog()))
    floor = find_plan(valved, small_catalog()).plan

    plan = find_unknown(bare(seed), small_catalog()).plan

    assert plan.found == floor.found
    if plan.found:
        assert plan.status is Status.OPTIMAL
        assert plan.material_cents is not None
        assert floor.material_cents is not None
        assert plan.material_cents >= floor.material_cents
        assert verify_plan(bare(seed), plan).passed


def split_system(share: float, within: float) -> System:
    """Return a tree without valves that shall send a share of its water through one branch."""
    system = bare(3)
    whole = Share(("riser",), share * (1 - within), share * (1 + within))
    return replace(system, targets=(Target("riser", 2e-4), Target("branch 1", 0.0, share=whole)))


@pytest.mark.long
def test_a_valve_is_cut_in_where_only_it_makes_the_split() -> None:
    system = split_system(0.15, 0.02)

    plan = find_unknown(system, small_catalog()).plan
    checked = verify_plan(system, plan)

    assert plan.status is Status.OPTIMAL
    assert new_valves(plan) == 1
    assert checked.passed
    share = checked.flows_m3_s["branch 1"] / checked.flows_m3_s["riser"]
    assert share == pytest.approx(0.15, rel=0.0201)
    assert any(0.0 < valve.opening < 1.0 for valve in checked.valves)


def test_no_valve_is_bought_where_the_split_comes_by_itself() -> None:
    system = split_system(0.15, 0.02)
    flows = solve_network(system.network).flows_m3_s
    natural = flows["branch 1"] / flows["riser"]
    easy = replace(
        system,
        targets=(
            Target("riser", 0.9 * flows["riser"]),
            Target("branch 1", 0.0, share=Share(("riser",), 0.98 * natural, 1.02 * natural)),
        ),
    )

    plan = find_unknown(easy, small_catalog()).plan

    assert plan.material_cents == 0
    assert new_valves(plan) == 0


def test_every_setting_is_checked_at_its_own_speed_with_the_valves_in_one_position() -> None:
    system = at_least(random_tree(3, small_catalog()))
    flows = solve_network(system.network).flows_m3_s
    pump = next(iter(system.network.pumps))
    slow = replace(system, network=system.at(Setting("night", {pump: 0.9}, ())).network)
    at_night = solve_network(slow.network).flows_m3_s
    settings = (
        Setting("day", {pump: 1.0}, (Target("branch 1", 0.9 * flows["branch 1"], 1.05 * flows["branch 1"]),)),
        Setting("night", {pump: 0.9}, (Target("branch 1", 0.8 * at_night["branch 1"]),)),
    )
    both = replace(system, targets=(), settings=settings)

    plan = find_unknown(both, small_catalog()).plan
    checked = verify_plan(both, plan)

    assert plan.found
    assert checked.passed
    assert [demand.run for demand in checked.demands] == ["branch 1, day", "branch 1, night"]
    assert checked.demands[1].after_m3_s < checked.demands[0].after_m3_s


def test_the_flows_of_a_split_or_of_settings_are_not_known_beforehand() -> None:
    with pytest.raises(FlowsUnknownError, match="split"):
        known_flows(split_system(0.2, 0.1))
    with pytest.raises(FlowsUnknownError, match="several modes"):
        known_flows(replace(bare(1), settings=(Setting("day", {}, ()),)))


@pytest.mark.long
def test_the_whole_chain_takes_on_unknown_flows_by_itself() -> None:
    plan = search(split_system(0.15, 0.02), small_catalog())

    assert plan.status is Status.OPTIMAL


def test_targets_that_ask_for_nothing_are_refused() -> None:
    with pytest.raises(PlanError, match="no target asks"):
        find_unknown(replace(bare(1), targets=(Target("branch 1", 0.0),)), small_catalog())


def test_what_is_out_of_reach_is_said_to_be() -> None:
    system = bare(2)
    greedy = replace(system, targets=tuple(replace(t, low_m3_s=20 * t.low_m3_s) for t in system.targets))

    plan = find_unknown(greedy, small_catalog()).plan

    assert plan.status is Status.INFEASIBLE
    assert said(plan.reasons)


@pytest.mark.slow
def test_a_stop_by_hand_leaves_the_best_plan_so_far_with_its_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    system = bare(3)
    whole = find_unknown(system, small_catalog()).plan
    offered = BoxSearch.offer

    def offer_and_stop(self: BoxSearch, *args: object) -> bool:
        if offered(self, *args):  # type: ignore[arg-type]
            raise KeyboardInterrupt
        return False

    monkeypatch.setattr(BoxSearch, "offer", offer_and_stop)
    stopped = find_unknown(system, small_catalog()).plan

    assert stopped.found
    assert "the search was stopped" in said(stopped.notes)[0]
    assert stopped.material_cents is not None
    assert stopped.bound_cents is not None
    assert whole.material_cents is not None
    assert stopped.bound_cents <= whole.material_cents <= stopped.material_cents


def test_no_time_gives_no_plan_and_says_so() -> None:
    plan = find_unknown(split_system(0.15, 0.02), small_catalog(), time_limit_s=0.0).plan

    assert plan.status in (Status.NO_PLAN_FOUND, Status.FEASIBLE)


@pytest.mark.long
def test_progress_tells_stage_best_and_bound() -> None:
    told: list[tuple[str, int | None, int | None]] = []

    find_unknown(bare(3), small_catalog(), progress=lambda *news: told.append(news))

    assert {stage for stage, _, _ in told} == {"first plans", "bound", "search"}
