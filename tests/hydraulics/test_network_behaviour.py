"""How a network behaves: properties of any plumbing, and the special cases of pumps, checks, valves, drains."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from networks import (
    FRESH,
    check_valve,
    device_part,
    fitting,
    fixed_k,
    network,
    outlet,
    parabola_pump,
    pipe,
    pump_part,
    random_network,
    run,
    supply,
    surface,
    tee_item,
    tee_point,
    valve,
)
from said import said

from optimizer.errors import NetworkError
from optimizer.hydraulics import (
    GRAVITY_M_S2,
    HazenWilliams,
    Variation,
    compile_network,
    conditions_of,
    part_head_loss_m,
    pump_head_m,
    solve_compiled,
    solve_network,
    tee_head_losses_m,
)
from optimizer.hydraulics.friction import area_m2
from optimizer.model.catalog import Kind, LossMethod
from optimizer.model.network import Device, Leg, Network, Part, Pump, Run, Tee, Water

BORE = 0.0266
SEEDS = st.integers(0, 10_000)
SOME = settings(max_examples=25, deadline=None)


def manifold(
    *,
    height_m: float = 1.4,
    speed: float = 1.0,
    side_opening: float = 0.35,
    first: tuple[Part, ...] = (),
    pump: Pump | None = None,
) -> Network:
    """Sump, pump, riser, a side line back to the sump, and a tee with two returns to the display."""
    riser = run("riser", "sump", "t1", pump_part(), *first, pipe(3.0, BORE), legs=(Leg.NONE, Leg.RUN_1))
    runs = [
        riser,
        run("side", "t1", "sump", valve(0.0205, side_opening), pipe(1.0, 0.0205), legs=(Leg.BRANCH, Leg.NONE)),
        run("top", "t1", "t2", pipe(0.3, BORE), legs=(Leg.RUN_2, Leg.RUN_1)),
        run("left", "t2", "display", pipe(0.6, BORE), legs=(Leg.RUN_2, Leg.NONE)),
        run("right", "t2", "display", pipe(0.5, 0.0205), legs=(Leg.BRANCH, Leg.NONE)),
    ]
    points = [surface("sump", 0.0), surface("display", height_m), tee_point("t1"), tee_point("t2")]
    tees = [Tee("t1", tee_item(BORE, BORE, 0.0205)), Tee("t2", tee_item(BORE, BORE, BORE))]
    pumps = [replace(pump or parabola_pump(3.6, 1e6), speed=speed)]
    return network(points, runs, pumps=pumps, tees=tees)


def test_heads_along_a_manifold_close_by_hand() -> None:
    plumbing = manifold()
    solution = solve_network(plumbing)
    q, heads = solution.flows_m3_s, solution.heads_m
    assert q["riser"] == pytest.approx(q["side"] + q["top"])
    assert q["top"] == pytest.approx(q["left"] + q["right"])
    conditions = conditions_of(plumbing)
    # t1 divides, so its head is that of the riser's leg
    friction = solve_loss(plumbing, "riser", q["riser"])
    assert heads["t1"] == pytest.approx(pump_head_m(plumbing.pumps["pump"], q["riser"]) - friction, abs=1e-6)
    losses = tee_head_losses_m(
        plumbing.tees["t1"].item, {Leg.RUN_1: q["riser"], Leg.RUN_2: -q["top"], Leg.BRANCH: -q["side"]}, conditions
    )
    top = solve_loss(plumbing, "top", q["top"]) + losses[Leg.RUN_2]
    assert heads["t2"] == pytest.approx(heads["t1"] - top, abs=1e-6)


def solve_loss(plumbing: Network, name: str, flow: float) -> float:
    return sum(part_head_loss_m(part, flow, conditions_of(plumbing)) for part in plumbing.runs[name].parts)


@SOME
@given(SEEDS)
def test_mass_and_energy_close(seed: int) -> None:
    plumbing = random_network(seed, 12)
    solution = solve_network(plumbing)
    for point in plumbing.points.values():
        if not point.is_fixed:
            net = sum(
                (-1.0 if at_start else 1.0) * solution.flows_m3_s[one.name]
                for one, _, at_start in plumbing.runs_at(point.name)
            )
            assert abs(net) < 1e-9
    assert solution.energy_residual_m < 1e-6


@SOME
@given(SEEDS, st.floats(0.2, 5.0))
def test_lengths_and_k_doubled_are_a_square_law_halved(seed: int, times: float) -> None:
    """Under fixed heads and plain square laws, losses times c means flows over the root of c."""
    plumbing = plain_square(seed)
    more = plumbing.with_runs({name: scaled(one, times) for name, one in plumbing.runs.items()})
    before, after = solve_network(plumbing).flows_m3_s, solve_network(more).flows_m3_s
    for name, flow in before.items():
        assert after[name] == pytest.approx(
            flow / math.sqrt(times), rel=1e-6, abs=1e-8
        )  # idle loops: a square law is flat at 0


@SOME
@given(SEEDS, st.floats(0.2, 4.0))
def test_heads_and_losses_scaled_alike_leave_the_flows(seed: int, times: float) -> None:
    """Friction, fittings and heads all multiplied by c: the same flows."""
    compiled = compile_network(no_pumps(random_network(seed, 12)))
    shifts = {
        name: (times - 1.0) * (point.head_m or 0.0) for name, point in compiled.network.points.items() if point.is_fixed
    }
    factors = Variation(friction_factor=times, fitting_factor=times, tee_factor=times, head_shifts_m=shifts)
    before, after = solve_compiled(compiled).flows_m3_s, solve_compiled(compiled, factors).flows_m3_s
    for name, flow in before.items():
        assert after[name] == pytest.approx(flow, rel=1e-6, abs=1e-9)


def plain_square(seed: int) -> Network:
    plumbing = no_pumps(random_network(seed, 8))
    runs = {
        name: replace(one, parts=(fixed_k(1.0 + 3.0 * (i % 4), 0.02),))
        for i, (name, one) in enumerate(plumbing.runs.items())
    }
    points = {
        name: supply(name, point.head_m or 0.0) if point.is_fixed else point for name, point in plumbing.points.items()
    }
    return replace(plumbing.with_runs(runs), points=points)


def scaled(one: Run, times: float) -> Run:
    (part,) = one.parts
    assert part.item is not None
    return replace(one, parts=(fixed_k(part.item.loss.coefficients[0] * times, 0.02),))


def no_pumps(plumbing: Network) -> Network:
    runs = {
        name: replace(one, parts=tuple(part for part in one.parts if part.kind is not Kind.PUMP))
        for name, one in plumbing.runs.items()
    }
    return plumbing.with_runs(runs)


@SOME
@given(st.floats(0.5, 0.98), st.floats(0.01, 0.2), st.floats(0.0, 2.0))
def test_more_speed_never_lowers_the_total_flow(speed: float, more: float, height: float) -> None:
    plumbing = manifold(height_m=height)
    slow = solve_network(replace(plumbing, pumps={"pump": replace(plumbing.pumps["pump"], speed=speed)}))
    fast = solve_network(
        replace(plumbing, pumps={"pump": replace(plumbing.pumps["pump"], speed=min(1.0, speed + more))})
    )
    assert fast.flows_m3_s["riser"] >= slow.flows_m3_s["riser"] - 1e-10


@SOME
@given(st.sampled_from(["riser", "side", "top", "left", "right"]), st.floats(0.0, 1e9))
def test_added_resistance_never_raises_the_pumps_flow(name: str, square: float) -> None:
    compiled = compile_network(no_tee_losses(manifold()))
    added = [square if run_name == name else 0.0 for run_name in compiled.run_names]
    more = solve_compiled(compiled, Variation(added_square_s2_m5=np.array(added)))
    assert more.flows_m3_s["riser"] <= solve_compiled(compiled).flows_m3_s["riser"] + 1e-10


def no_tee_losses(plumbing: Network) -> Network:
    return replace(plumbing, tees={})


@SOME
@given(SEEDS)
def test_turning_runs_round_changes_only_signs(seed: int) -> None:
    plumbing = no_pumps(random_network(seed, 12))
    turned = {
        name: replace(one, start=one.end, end=one.start, parts=tuple(reversed_part(p) for p in reversed(one.parts)))
        for name, one in plumbing.runs.items()
    }
    before, after = solve_network(plumbing).flows_m3_s, solve_network(plumbing.with_runs(turned)).flows_m3_s
    for name, flow in before.items():
        assert after[name] == pytest.approx(-flow, rel=1e-6, abs=1e-9)


def reversed_part(part: Part) -> Part:
    return replace(part, end_bores_m=part.end_bores_m[::-1], reverse=not part.reverse)


@SOME
@given(SEEDS, st.integers(0, 11))
def test_a_shut_valve_carries_nothing_and_the_rest_still_closes(seed: int, which: int) -> None:
    plumbing = random_network(seed, 12)
    name = f"r{which}"
    one = plumbing.runs[name]
    shut = plumbing.with_runs({name: replace(one, parts=(*one.parts, valve(0.02, 0.0)))})
    solution = solve_network(shut)
    assert solution.flows_m3_s[name] == 0.0
    assert solution.energy_residual_m < 1e-6


@SOME
@given(st.integers(0, 200))
def test_warm_and_cold_starts_end_alike(seed: int) -> None:
    compiled = compile_network(random_network(seed, 20))
    cold = solve_compiled(compiled).flows_m3_s
    warm = solve_compiled(compiled, guess_m3_s=np.full(20, -3e-4)).flows_m3_s
    typical = max(abs(flow) for flow in cold.values())
    assert warm == pytest.approx(cold, rel=1e-6, abs=1e-7 * typical)


def test_a_ring_main_splits_by_its_resistance() -> None:
    # closed form: equal heads over both halves, so flows go as the inverse roots of the K
    points = [supply("in", 3.0), tee_point("a"), tee_point("b"), supply("out", 0.0)]
    runs = [
        run("feed", "in", "a", fixed_k(1.0, BORE)),
        run("short", "a", "b", fixed_k(4.0, BORE)),
        run("long", "b", "a", fixed_k(16.0, BORE)),
        run("tap", "b", "out", fixed_k(2.0, BORE)),
    ]
    flows = solve_network(network(points, runs)).flows_m3_s
    assert flows["short"] / -flows["long"] == pytest.approx(2.0)
    assert flows["feed"] == pytest.approx(flows["short"] - flows["long"])


def test_house_water_in_thin_tube_comes_at_its_pressure() -> None:
    # 60 psi into 10 m of 1/4 in tube (bore 4.3 mm): laminar or turbulent by the friction law alone, closed by hand
    head = 60.0 * 6894.757 / (998.2 * GRAVITY_M_S2)
    part = pipe(10.0, 0.0043)
    plumbing = network([supply("mains", head), outlet("unit", 0.0)], [run("ro", "mains", "unit", part)])
    flow = solve_network(plumbing).flows_m3_s["ro"]
    velocity_head = (flow / area_m2(0.0043)) ** 2 / (2.0 * GRAVITY_M_S2)
    assert part_head_loss_m(part, flow, conditions_of(plumbing)) + velocity_head == pytest.approx(head, abs=1e-6)


def test_a_check_valve_holds_back_and_says_so() -> None:
    plumbing = manifold(height_m=5.0, first=(check_valve(BORE),), side_opening=0.0)
    solution = solve_network(plumbing)
    assert solution.flows_m3_s["riser"] == 0.0
    assert any("cannot lift that high: no water flows in run 'riser'" in text for text in said(solution.warnings))


def test_without_a_check_valve_water_runs_back_through_a_weak_pump() -> None:
    solution = solve_network(manifold(height_m=5.0, side_opening=0.0))
    assert solution.flows_m3_s["riser"] < 0.0
    assert any("runs back through it" in text for text in said(solution.warnings))


def test_a_stopped_pump_lets_the_display_siphon_back() -> None:
    solution = solve_network(manifold(speed=0.0))
    assert solution.flows_m3_s["riser"] < 0.0


def test_a_check_valve_that_opens_costs_only_its_k() -> None:
    with_check, with_k = manifold(first=(check_valve(BORE, 2.0),)), manifold(first=(fixed_k(2.0, BORE),))
    assert solve_network(with_check).flows_m3_s == pytest.approx(solve_network(with_k).flows_m3_s)


def test_the_check_valve_of_the_weaker_of_two_parallel_pumps_shuts() -> None:
    points = [surface("sump", 0.0), tee_point("join"), surface("display", 2.5)]
    runs = [
        run("strong", "sump", "join", pump_part("strong"), check_valve(BORE), pipe(1.0, BORE)),
        run("weak", "sump", "join", pump_part("weak"), check_valve(BORE), pipe(1.0, BORE)),
        run("line", "join", "display", pipe(3.0, BORE)),
    ]
    pumps = [parabola_pump(6.0, 1e6, "strong"), parabola_pump(2.0, 1e6, "weak")]
    solution = solve_network(network(points, runs, pumps=pumps))
    assert solution.flows_m3_s["weak"] == 0.0
    assert solution.flows_m3_s["strong"] == solution.flows_m3_s["line"] > 0.0


def test_two_check_valves_in_rivalry_find_the_only_consistent_state() -> None:
    points = [surface("low", 0.0), surface("high", 1.0), tee_point("a"), tee_point("b"), surface("top", 3.0)]
    runs = [
        run("first", "low", "a", check_valve(BORE), pipe(1.0, BORE)),
        run("second", "high", "a", check_valve(BORE), pipe(1.0, BORE)),
        run("over", "a", "b", check_valve(BORE), pipe(1.0, BORE)),
        run("third", "top", "b", pipe(1.0, BORE)),
    ]
    solution = solve_network(network(points, runs))
    # Nothing flows; 1e-15 m3/s, a drop in two years, is what the arithmetic of one sparse solver or another leaves.
    assert list(solution.flows_m3_s.values()) == pytest.approx([0.0, 0.0, 0.0, 0.0], abs=1e-15)


def test_no_water_comes_in_through_an_outlet() -> None:
    points = [surface("sump", 0.0), tee_point("t"), surface("display", 1.0), outlet("spray", 2.0)]
    runs = [
        run("down", "display", "t", pipe(1.0, BORE)),
        run("drain", "t", "sump", pipe(1.0, BORE)),
        run("spray", "t", "spray", pipe(1.0, BORE)),
    ]
    solution = solve_network(network(points, runs))
    assert solution.flows_m3_s["spray"] == 0.0
    assert solution.flows_m3_s["down"] == pytest.approx(solution.flows_m3_s["drain"])
    assert "run 'spray' carries nothing: no water reaches its outlet" in said(solution.warnings)


def test_a_dead_end_stands_still_under_its_neighbours_head() -> None:
    points = [surface("sump", 2.0), tee_point("t"), tee_point("end"), surface("out", 0.0)]
    runs = [
        run("a", "sump", "t", pipe(1.0, BORE)),
        run("b", "t", "out", pipe(1.0, BORE)),
        run("stub", "t", "end", pipe(0.2, BORE)),
    ]
    solution = solve_network(network(points, runs))
    assert solution.flows_m3_s["stub"] == pytest.approx(0.0, abs=1e-12)
    assert solution.heads_m["end"] == pytest.approx(solution.heads_m["t"])


def test_behind_a_shut_valve_no_pressure_can_be_told() -> None:
    points = [surface("sump", 2.0), tee_point("end")]
    solution = solve_network(network(points, [run("stub", "sump", "end", valve(BORE, 0.0))]))
    assert math.isnan(solution.heads_m["end"])
    assert solution.flows_m3_s["stub"] == 0.0


def test_a_pump_past_its_curve_is_told() -> None:
    short = Pump("pump", ((0.0, 3.6), (4e-4, 3.4)), 1.0, manifold().pumps["pump"].ports)
    solution = solve_network(manifold(pump=short, side_opening=1.0))
    assert any("past the last point of its curve" in text for text in said(solution.warnings))


def test_velocity_is_that_of_the_narrowest_place() -> None:
    plumbing = network([surface("a", 1.0), surface("b", 0.0)], [run("r", "a", "b", pipe(1.0, BORE), pipe(0.5, 0.0158))])
    solution = solve_network(plumbing)
    assert solution.velocities_m_s["r"] == pytest.approx(solution.flows_m3_s["r"] / area_m2(0.0158))


def test_a_device_takes_its_rated_loss() -> None:
    # supply and device alone: the whole head is the device's, h = 2.0 (Q / 3e-4)²
    uv = Device("uv", ((3e-4, 2.0),), manifold().pumps["pump"].ports)
    plumbing = network([supply("a", 4.5), supply("b", 0.0)], [run("r", "a", "b", device_part("uv"))], devices=[uv])
    assert solve_network(plumbing).flows_m3_s["r"] == pytest.approx(4.5e-4)


def test_hazen_williams_can_be_asked_for() -> None:
    # closed form: h = 10.67 L (Q/C)^1.852 / D^4.8704
    plumbing = network([supply("a", 2.0), supply("b", 0.0)], [run("r", "a", "b", pipe(30.0, BORE))])
    flow = solve_network(plumbing, conditions_of(plumbing, hazen_williams=HazenWilliams(c=150.0))).flows_m3_s["r"]
    assert 10.67 * 30.0 * (flow / 150.0) ** 1.852 / BORE**4.8704 == pytest.approx(2.0, abs=1e-6)


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ((), "run 'r' has no parts"),
        ((pump_part("ghost"),), "run 'r' names pump 'ghost'; the pumps are none"),
        ((device_part("ghost"),), "there is no device 'ghost'"),
        ((fixed_k(0.0, BORE),), "ties two fixed heads together without any resistance"),
    ],
)
def test_plumbing_that_can_not_be_solved_is_refused_with_the_run_and_the_reason(
    parts: tuple[Part, ...], words: str
) -> None:
    plumbing = network([supply("a", 2.0), supply("b", 0.0)], [run("r", "a", "b", *parts)], water=FRESH)
    with pytest.raises(NetworkError, match="r'") as caught:
        solve_network(plumbing)
    assert words in str(caught.value)


def test_a_nameplate_of_over_1200_delivers_about_580_gallons_an_hour() -> None:
    # common practice, no source: 3/4 in sch 40, five elbows, two ball valves, 1.4 m of lift, 3.6 m of shut-off head
    bore, gallon_per_hour = 0.804 * 0.0254, 3.785411784e-3 / 3600.0
    pump = parabola_pump(3.6, 3.6 / (1250.0 * gallon_per_hour) ** 2)
    elbow = fitting(Kind.ELBOW, bore, LossMethod.THREE_K, 800.0, 0.14, 4.0, 0.75)
    ball = fitting(Kind.BALL_VALVE, bore, LossMethod.THREE_K, 300.0, 0.017, 3.5, 0.75)
    parts = [pump_part(), ball, *[elbow] * 5, pipe(2.4, bore), ball, pipe(0.3, bore)]
    plumbing = network(
        [surface("sump", 0.0), surface("display", 1.4)],
        [run("return", "sump", "display", *parts)],
        pumps=[pump],
        water=Water(35.0, 25.0),
    )
    delivered = solve_network(plumbing).flows_m3_s["return"] / gallon_per_hour
    assert delivered == pytest.approx(580.0, rel=0.05)
