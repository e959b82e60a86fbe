from dataclasses import replace

import pytest
from independent import run_joints
from networks import fitting, fixed_k, network, parabola_pump, pipe, pump_part, run, surface
from test_network_behaviour import manifold

from optimizer.hydraulics import (
    conditions_of,
    loss_table,
    losses_by_kind,
    losses_by_run,
    part_head_loss_m,
    pump_head_m,
    solve_network,
)
from optimizer.model.catalog import Kind, LossMethod
from optimizer.model.network import Network

BORE = 0.0266


def line() -> Network:
    parts = (pump_part(), fixed_k(0.8, BORE), pipe(3.0, BORE), pipe(1.5, BORE), fixed_k(2.5, BORE))
    points = [surface("sump", 0.0), surface("display", 1.4)]
    return network(points, [run("line", "sump", "display", *parts)], pumps=[parabola_pump(3.6, 1e6)])


def test_the_losses_of_a_line_add_up_to_pump_head_less_lift() -> None:
    plumbing = line()
    solution = solve_network(plumbing)
    head = pump_head_m(plumbing.pumps["pump"], solution.flows_m3_s["line"])
    table = loss_table(plumbing, solution, with_gains=False)
    assert sum(row.head_loss_m for row in table) == pytest.approx(head - 1.4, abs=1e-6)


def test_shares_add_up_to_one_and_the_largest_comes_first() -> None:
    plumbing = manifold()
    table = loss_table(plumbing, solve_network(plumbing))
    assert sum(row.share for row in table) == pytest.approx(1.0)
    assert [row.head_loss_m for row in table] == sorted((row.head_loss_m for row in table), reverse=True)


def test_each_row_is_what_the_part_loses_at_the_flow() -> None:
    plumbing = manifold()
    solution = solve_network(plumbing)
    alone: dict[str, float] = {}
    for row in loss_table(plumbing, solution, with_gains=False):
        if row.place == "part" and row.index is not None:
            part = plumbing.runs[row.run].parts[row.index]
            loss = abs(part_head_loss_m(part, solution.flows_m3_s[row.run], conditions_of(plumbing)))
            assert row.head_loss_m >= loss - 1e-12
            alone[row.run] = alone.get(row.run, 0.0) + row.head_loss_m - loss
    for name, joints in alone.items():  # what is beyond the parts alone is what their joints lose
        flow = solution.flows_m3_s[name]
        assert joints == pytest.approx(abs(run_joints(plumbing, plumbing.runs[name], flow)), abs=1e-9)


def test_the_gain_of_a_part_is_that_of_the_network_without_it() -> None:
    plumbing = line()
    solution = solve_network(plumbing)
    gains = {row.index: row.gained_flow_m3_s for row in loss_table(plumbing, solution) if row.place == "part"}
    for index in (1, 2, 3):  # the last part is left: without it the exit would be another
        parts = plumbing.runs["line"].parts
        short = plumbing.with_runs({"line": replace(plumbing.runs["line"], parts=parts[:index] + parts[index + 1 :])})
        gained = solve_network(short).flows_m3_s["line"] - solution.flows_m3_s["line"]
        assert gains[index] == pytest.approx(gained, rel=1e-6)


def test_entrances_exits_and_tees_have_rows() -> None:
    plumbing = manifold()
    places = {(row.place, row.point) for row in loss_table(plumbing, solve_network(plumbing))}
    assert {("tee", "t1"), ("tee", "t2"), ("exit", "display"), ("exit", "sump")} <= places


def test_a_lossless_tee_leg_gives_its_run_more_flow() -> None:
    plumbing = manifold()
    rows = [
        row for row in loss_table(plumbing, solve_network(plumbing)) if row.place == "tee" and row.head_loss_m > 0.01
    ]
    assert rows
    assert all(row.gained_flow_m3_s > 0.0 for row in rows)


def test_losses_added_up_by_run_are_the_heads_of_the_runs() -> None:
    plumbing = line()
    solution = solve_network(plumbing)
    table = loss_table(plumbing, solution, with_gains=False)
    (group,) = losses_by_run(table)
    assert group.head_loss_m == pytest.approx(sum(row.head_loss_m for row in table))
    assert (group.parts, group.share) == (len(table), pytest.approx(1.0))


def test_losses_added_up_by_kind_hold_every_row_once() -> None:
    plumbing = manifold()
    table = loss_table(plumbing, solve_network(plumbing), with_gains=False)
    groups = losses_by_kind(plumbing, table)
    assert sum(group.parts for group in groups) == len(table)
    assert sum(group.share for group in groups) == pytest.approx(1.0)
    assert {"pipe", "tee", "exit"} <= {group.name for group in groups}


def test_a_fitting_beside_another_is_marked_in_the_table() -> None:
    elbow = fitting(Kind.ELBOW, BORE, LossMethod.K, 0.9)
    parts = (pump_part(), pipe(1.0, BORE), elbow, pipe(0.05, BORE), elbow, pipe(1.0, BORE), elbow, pipe(1.0, BORE))
    points = [surface("sump", 0.0), surface("display", 1.4)]
    plumbing = network(points, [run("line", "sump", "display", *parts)], pumps=[parabola_pump(3.6, 1e6)])
    table = loss_table(plumbing, solve_network(plumbing), with_gains=False)
    assert {row.index for row in table if row.close_coupled} == {2, 4}
