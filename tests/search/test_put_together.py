"""What is held at both ends must be able to close: by a union, hose, a free end, or a leg of pipe that springs aside.

That a cemented joint needs one side free to move along the pipe is common practice, no source. What a leg of pipe
springs is a beam held at its far end: where that end bends by d, the stress at the root is 1.5 E D d / L².
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from said import said

from optimizer import pipeline
from optimizer.choices.considered import ONE_UNION
from optimizer.joints.closing import SPRING_DIAMETERS, assembly, share_a_closing, springs, tied
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.ends import Form
from optimizer.model.network import Condition
from optimizer.model.plan import Plan, planned_network
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.verify.check import verify_plan

# Invented: a pump behind a bulkhead feeds two outlets through bulkheads; everything is cemented, there is no union.
LINE = """
system: No freedom
units: US
currency: USD
surfaces: {{sump: 0 ft, display: 4 ft}}
pumps:
  return:
    curve: [0 gal/h at 16 ft, 800 gal/h at 13 ft, 1600 gal/h at 8 ft, 2200 gal/h at 0 ft]
    ports: {{in: 1 in NPT female, out: 1 in NPT male}}
runs:
  line:
    from: sump
    to: split
    size: 3/4 in sch 40 PVC
    parts: [1 in bulkhead, 1 in pipe 4 in, adapter 1 in socket x 1 in NPT male, pump return,
      adapter 1 in NPT female x 1 in socket, bushing to 3/4 in, {before}pipe 6 in, elbow, pipe 3 ft, elbow, pipe 4 ft]
  left: {{from: split, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 10 in, elbow, pipe 8 in{end}]}}
  right: {{from: split branch, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 10 in, elbow, pipe 8 in{end}]}}
targets: {{left + right: at least 950 gal/h}}
rules: {{keep unions: no, sizes: [3/4 in, 1 in]{rule}}}
"""
BULKHEAD = ", 3/4 in bulkhead"


@cache
def catalog() -> Catalog:
    return load_catalog()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return one folder for all, so that the same line is the same question."""
    return tmp_path_factory.mktemp("lines")


def system(folder: Path, before: str = "", end: str = BULKHEAD, rule: str = "") -> System:
    file = folder / "line.yaml"
    file.write_text(LINE.format(before=before, end=end, rule=rule), encoding="utf-8")
    return pipeline.read(file)[0]


def unions_bought(plan: Plan) -> int:
    bought = [purchase.item.kind for run in plan.runs.values() for purchase in run.purchases]
    return sum(kind in (Kind.UNION, Kind.TRUE_UNION_BALL_VALVE) for kind in bought)


@pytest.mark.slow
def test_between_bulkheads_a_plan_brings_its_own_union_and_costs_more_for_it(folder: Path) -> None:
    held, free = system(folder), system(folder, end="")
    with_union, without = (pipeline.search(one, catalog()) for one in (held, free))

    assert with_union.found
    assert (unions_bought(with_union), unions_bought(without)) == (1, 0)
    assert (with_union.cost_cents or 0) > (without.cost_cents or 0)
    assert verify_plan(held, with_union).passed
    (opened,) = assembly(held.network, planned_network(held.network, with_union)).opened
    assert not opened.stands


@pytest.mark.long
def test_a_plan_for_the_free_line_is_refused_between_bulkheads(folder: Path) -> None:
    open_ended = system(folder, end="")
    line = open_ended.network.runs["line"]
    kept = replace(line, parts=tuple(replace(part, condition=Condition.KEEP) for part in line.parts))  # so an outlet
    free = pipeline.search(replace(open_ended, network=open_ended.network.with_runs({"line": kept})), catalog())
    held = system(folder)
    bulkhead = held.network.runs["left"].parts[-1]
    runs = {
        name: replace(run, parts=(*run.parts, bulkhead)) if name != "line" else run for name, run in free.runs.items()
    }
    assert any(run.changes for name, run in free.runs.items() if name != "line")
    found = verify_plan(held, replace(free, runs=runs))

    assert not found.passed
    assert any("cannot be put together" in words for words in said(found.failures))


@pytest.mark.long
def test_a_union_that_stands_is_opened_for_it(folder: Path) -> None:
    one = system(folder, before="pipe 3 in, union, ")
    plan = pipeline.search(one, catalog())
    found = assembly(one.network, planned_network(one.network, plan))

    changed = {name for name, run in plan.runs.items() if run.changes}
    assert unions_bought(plan) == 0 or changed - {"line"}
    assert not found.stuck
    assert found.opened


@pytest.mark.slow
def test_where_the_owner_lets_pipe_bend_a_long_leg_springs_and_no_union_is_bought(folder: Path) -> None:
    one = system(folder, rule=", bend pipe to fit: yes")
    plan = pipeline.search(one, catalog())
    found = assembly(one.network, planned_network(one.network, plan), bend=True)

    assert unions_bought(plan) == 0
    assert found.sprung
    assert not found.stuck
    # the legs of 10 in. and 8 in. are too short: 20 diameters of 3/4 in. pipe are 21 in.
    assert {run for run, _ in found.sprung} == {"line"}


def test_a_run_is_held_by_what_is_round_it_as_long_as_nothing_there_comes_apart(folder: Path) -> None:
    bare, loose = system(folder), system(folder, before="union, ")
    hung = system(folder, end="")

    assert tied(bare.network, bare.network.runs["line"]) == (False, True)  # before its bulkhead there is nothing
    assert [tied(one.network, one.network.runs["left"])[0] for one in (bare, loose, hung)] == [True, True, False]
    alone = replace(loose.network.runs["right"], parts=())
    without = loose.network.with_runs({"right": replace(loose.network.runs["right"], parts=alone.parts)})
    assert tied(without, without.runs["left"])[0] is False  # held by the line alone, and that has a union
    assert tied(without, without.runs["left"], alone=True)[0] is True


def test_runs_share_a_union_where_they_alone_hold_each_other(folder: Path) -> None:
    bare, loose, hung = system(folder), system(folder, before="union, "), system(folder, end="")
    run = bare.network.runs["right"]
    stays = replace(run, parts=tuple(replace(part, condition=Condition.KEEP) for part in run.parts))

    assert share_a_closing(bare.network)  # three runs to the wall: unions in two let the third close
    assert share_a_closing(loose.network)  # left and right hold each other
    assert not share_a_closing(hung.network)  # both ends hang free
    # of left and line, with right kept as it is: right holds either one
    assert not share_a_closing(bare.network.with_runs({"right": stays}))


@pytest.mark.long
def test_a_plan_with_a_union_in_each_run_says_that_one_for_two_was_not_considered(folder: Path) -> None:
    plan = pipeline.search(system(folder), catalog())

    assert unions_bought(plan) >= 1
    assert ONE_UNION in said(plan.left_out)


def test_a_leg_of_twenty_diameters_springs_by_a_socket_within_the_design_stress() -> None:
    modulus_pa, design_stress_pa = 2.76e9, 13.8e6  # PVC 12454 at 23 °C, 2000 psi: from memory
    shelf = catalog()
    sizes = 0
    for pipe in shelf.of_kind(Kind.PIPE):
        if pipe.family not in ("sch 40 PVC", "PVC-U PN16"):
            continue
        depth_m = shelf.socket_depths_m.get(replace(pipe.ends[0], form=Form.SOCKET), 0.0)
        if depth_m <= 0.0:
            continue
        diameter_m = pipe.outside_diameter_m
        length_m = SPRING_DIAMETERS * diameter_m
        assert springs(length_m, diameter_m)
        assert not springs(length_m - 0.01, diameter_m)
        stress_pa = 1.5 * modulus_pa * diameter_m * depth_m / length_m**2
        assert stress_pa < design_stress_pa, pipe.description
        sizes += 1
    assert sizes > 8
