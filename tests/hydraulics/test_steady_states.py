"""Whether other starts lead to another steady state."""

import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from networks import (
    PORTS,
    check_valve,
    network,
    parabola_pump,
    pipe,
    pump_part,
    random_manifold,
    random_network,
    run,
    surface,
    tee_item,
    tee_point,
)
from said import said

from optimizer import pipeline
from optimizer.cli import main
from optimizer.hydraulics import compile_network, conditions_of, part_head_loss_m, solve_network
from optimizer.hydraulics.compiled import AS_COMPILED
from optimizer.hydraulics.newton import Newton
from optimizer.hydraulics.steady import _ends, other_states, state_notes
from optimizer.model.network import Leg, Pump, Tee
from optimizer.model.system import System

EXAMPLES = Path(__file__).parents[2] / "examples"


def test_where_there_is_one_steady_state_no_other_is_told() -> None:
    for seed in range(3):
        plumbing = random_manifold(seed, 9)
        assert other_states(plumbing, solve_network(plumbing).flows_m3_s) == ()


def test_starts_that_go_together_end_where_each_ends_alone() -> None:
    for seed in range(4):
        plumbing = random_network(seed, 9)
        compiled = compile_network(plumbing)
        true = Newton(compiled, AS_COMPILED).run().flow_m3_s
        starts = np.random.default_rng(seed).normal(scale=1e-3, size=(5, len(true)))
        alone = np.array([Newton(compiled, AS_COMPILED).run(start).flow_m3_s for start in starts])
        # both close energy to 1e-10 m: of the largest flow, for a run near rest has no figures of its own
        assert np.abs(_ends(compiled, true, starts) - alone).max() < 1e-7 * np.abs(alone).max()


RING = """\
system: A ring between two wyes
units: US
surfaces: {sump: 0 ft, display: 4 ft}
pumps:
  main: {curve: [0 gph at 15 ft, 600 gph at 13 ft, 1200 gph at 8 ft, 1800 gph at 0 ft], ports: 1 in NPT male}
runs:
  riser:
    {from: sump, to: near branch, size: 1 in sch 40 PVC, parts: [pump main, adapter NPT female x socket, pipe 4 ft]}
  left: {from: near, to: far, size: 1 in sch 40 PVC, parts: [pipe 3 in]}
  right: {from: near, to: far, size: 1 in sch 40 PVC, parts: [pipe 3 in]}
  out: {from: far branch, to: display, size: 1 in sch 40 PVC, parts: [pipe 4 in, elbow, pipe 4 in]}
tees: {near: wye, far: wye}
targets: {out: at least 300 gph}
"""


@pytest.fixture(scope="module")
def ring(tmp_path_factory: pytest.TempPathFactory) -> System:
    path = tmp_path_factory.mktemp("ring") / "ring.yaml"
    path.write_text(RING)
    return pipeline.read(path)[0]


def test_a_ring_between_two_wyes_goes_round_either_way_or_not_at_all(ring: System) -> None:
    # Left and right are alike, so an even split closes, and any other state closes mirrored too. Water that comes in
    # along the run of a wye (Crane: K of the run is 1 - (1 - r)² - 1.41 r² with equal bores) is drawn along from
    # r = 2 / 2.41 on, so that the ring goes round by itself.
    even = solve_network(ring.network).flows_m3_s
    others = other_states(ring.network, even)

    assert even["left"] == pytest.approx(even["right"], rel=1e-9)
    assert len(others) == 2
    more, less = sorted(others, key=lambda flows: flows["left"], reverse=True)
    assert more["left"] == pytest.approx(less["right"], rel=1e-6)
    assert more["right"] == pytest.approx(less["left"], rel=1e-6)
    assert more["left"] > more["out"] > 0.0 > more["right"]
    # Round the ring, by hand: what the wyes lose along their runs and the pipes lose to friction comes to nothing.
    pipe = ring.network.runs["left"].parts[0]
    conditions = conditions_of(ring.network)
    most, back = more["left"], -more["right"]
    r = more["out"] / most
    k = (1.0 - (1.0 - r) ** 2 - 1.41 * r**2) + 0.3 * (2.0 * r - 1.0) * r**2  # near: joins; far: leaves the run
    velocity_head_m = (most / (math.pi / 4.0 * pipe.end_bores_m[0] ** 2)) ** 2 / (2.0 * 9.80665)
    friction = part_head_loss_m(pipe, most, conditions) + part_head_loss_m(pipe, back, conditions)
    assert k * velocity_head_m + friction == pytest.approx(0.0, abs=1e-6)


def test_each_other_state_is_told_by_the_run_that_differs_most(ring: System) -> None:
    even = solve_network(ring.network).flows_m3_s
    notes = state_notes(even, other_states(ring.network, even))
    assert {told.run for told in notes} == {"left", "right"}
    assert all("two steady states were found" in text for text in said(notes))


@pytest.mark.long
def test_flow_and_losses_say_the_other_states(tmp_path: Path) -> None:
    path = tmp_path / "ring.yaml"
    path.write_text(RING)
    for words in (["flow"], ["losses"], ["losses", "--by", "kind"], ["losses", "--along", "left"]):
        told = CliRunner().invoke(main, [words[0], str(path), *words[1:]])
        assert told.exit_code == 0
        assert told.stdout.count("two steady states were found") == 2, words


@pytest.mark.long
def test_a_plan_says_another_steady_state_of_its_plumbing(ring: System) -> None:
    plan = pipeline.plan(ring, pipeline.read(EXAMPLES / "single-return.yaml")[1])
    assert sum("two steady states" in text for text in said(plan.verification.warnings)) == 2


def test_water_at_rest_is_in_one_state() -> None:
    # Two pumps push into a ring that nothing leaves: what other starts end in differs by less than any flow.
    plumbing = network(
        [surface("sump", 0.0), surface("top", 0.77), tee_point("t"), tee_point("u")],
        [
            run("low", "sump", "t", pump_part("p"), pipe(0.02, 0.04), check_valve(0.04), legs=(Leg.NONE, Leg.RUN_1)),
            run("high", "top", "u", pump_part("q"), pipe(0.05, 0.04), check_valve(0.04), legs=(Leg.NONE, Leg.RUN_1)),
            run("left", "u", "t", pipe(0.3, 0.027), legs=(Leg.RUN_2, Leg.BRANCH)),
            run("right", "u", "t", pipe(0.05, 0.027), legs=(Leg.BRANCH, Leg.RUN_2)),
        ],
        pumps=[parabola_pump(1.6, 2.6e5, "p"), parabola_pump(5.8, 1.7e6, "q")],
        tees=[Tee("t", tee_item(0.027, 0.027, 0.02)), Tee("u", tee_item(0.027, 0.027, 0.02))],
    )
    assert other_states(plumbing, solve_network(plumbing).flows_m3_s) == ()


def test_past_the_end_of_a_curve_no_other_state_is_told() -> None:
    # The pump is held at its last point; how it would go on from there is not known, and no state of its own.
    plumbing = network(
        [surface("sump", 0.0), surface("display", 0.2), surface("loft", 0.3), tee_point("t")],
        [
            run("riser", "sump", "t", pump_part(), pipe(0.5, 0.04), legs=(Leg.NONE, Leg.RUN_1)),
            run("straight", "t", "display", pipe(1.0, 0.04), legs=(Leg.RUN_2, Leg.NONE)),
            run("turned", "t", "loft", pipe(1.0, 0.04), legs=(Leg.BRANCH, Leg.NONE)),
        ],
        pumps=[Pump("pump", ((0.0, 4.0), (5e-4, 3.6)), 1.0, PORTS)],
        tees=[Tee("t", tee_item(0.04, 0.04, 0.02))],
    )
    solution = solve_network(plumbing)
    assert solution.doubt.pumps
    assert other_states(plumbing, solution.flows_m3_s) == ()
