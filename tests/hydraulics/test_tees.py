import math

import fluids
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from networks import FRESH, item, tee_item
from published import FOOT_M, GPM_M3_S, INCH_M, expected, inputs

from optimizer.hydraulics import Conditions, fluid_of, tee_head_losses_m
from optimizer.hydraulics.friction import area_m2
from optimizer.hydraulics.tees import tee_shapes
from optimizer.hydraulics.water import GRAVITY_M_S2
from optimizer.model.catalog import Kind, LossMethod
from optimizer.model.network import Leg

CONDITIONS = Conditions(fluid_of(FRESH), {})
BORE = 0.0266
HEAD = (1e-3 / area_m2(BORE)) ** 2 / (2.0 * GRAVITY_M_S2)  # velocity head of 1 L/s in the run


def wye_losses(branch: float, run_1: float, run_2: float, into_branch: float, bore: float = BORE) -> dict[Leg, float]:
    flows = {Leg.RUN_1: run_1 * 1e-3, Leg.RUN_2: run_2 * 1e-3, Leg.BRANCH: into_branch * 1e-3}
    return tee_head_losses_m(item(Kind.WYE, (bore, bore, branch), LossMethod.TEE), flows, CONDITIONS)


def losses(branch: float, run_1: float, run_2: float, into_branch: float) -> dict[Leg, float]:
    flows = {Leg.RUN_1: run_1 * 1e-3, Leg.RUN_2: run_2 * 1e-3, Leg.BRANCH: into_branch * 1e-3}
    return tee_head_losses_m(tee_item(BORE, BORE, branch), flows, CONDITIONS)


def test_combining_flow_agrees_with_cranes_example() -> None:
    # Crane TP 410, Example 7-35; the printed digits were not seen, a source says they match
    given_ = inputs("tee-converging-90")
    bore = given_["D_in"] * INCH_M
    run, branch = given_["Q_run_gpm"] * GPM_M3_S, given_["Q_branch_gpm"] * GPM_M3_S
    found = tee_head_losses_m(
        tee_item(bore, bore, bore), {Leg.RUN_1: run, Leg.RUN_2: -(run + branch), Leg.BRANCH: branch}, CONDITIONS
    )
    velocity_head = ((run + branch) / area_m2(bore)) ** 2 / (2.0 * GRAVITY_M_S2)
    assert found[Leg.BRANCH] / velocity_head == expected("tee-converging-90", "K branch")
    assert found[Leg.RUN_1] / velocity_head == expected("tee-converging-90", "K run")
    assert found[Leg.BRANCH] / FOOT_M == expected("tee-converging-90", "h branch")
    assert found[Leg.RUN_1] / FOOT_M == expected("tee-converging-90", "h run")
    assert found[Leg.RUN_2] == 0.0


@pytest.mark.parametrize("branch", [0.0266, 0.0205, 0.0158])
@pytest.mark.parametrize("ratio", [0.15, 0.3, 0.5, 0.7, 0.95])
def test_dividing_and_combining_flow_agree_with_the_fluids_library(branch: float, ratio: float) -> None:
    # fluids.fittings: Crane's formulas; away from the seams that are closed here (ratios 0 to 0.1 and 0.39 to 0.40)
    run, side = 1.0 - ratio, ratio
    out = losses(branch, 1.0, -run, -side)
    into = losses(branch, run, -1.0, side)
    f = fluids.fittings
    assert out[Leg.BRANCH] / HEAD == pytest.approx(f.K_branch_diverging_Crane(BORE, branch, run, side), abs=1e-9)
    assert out[Leg.RUN_2] / HEAD == pytest.approx(f.K_run_diverging_Crane(BORE, branch, run, side), abs=1e-9)
    assert into[Leg.BRANCH] / HEAD == pytest.approx(f.K_branch_converging_Crane(BORE, branch, run, side), abs=1e-9)
    assert into[Leg.RUN_1] / HEAD == pytest.approx(f.K_run_converging_Crane(BORE, branch, run, side), abs=1e-9)


def test_a_wye_agrees_with_cranes_example() -> None:
    # Crane TP 410, Example 7-36: a DN150 schedule 80 wye, 1515 L/min straight on, 950 L/min into its 45° branch:
    # K 0.464 and -0.0681, as the documentation of the fluids library has them
    bore, run, side = 0.146, 25.25, 15.83
    found = wye_losses(bore, run + side, -run, -side, bore)
    velocity_head = ((run + side) * 1e-3 / area_m2(bore)) ** 2 / (2.0 * GRAVITY_M_S2)

    assert found[Leg.BRANCH] / velocity_head == pytest.approx(0.4640, abs=5e-4)
    assert found[Leg.RUN_2] / velocity_head == pytest.approx(-0.0681, abs=5e-4)


@pytest.mark.parametrize("branch", [0.0266, 0.0205, 0.0150])
@pytest.mark.parametrize("ratio", [0.15, 0.3, 0.5, 0.7, 0.95])
def test_wyes_agree_with_the_fluids_library(branch: float, ratio: float) -> None:
    # fluids.fittings: Crane's formulas at 45°; away from the seams that are closed here (ratios 0 to 0.1, 0.36 to 0.4
    # and 0.6 to 0.67)
    run, side = 1.0 - ratio, ratio
    out, into = wye_losses(branch, 1.0, -run, -side), wye_losses(branch, run, -1.0, side)
    f = fluids.fittings

    assert out[Leg.BRANCH] / HEAD == pytest.approx(f.K_branch_diverging_Crane(BORE, branch, run, side, 45), abs=1e-9)
    assert out[Leg.RUN_2] / HEAD == pytest.approx(f.K_run_diverging_Crane(BORE, branch, run, side, 45), abs=1e-9)
    assert into[Leg.BRANCH] / HEAD == pytest.approx(f.K_branch_converging_Crane(BORE, branch, run, side, 45), abs=1e-9)
    assert into[Leg.RUN_1] / HEAD == pytest.approx(f.K_run_converging_Crane(BORE, branch, run, side, 45), abs=1e-9)


@pytest.mark.parametrize("ratio", [0.05, 0.2, 0.4, 0.6, 0.8, 1.0])
def test_a_branch_that_leans_with_the_water_loses_no_more_than_a_square_one(ratio: float) -> None:
    square, leaning = losses(BORE, 1.0, ratio - 1.0, -ratio), wye_losses(BORE, 1.0, ratio - 1.0, -ratio)

    assert leaning[Leg.BRANCH] <= square[Leg.BRANCH]


def test_a_double_wye_with_one_idle_branch_is_a_wye() -> None:
    flows = {Leg.RUN_1: 1e-3, Leg.RUN_2: -6e-4, Leg.BRANCH: -4e-4}
    double = item(Kind.DOUBLE_WYE, (BORE, BORE, BORE, BORE), LossMethod.TEE)
    both = tee_head_losses_m(double, {**flows, Leg.BRANCH_2: 0.0}, CONDITIONS)

    assert both[Leg.BRANCH] == pytest.approx(wye_losses(BORE, 1.0, -0.6, -0.4)[Leg.BRANCH])


def test_a_run_gains_head_where_a_wide_branch_takes_a_little() -> None:
    # Crane TP 410, Example 7-36: a negative run K is real
    assert losses(BORE, 1.0, -0.7, -0.3)[Leg.RUN_2] < 0.0


def test_flow_through_the_branch_into_both_run_legs_is_a_tee_used_as_an_elbow() -> None:
    # Crane TP 410 appendix A: 60 fT through the branch; from memory
    found = losses(BORE, -0.5, -0.5, 1.0)
    k = 60.0 * fluids.fittings.ft_Crane(BORE)
    assert found[Leg.RUN_1] / HEAD == pytest.approx(k, rel=0.02)
    assert found[Leg.RUN_1] == found[Leg.RUN_2]
    assert losses(BORE, 0.5, 0.5, -1.0)[Leg.RUN_1] / HEAD == pytest.approx(k, rel=0.02)


@pytest.mark.parametrize("leans", [False, True])
@pytest.mark.parametrize("branch", [0.0266, 0.0205, 0.0158, 0.0150, 0.035])
def test_head_differences_are_continuous_all_round(branch: float, leans: bool) -> None:
    shapes = tee_shapes([(BORE, branch)], 1.0, [leans])
    angle = np.linspace(0.0, 2.0 * math.pi, 100_001)[:, None]
    run, side = shapes.head_rises(1e-3 * np.cos(angle), 1e-3 * np.sin(angle))
    scale = float(np.abs(side).max())
    assert float(np.abs(np.diff(run, axis=0)).max()) < 1e-3 * scale
    assert float(np.abs(np.diff(side, axis=0)).max()) < 1e-3 * scale


@given(st.floats(-1.0, 1.0), st.floats(-1.0, 1.0), st.floats(0.1, 10.0))
def test_losses_grow_with_the_square_of_flow(run: float, branch: float, times: float) -> None:
    one = losses(0.0205, -(run + branch), run, branch)
    many = losses(0.0205, -(run + branch) * times, run * times, branch * times)
    for leg, loss in one.items():
        assert many[leg] == pytest.approx(loss * times**2, abs=1e-9)


@given(st.floats(-1.0, 1.0), st.floats(-1.0, 1.0))
def test_a_tee_turned_end_for_end_loses_the_same(run: float, branch: float) -> None:
    one, other = losses(0.0205, -(run + branch), run, branch), losses(0.0205, run, -(run + branch), branch)
    assert one[Leg.RUN_1] - one[Leg.RUN_2] == pytest.approx(
        other[Leg.RUN_2] - other[Leg.RUN_1], abs=1e-9
    ) or math.isclose(abs(run), abs(run + branch))


def test_a_narrow_run_leg_adds_its_reducer() -> None:
    even = losses(BORE, 1.0, -1.0, 0.0)
    narrow = tee_head_losses_m(
        tee_item(BORE, 0.0205, BORE), {Leg.RUN_1: 1e-3, Leg.RUN_2: -1e-3, Leg.BRANCH: 0.0}, CONDITIONS
    )
    contraction = 0.5 * (1.0 - (0.0205 / BORE) ** 2)  # Crane TP 410 appendix A, on the small bore
    velocity_head = (1e-3 / area_m2(0.0205)) ** 2 / (2.0 * GRAVITY_M_S2)
    assert narrow[Leg.RUN_1] + narrow[Leg.RUN_2] == pytest.approx(
        even[Leg.RUN_1] + even[Leg.RUN_2] + contraction * velocity_head
    )


def test_a_cross_with_one_idle_branch_is_a_tee() -> None:
    flows = {Leg.RUN_1: 1e-3, Leg.RUN_2: -6e-4, Leg.BRANCH: -4e-4}
    cross = tee_head_losses_m(tee_item(BORE, BORE, BORE, 0.0205), {**flows, Leg.BRANCH_2: 0.0}, CONDITIONS)
    tee = tee_head_losses_m(tee_item(BORE, BORE, BORE), flows, CONDITIONS)
    # the idle half takes no head along its run, so both orders give the tee's values
    assert cross[Leg.RUN_2] == pytest.approx(tee[Leg.RUN_2])
    assert cross[Leg.BRANCH] == pytest.approx(tee[Leg.BRANCH])


def test_the_two_branches_of_a_cross_are_alike() -> None:
    flows = {Leg.RUN_1: 1e-3, Leg.RUN_2: -4e-4, Leg.BRANCH: -3e-4, Leg.BRANCH_2: -3e-4}
    found = tee_head_losses_m(tee_item(BORE, BORE, 0.0205, 0.0205), flows, CONDITIONS)
    assert found[Leg.BRANCH] == pytest.approx(found[Leg.BRANCH_2])


def test_a_tee_that_is_not_plumbed_yet_takes_nothing() -> None:
    flows = {Leg.RUN_1: 1e-3, Leg.RUN_2: -6e-4, Leg.BRANCH: -4e-4}
    assert set(tee_head_losses_m(None, flows, CONDITIONS).values()) == {0.0}
    plain = item(Kind.TEE, (BORE, BORE, BORE), LossMethod.NONE)
    assert set(tee_head_losses_m(plain, flows, CONDITIONS).values()) == {0.0}
