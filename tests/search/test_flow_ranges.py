"""The ranges that flows are told to lie in hold for every combination that meets the targets, solved as a network."""

from __future__ import annotations

from dataclasses import replace

import pytest
from flow_cases import choices_of, random_case
from unknown_systems import branches, catalog

from optimizer.choices.wants import Want
from optimizer.hydraulics import solve_network
from optimizer.search.flow_case import material_of, prepare
from optimizer.search.flow_posing import built_network
from optimizer.search.flow_ranges import by_mass
from optimizer.search.flow_tightening import free_box, tightened

M3_S = 1.0 / 3.6e6  # of a litre an hour
CLOSE_M3_S = 1e-9


def met(wants: tuple[Want, ...], flows: dict[str, float]) -> bool:
    return all(want.low_m3_s <= want.amount_m3_s(flows) <= want.high_m3_s for want in wants)


@pytest.mark.parametrize(
    "seed",
    [0, 1, *(pytest.param(seed, marks=pytest.mark.long if seed < 12 else pytest.mark.slow) for seed in range(2, 120))],
)
def test_every_combination_that_meets_the_targets_lies_in_the_ranges(seed: int) -> None:
    case = random_case(seed)
    free = free_box(case)
    for choice in choices_of(case):
        each = [solve_network(built_network(case, choice, mode)).flows_m3_s for mode in range(len(case.modes))]
        if all(met(mode.wants, flows) for mode, flows in zip(case.modes, each, strict=True)):
            assert free is not None
            for (run, mode), (low, high) in free.items():
                assert low - CLOSE_M3_S <= each[mode][run] <= high + CLOSE_M3_S, (run, mode)


def test_a_target_on_a_sum_is_one_on_what_feeds_it() -> None:
    """Both outlets lead back to where they could also draw: one by one they may carry anything, the riser may not."""
    system = branches("  left + right: at least 1500 L/h")
    anything = dict.fromkeys(system.network.runs, (-1.0, 1.0))
    want = Want("left + right", {"left": 1.0, "right": 1.0}, 1500.0 * M3_S)

    (riser,) = set(system.network.runs) - {"left", "right"}
    low, high = by_mass(system.network, [want], anything).ranges[riser]
    assert (low, high) == (pytest.approx(1500.0 * M3_S, rel=1e-5), 1.0)  # a hair is given back


def test_an_outlet_is_not_thought_to_draw_what_no_head_can_lift() -> None:
    """Heads alone leave it open while the range is wide: what is drawn by one would have to go out by the other."""
    system = branches("  left + right: at least 1500 L/h")
    endless = replace(system, network=replace(system.network, tanks_balance=False))  # tanks that could give for ever
    basic = prepare(material_of(endless, catalog(), lossy=False, slots=False))
    assert basic is not None
    by_heads, free = tightened(basic.case, basic.case.ranges, 0, free=True), free_box(basic.case)
    assert by_heads is not None
    assert free is not None
    for run in ("left", "right"):
        assert by_heads[run, 0][0] < 2.0 * free[run, 0][0] <= 0.0


def test_the_only_line_to_a_tank_never_draws_from_it() -> None:
    """What it took would be gone once the water has fallen to its mouth; the network solution has it carry nothing."""
    basic = prepare(
        material_of(branches("  left: at least 500 L/h\n  right: any"), catalog(), lossy=False, slots=False)
    )
    assert basic is not None
    assert all(basic.case.ranges[run, 0][0] >= 0.0 for run in ("left", "right"))
