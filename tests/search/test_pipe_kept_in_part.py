"""Pipe that is replaced in part: one end stays with its joint, the rest is new, one coupling goes between the two.

The systems are invented; lengths and prices are added up by hand beside the checks.
"""

from __future__ import annotations

import itertools
import random
from dataclasses import replace
from pathlib import Path

import pytest
from small_trees import FAMILY, full_catalog, part, small_catalog

from optimizer.choices.alternatives import Alternative, AlternativeTable
from optimizer.choices.graph import FREE
from optimizer.choices.graph_builder import build_choice_graph
from optimizer.choices.joining import Joiners
from optimizer.hydraulics import solve_network
from optimizer.joints.chains import EndGraph
from optimizer.joints.efficient import EfficientChains
from optimizer.model.catalog import PIPES, Catalog, Kind
from optimizer.model.network import Part, Run, RunEnd
from optimizer.model.plan import Plan, Status
from optimizer.model.system import Rules, System
from optimizer.read.systems import load_system
from optimizer.search.cheapest import find_plan
from optimizer.search.studies.worth import change_worths
from optimizer.takeoff.take_off import Store, take_off
from optimizer.verify.check import verify_plan

LINE = """
system: A long last pipe, invented
units: metric
surfaces: {{sump: 0.00 m, display: 1.61 m}}
pumps:
  return:
    curve: [0 L/h at 5.05 m, 2888 L/h at 4.55 m, 5363 L/h at 3.28 m, 8251 L/h at 0.00 m]
    ports: 3/4 in NPT male
runs:
  riser:
    from: sump
    to: display
    size: 3/4 in sch 40 PVC
    parts:
      - pump return
      - adapter NPT female x socket
      - pipe 0.31 m
      - 45 elbow
      - pipe 1.30 m
      - {{part: true-union ball valve, keep: yes}}
      - {{part: pipe 1.01 m, keep: yes}}
      - 45 elbow
      - 45 elbow
      {end}
targets:
  riser: at least 3574 L/h
rules:
  sizes: [3/4 in, 1 in]
  velocity limit: 9.0 m/s
  buy pipe: by the foot
"""


def planned(folder: Path, *end: str) -> tuple[System, Plan]:
    file = folder / "line.yaml"
    file.write_text(LINE.format(end="\n      ".join(f"- {line}" for line in end)), encoding="utf-8")
    system = load_system(file, full_catalog())
    return system, find_plan(system, full_catalog()).plan


def test_a_long_pipe_is_replaced_only_as_far_as_it_must_be(tmp_path: Path) -> None:
    _, plan = planned(tmp_path, "pipe 1.95 m")

    tail = [(one.kind, one.existing, round(one.length_m, 4)) for one in plan.runs["riser"].parts[-3:]]
    assert tail == [(Kind.PIPE, True, 1.2188), (Kind.REDUCING_COUPLING, False, 0.0), (Kind.PIPE, False, 0.7312)]
    items = full_catalog().items
    # three eighths of 1.95 m, 22.2 mm in the socket of the coupling and a saw cut of 3.2 mm: 756.65 mm of 1 in. pipe,
    # which are 3 ft where it is sold by the foot
    pipe = -(-756.65 // 304.8) * items["sch40-pipe-100"].price_cents
    cans = items["cement-quarter-pint"].price_cents + items["primer-quarter-pint"].price_cents
    by_hand = items["sch40-reducing-coupling-100x075"].price_cents + pipe + cans
    assert (plan.status, plan.material_cents) == (Status.OPTIMAL, by_hand)
    # replaced whole it would be 1,975.4 mm, 7 ft; cut in the middle 1,000.4 mm, 4 ft
    assert by_hand < 1643 < 2000


def test_a_pipe_with_a_coupling_in_its_middle_costs_no_less_but_for_where_it_may_be_cut(tmp_path: Path) -> None:
    # The same line but for the coupling, whose loss is that of some 5 cm of pipe; its halves may be cut at every
    # sixteenth of the whole, so they spare at most a sixteenth of it: 122 mm at 119 a foot.
    whole = planned(tmp_path, "pipe 1.95 m")[1].material_cents
    halves = planned(tmp_path, "pipe 0.975 m", "coupling", "pipe 0.975 m")[1].material_cents

    assert whole is not None
    assert halves is not None
    assert whole <= halves + 48


def test_pipe_that_has_to_stay_is_not_cut(tmp_path: Path) -> None:
    _, plan = planned(tmp_path, "{part: pipe 1.95 m, keep: yes}")

    assert [part.length_m for part in plan.runs["riser"].parts if part.existing and part.kind in PIPES][-1] == 1.95


def test_the_lists_say_what_is_sawn_and_what_comes_out(tmp_path: Path) -> None:
    system, plan = planned(tmp_path, "pipe 1.95 m")
    catalog = full_catalog()
    lists = take_off(system, plan, verify_plan(system, plan), catalog, Store.shipped(), {})

    (piece,) = lists.cuts.pieces
    coupling = catalog.items["sch40-reducing-coupling-100x075"]
    depths = catalog.socket_depths_m
    body_m = sum(coupling.take_outs_m) + sum(depths[end] for end in coupling.ends)
    # five eighths of the old pipe show; with the coupling from face to face and the new pipe they fill its place
    assert 1.21875 + body_m + piece.face_to_face_m == pytest.approx(1.95)
    (sawn,) = (step for run in lists.work for step in run.steps if step.code == "through")
    # 3/4 in. sockets are 18.3 mm deep
    assert (sawn.lengths_m["whole"], sawn.lengths_m["stays"]) == pytest.approx((1.95, 1.21875 + 0.0183), abs=1e-4)
    assert [round(one.length_m, 4) for one in plan.runs["riser"].removed] == [0.7312]


def test_of_a_pipe_told_as_two_the_piece_that_stays_is_sawn_as_long_as_it_must_be(
    tmp_path: Path, whole_pipes: None
) -> None:
    one, catalog = planned(tmp_path, "pipe 1.95 m")[0], full_catalog()
    run = one.network.runs["riser"]
    half = replace(run.parts[-1], length_m=0.975)
    system = replace(one, network=one.network.with_runs({"riser": replace(run, parts=(*run.parts[:-1], half, half))}))
    plan = find_plan(system, catalog).plan
    lists = take_off(system, plan, verify_plan(system, plan), catalog, Store.shipped(), {})

    (piece,) = lists.cuts.pieces
    coupling = catalog.items["sch40-reducing-coupling-100x075"]
    depths = catalog.socket_depths_m
    body_m = sum(coupling.take_outs_m) + sum(depths[end] for end in coupling.ends)
    assert plan.cuts == 1
    assert 0.975 + body_m + piece.face_to_face_m == pytest.approx(1.95)
    (sawn,) = (step for run in lists.work for step in run.steps if step.code == "through")
    assert (sawn.lengths_m["whole"], sawn.lengths_m["stays"]) == pytest.approx((1.95, 0.975 + 0.0183), abs=1e-4)


def test_what_new_pipe_for_a_part_of_an_old_one_is_worth_is_told_by_the_whole_old_pipe(tmp_path: Path) -> None:
    system, plan = planned(tmp_path, "pipe 1.95 m")
    (worth,) = change_worths(system, plan)

    assert worth.reach_without == pytest.approx(
        3.6e6 * solve_network(system.network).flows_m3_s["riser"] / 3574, rel=1e-3
    )


# A line written from its other end, with losses that do not know the direction of the water.

FINE = 10_000  # prices in hundredths of a hundredth, so that rounding up whole units is of no account


def even_loss(piece: Part) -> float:
    bore = min(piece.end_bores_m)
    own = {Kind.ELBOW: 0.9, Kind.BALL_VALVE: 0.4, Kind.GLOBE_VALVE: 8.0, Kind.COUPLING: 0.05}.get(piece.kind, 0.3)
    return (0.02 * piece.length_m / bore if piece.kind in PIPES else own) * bore**-4


def fine_catalog() -> Catalog:
    coarse = small_catalog(("3/4 in", "1 in"))
    return replace(
        coarse, items={key: replace(item, price_cents=FINE * item.price_cents) for key, item in coarse.items.items()}
    )


def turned(run: Run) -> Run:
    parts = tuple(
        replace(one, ends=one.ends[::-1], end_bores_m=one.end_bores_m[::-1], reverse=not one.reverse)
        for one in reversed(run.parts)
    )
    return replace(run, parts=parts, start=run.end, end=run.start)


def table(run: Run, catalog: Catalog) -> tuple[Alternative, ...]:
    chains = EfficientChains(EndGraph(catalog), lambda piece: (0.0, even_loss(piece), 0.0))
    joiner = Joiners(catalog, Rules(), chains).of(run)
    graph = build_choice_graph(run, Rules(), joiner, None, None)
    return AlternativeTable(graph, (), even_loss, lambda _: 0.0, lambda _: 0.0).table()[FREE, FREE]


def a_line(seed: int, catalog: Catalog) -> Run:
    rng = random.Random(seed)
    fittings = [Kind.ELBOW, Kind.BALL_VALVE, Kind.GLOBE_VALVE, Kind.COUPLING]
    parts = [part(catalog, Kind.PIPE, "3/4 in", rng.choice([0.1, 0.5, 1.7]))]
    for _ in range(rng.randint(1, 3)):
        parts.append(part(catalog, rng.choice(fittings), "3/4 in"))
        if rng.random() < 0.8:
            parts.append(part(catalog, Kind.PIPE, "3/4 in", rng.choice([0.1, 0.4, 1.2])))
    return Run("line", RunEnd("a"), RunEnd("b"), "3/4 in", FAMILY, tuple(parts))


def least(found: tuple[Alternative, ...], loss_m: float) -> float:
    return min((one.cents for one in found if one.loss_m <= loss_m * (1 + 1e-9)), default=float("inf"))


@pytest.mark.parametrize("seed", range(12))
def test_a_line_written_from_its_other_end_costs_the_same(seed: int) -> None:
    catalog = fine_catalog()
    run = a_line(seed, catalog)
    there, back = table(run, catalog), table(turned(run), catalog)

    assert len(there) > 1
    for loss_m in [one.loss_m for one in itertools.chain(there, back)]:
        assert least(there, loss_m) == pytest.approx(least(back, loss_m), abs=30)  # of 10,000 a cent
