"""What joints lose where bores do not meet: hand calculations, ways of least loss, a widening without room."""

from __future__ import annotations

import math
import random
from functools import cache

import pytest
from own_bores import Bored, joints_m

from optimizer.hydraulics import Conditions, part_head_loss_m
from optimizer.hydraulics.water import fluid_of
from optimizer.joints.bores import (
    Approach,
    along,
    into_opening,
    out_of_pipe,
    past,
    recovers_nothing,
    step_square_s2_m5,
    unrecovered_square_s2_m5,
)
from optimizer.joints.chains import EndGraph, new_part
from optimizer.joints.labels import Labels
from optimizer.model.catalog import PIPES, Catalog, Kind
from optimizer.model.ends import End, Form
from optimizer.model.network import Part, Water
from optimizer.read.catalogs import load_catalog

G = 9.80665
FLOW_M3_S = 6.0e-4


@cache
def catalog() -> Catalog:
    return load_catalog()


def part(item_id: str, reverse: bool = False, length_m: float = 0.0) -> Part:
    return new_part(catalog().items[item_id], reverse, length_m)


def k_on(square_s2_m5: float, bore_m: float) -> float:
    return square_s2_m5 * 2 * G * (math.pi * bore_m**2 / 4) ** 2


def test_a_sudden_step_loses_as_in_the_handbook() -> None:
    # White, Fluid Mechanics, 7th ed., fig. 6.22 and eq. 6.78, 6.79 (from memory): d/D = 0.5 gives K_SE = 0.5625 and,
    # with 0.42 in place of Crane's 0.5, K_SC = 0.315; Crane's formula 2 gives 0.375.
    assert k_on(step_square_s2_m5(0.01, 0.02), 0.01) == pytest.approx(0.5625, rel=1e-9)
    assert k_on(step_square_s2_m5(0.02, 0.01), 0.01) == pytest.approx(0.375, rel=1e-9)
    assert step_square_s2_m5(0.02, 0.02) == 0.0


def test_the_head_of_a_widening_is_borda_s_at_any_flow() -> None:
    # Borda-Carnot: (v1 - v2)² / 2g. 1 L/s from 20 to 40 mm: 3.183 and 0.796 m/s, 0.2906 m.
    assert step_square_s2_m5(0.02, 0.04) * 1e-6 == pytest.approx(0.2906, abs=2e-4)


def test_a_widening_that_recovers_nothing_loses_the_difference_of_the_velocity_heads() -> None:
    whole = step_square_s2_m5(0.02, 0.04) + unrecovered_square_s2_m5(0.02, 0.04)

    assert k_on(whole, 0.02) == pytest.approx(1 - 0.5**4, rel=1e-9)


def test_a_chain_of_adapters_by_hand() -> None:
    # Out of a 1 in. sch 40 pipe (26.24 mm) into a sch 80 union (23.75), a bushing to 3/4 in. (20.57), one back up, and
    # on in 1 in. sch 40 pipe. Crane TP-410 A-26 at 180°, each K on its smaller bore; the way up from 20.57 is one step:
    #   26.24 → 23.75  0.5 (1 - 0.8192) = 0.0904 on 23.75      23.75 → 26.24  (1 - 0.8192)² = 0.0327 on 23.75
    #   26.24 → 20.57  0.5 (1 - 0.6145) = 0.1927 on 20.57      20.57 → 26.24  (1 - 0.6145)² = 0.1486 on 20.57
    # and 0.08 on 23.75 for the union itself (from memory). 0.6 L/s: v²/2g is 0.0935 m in 23.75, 0.1662 m in 20.57.
    row = [part("sch80-union-100"), part("sch40-bushing-100x075"), part("sch40-bushing-100x075", True)]
    by_hand_m = (0.0904 + 0.0327 + 0.08) * 0.0935 + (0.1927 + 0.1486) * 0.1662

    conditions = Conditions(fluid_of(Water(35.0, 25.0)), {})
    through = along(Approach(0.02624), row)
    last = into_opening(through.after, 0.02624, turns=False)
    lost_m = sum(part_head_loss_m(each, FLOW_M3_S, conditions) for each in row)
    lost_m += (through.square_s2_m5 + last.square_s2_m5) * FLOW_M3_S**2

    assert lost_m == pytest.approx(by_hand_m, rel=2e-3)  # the digits above


def test_joints_of_random_rows_of_parts_agree_with_velocities() -> None:
    rng = random.Random(7)
    items = [item for item in catalog().items.values() if len(item.ends) == 2 and item.end_bores_m]
    for _ in range(400):
        parts = [
            new_part(item, rng.random() < 0.5, rng.choice([0.01, 0.05, 0.15, 1.0]))
            for item in rng.choices(items, k=rng.randint(1, 9))
        ]
        before, after, branch = rng.choice([0.0, 0.02057, 0.02624]), rng.choice([0.0, 0.02624]), rng.random() < 0.5
        through = along(Approach(before), parts)
        last = into_opening(through.after, after, branch) if after else out_of_pipe(through.after)

        mine = [
            Bored(
                each.end_bores_m[0],
                each.end_bores_m[-1],
                each.length_m if str(each.kind) in ("pipe", "hose", "tube") else 0.0,
                "elbow" in str(each.kind),
                each.kind.value == "pump",
                each.kind.value == "flared outlet",
            )
            for each in parts
        ]
        assert through.square_s2_m5 + last.square_s2_m5 == pytest.approx(
            joints_m(mine, 1.0, before, after, branch), rel=1e-9, abs=1e-9
        )


def test_a_staircase_of_bores_loses_no_less_than_the_step_it_makes() -> None:
    # The jet out of the narrow bore does not see the treads: 15.44 → 20.57 → 26.24 without pipe between.
    steps = along(Approach(0.01544), [part("sch40-bushing-075x050", True), part("sch40-bushing-100x075", True)])
    conditions = Conditions(fluid_of(Water(35.0, 25.0)), {})
    inside = sum(
        part_head_loss_m(part(name, True), 1.0, conditions)
        for name in ("sch40-bushing-075x050", "sch40-bushing-100x075")
    )

    assert steps.square_s2_m5 + inside == pytest.approx(step_square_s2_m5(0.01544, 0.02624), rel=1e-9)


def test_slight_steps_back_to_where_a_widening_began_end_it() -> None:
    # 34.65 → 40.44 spreads; 40.44 → 37.49 → 32.8 are slight steps down, past the bore that it came from. What widens
    # then to 40 mm is a sudden step of its own: K = (1 - (32.8 / 40)²)² = 0.1073 on 32.8.
    # Crane TP 410, formula 2 at 180°.
    spreading = along(Approach(0.03465), [part("sch40-adapter-125x150-socket-npt")]).after
    assert spreading == Approach(0.04044, 0.03465)

    steps = past(spreading, [(0.03749, 0.0328)])

    assert steps.after == Approach(0.0328)
    assert k_on(into_opening(steps.after, 0.04, turns=False).square_s2_m5, 0.0328) == pytest.approx(0.1073, abs=5e-5)


@pytest.mark.parametrize(("bores", "charged"), [(4.9, True), (5.1, False)])
def test_a_bend_within_five_bores_of_a_widening_takes_what_it_would_give_back(bores: float, charged: bool) -> None:
    pipe = part("sch40-pipe-150", length_m=bores * 0.04044)
    row = [part("sch40-bushing-150x100", True), pipe, part("sch40-elbow-150")]

    lost = along(Approach(0.02624), row).square_s2_m5

    assert lost == pytest.approx(unrecovered_square_s2_m5(0.02624, 0.04044) if charged else 0.0, rel=1e-9)


def test_where_nothing_is_recovered_water_goes_on_as_settled_at_the_whole_loss_whatever_it_came_out_of() -> None:
    rng = random.Random(11)
    items = [item for item in catalog().items.values() if len(item.ends) == 2 and item.end_bores_m]
    told = 0
    for _ in range(3000):
        lengths_m = rng.choices([0.01, 0.05, 0.15, 1.0], k=3)
        row = [new_part(item, rng.random() < 0.5, lengths_m[k]) for k, item in enumerate(rng.choices(items, k=3))]
        bore_m = rng.choice([row[0].end_bores_m[0], 0.0525, 0.0409])
        spreading = Approach(bore_m, rng.uniform(0.2, 0.85) * bore_m, rng.choice([0.0, 0.03]))
        if bore_m > 0.0 and recovers_nothing(bore_m, row):
            told += 1
            there, settled = along(spreading, row), along(Approach(bore_m), row)
            whole = settled.square_s2_m5 + out_of_pipe(spreading).square_s2_m5
            assert there.square_s2_m5 == pytest.approx(whole, rel=1e-9)
            assert (there.square_back_s2_m5, there.after) == (settled.square_back_s2_m5, settled.after)
    assert told > 1000


def test_a_wide_end_of_the_line_at_once_before_the_tank_gives_nothing_back() -> None:
    # In all one velocity head of the narrow bore, as if it opened into the tank itself.
    row = [part("sch40-bushing-150x100", True)]
    conditions = Conditions(fluid_of(Water(35.0, 25.0)), {})
    inside = part_head_loss_m(row[0], 1.0, conditions)
    at = along(Approach(0.02624), row).after
    exit_k = 0.5 / G / (math.pi * 0.04044**2 / 4) ** 2

    whole = inside + out_of_pipe(at).square_s2_m5 + exit_k

    assert k_on(whole, 0.02624) == pytest.approx(1.0, rel=1e-9)


@cache
def usual_bore(end: End) -> float:
    """Return the widest bore of a piece with such an end; of a pipe or a pump where no piece has one."""
    rows = [(item, at) for item in catalog().items.values() for at, one in enumerate(item.ends) if one == end]
    pieces = [(item, at) for item, at in rows if item.kind not in PIPES | {Kind.PUMP}]
    return max(item.end_bores_m[at] for item, at in pieces or rows)


@pytest.mark.long
def test_the_way_of_least_loss_is_never_the_narrowest_of_all() -> None:
    conditions = Conditions(fluid_of(Water(35.0, 25.0)), {})
    labels = Labels(
        EndGraph(catalog(), hoses=True), lambda piece: part_head_loss_m(piece, FLOW_M3_S, conditions), FLOW_M3_S**2
    )
    ends = sorted({end for item in catalog().items.values() for end in item.ends if item.end_bores_m[0] > 0.012})
    forms = (Form.SOCKET, Form.SPIGOT, Form.BARB, Form.HOSE, Form.NPT_MALE, Form.NPT_FEMALE, Form.G_MALE, Form.G_FEMALE)
    ends = [end for end in ends if end.form in forms]
    starts = random.Random(3).sample(ends, 8)
    seen = 0
    for start, goal in ((a, b) for b in ends for a in starts if a != b):
        found = labels.between(start, goal)
        bores = [
            min((bore for piece in label.chain.pieces for bore in piece.end_bores_m), default=1.0) for label in found
        ]
        own = min(max(bores, default=0.0), min(usual_bore(start), usual_bore(goal)))
        if not bores or min(bores) >= own:
            continue
        best = min(range(len(found)), key=lambda i: found[i].loss_m)
        # By a slight step it may be: the neck of one male thread loses less than a widening and a contraction.
        assert bores[best] > min(bores) or max(bores) <= 1.16 * bores[best], (start, goal)
        seen += 1
        if seen == 60:
            break
    assert seen == 60
