"""One question has one answer, whoever asks it: plan, other kinds, frontier, explanation, most flow."""

from __future__ import annotations

import math
import re
from functools import cache
from pathlib import Path

import pytest
from said import said

from optimizer import pipeline
from optimizer.documents.status_words import status_words
from optimizer.documents.words import reached
from optimizer.model.catalog import Catalog
from optimizer.model.plan import Forbidden, Status
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system
from optimizer.verify.check import verify_plan

SMALL_SUMP = """
system: small sump, invented
units: metric
water: {salinity: 35 g/kg, temperature: 25 degC}
surfaces: {sump: 0 m, display: 1.2 m}
pumps:
  return:
    curve: [0 L/h at 4 m, 1080 L/h at 3 m, 2160 L/h at 0 m]
    speed: 100 %
    ports: 3/4 in socket
runs:
  return line:
    from: sump
    to: display
    size: 3/4 in sch 40 PVC
    parts: [{pump: return, keep: yes}, pipe 1 m, elbow, pipe 6 m, elbow, pipe 5.5 m, ball valve, pipe 0.5 m]
targets:
  return line: at least 1420 L/h
rules:
  sizes: [3/4 in, 1 in, 1-1/4 in]
  velocity limit: 9 m/s
"""
TANKS = """
tanks:
  display:
    {area: 0.72 m2, overflow edge: 30 cm, rim above edge: 3 cm, return outlet depth: 2.5 cm, start volume: 4 L}
  sump: {free volume: 37.6 L, pump reserve: 15 L}
drains:
  main drain:
    from: display
    mode: full siphon
    size: 1-1/2 in sch 40 PVC
    drop: 0.9 m
    parts: [pipe 5 cm, elbow, pipe 50 cm, ball valve, pipe 30 cm, elbow, pipe 5 cm]
  emergency drain:
    {from: display, mode: emergency, size: 2 in sch 40 PVC, drop: 1 m, head over lip: 3 cm, parts: [pipe 1 m]}
"""
TWO_OUTLETS = """
system: an outlet without a valve, invented
units: metric
surfaces: {sump: 0, display: 1.25 m}
pumps:
  return: {curve: [0 L/h at 4.5 m, 2000 L/h at 3.9 m, 4000 L/h at 2.6 m, 6000 L/h at 0 m], ports: 1 in socket}
runs:
  riser: {from: sump, to: tee, size: 1 in sch 40 PVC, parts: [{pump: return, keep: yes}, pipe 1 m]}
  side line: {from: tee branch, to: sump, size: 1 in sch 40 PVC, parts: [pipe 10 cm, ball valve, pipe 60 cm]}
  main line: {from: tee, to: display, size: 1 in sch 40 PVC, parts: [pipe 80 cm, elbow, pipe 10 cm]}
targets:
  main line: at least 5200 L/h
  side line: 800 to 1200 L/h
rules: {sizes: [3/4 in, 1 in], velocity limit: 9 m/s}
"""


@cache
def catalog() -> Catalog:
    return load_catalog()


def read(folder: Path, text: str) -> System:
    path = folder / "system.yaml"
    path.write_text(text, encoding="utf-8")
    return load_system(path, catalog())


@pytest.mark.parametrize("asked", [{"margin": 0.05}, {"certainty": 0.8}, {}])
def test_cost_against_flow_says_that_it_asks_no_promise_of_its_plans(asked: dict[str, float]) -> None:
    system = load_system(data_directory("examples") / "measured-return.yaml", catalog())
    found = pipeline.frontier(system.with_promise(**asked), catalog(), time_limit_s=5.0)

    assert any(one.code == "promise not counted" for one in found.notes) is bool(asked)


def agree(system: System) -> None:
    """Check that every study names the cost of the plan."""
    plan = pipeline.search(system, catalog())
    assert plan.found
    kinds = pipeline.kinds_of_plan(system, catalog())
    money = pipeline.frontier(system, catalog())
    first = next(step for step in money.plans if step.meets_targets)

    assert kinds[0].plan is not None
    assert kinds[0].plan.cost_cents == plan.cost_cents
    assert first.plan.cost_cents == plan.cost_cents
    assert pipeline.explain(system, catalog()).plan.cost_cents == plan.cost_cents
    for kind in kinds:
        assert kind.plan is None or verify_plan(system, kind.plan).passed
    for step in money.plans:
        assert not step.meets_targets or verify_plan(system, step.plan).passed


@pytest.mark.parametrize("name", ["single-return", "starter", pytest.param("metric-unions", marks=pytest.mark.slow)])
def test_every_study_of_an_example_names_the_cost_of_its_plan(name: str) -> None:
    agree(load_system(data_directory("examples") / f"{name}.yaml", catalog()))


@pytest.mark.parametrize(
    "text",
    [
        SMALL_SUMP,
        SMALL_SUMP.replace("at least 1420", "at least 1425"),
        SMALL_SUMP.replace("at least 1420 L/h", "1400 to 1500 L/h"),
        SMALL_SUMP.replace("ball valve, pipe 0.5 m", "elbow, pipe 0.5 m"),
        SMALL_SUMP.replace("ball valve, pipe 0.5 m", "elbow, pipe 0.5 m").replace("at least 1420", "1400 to 1700"),
        SMALL_SUMP.replace("velocity limit: 9 m/s", "velocity limit: 1.5 m/s\n  saw cuts: at most 2"),
        SMALL_SUMP + TANKS.replace("37.6 L", "60 L"),
        SMALL_SUMP.replace("9 m/s", "9 m/s\n  electricity: 0.30 USD/kWh\n  count for: 1 year"),
        pytest.param(TWO_OUTLETS.replace("5200", "3600"), marks=pytest.mark.slow),
        TWO_OUTLETS.replace("5200", "3600").replace("800 to 1200", "at least 800"),
    ],
)
def test_every_study_of_a_small_system_names_the_cost_of_its_plan(text: str, tmp_path: Path) -> None:
    agree(read(tmp_path, text))


def test_a_plan_that_floods_is_refused_by_every_study_for_the_same_reason(tmp_path: Path) -> None:
    system = read(tmp_path, SMALL_SUMP + TANKS)
    plan = pipeline.search(system, catalog())
    kinds = pipeline.kinds_of_plan(system, catalog())
    told = pipeline.explain(system, catalog()).plan
    money = pipeline.frontier(system, catalog())

    assert plan.status is Status.INFEASIBLE
    assert "sump runs over" in said(plan.reasons)[0]
    assert all(kind.plan is None for kind in kinds)
    assert said(kinds[0].reasons) == said(told.reasons) == said(plan.reasons)
    assert not any(step.meets_targets for step in money.plans)
    assert "sump runs over" in said(money.notes)[-1]
    assert plan.forbidden is Forbidden.BY_CHECKS
    assert "passes its check" in status_words(plan)


def test_the_most_flow_for_a_budget_is_safe(tmp_path: Path) -> None:
    system = read(tmp_path, SMALL_SUMP + TANKS).with_budget(4000)
    best = pipeline.most_flow(system, catalog())

    assert best.plan.found
    assert 0.95 < best.most.scale < 1.0  # with the targets themselves the sump runs over
    assert verify_plan(best.system, best.plan).passed


def test_what_a_budget_forbids_is_not_told_as_out_of_reach() -> None:
    system = load_system(data_directory("examples") / "single-return.yaml", catalog()).with_budget(1000)
    plan = pipeline.search(system, catalog())

    assert plan.status is Status.INFEASIBLE
    assert plan.forbidden is Forbidden.BY_RULES
    assert "under these rules" in status_words(plan)
    assert any("a larger budget" in reason for reason in said(plan.reasons))


def test_what_no_part_gives_is_told_as_out_of_reach(tmp_path: Path) -> None:
    plan = pipeline.search(read(tmp_path, SMALL_SUMP.replace("1420", "2150")), catalog())

    assert plan.forbidden is Forbidden.BY_PARTS or any("other pumps" in reason for reason in said(plan.reasons))


def test_a_trial_of_the_diagnosis_is_no_fault_of_the_file(tmp_path: Path) -> None:
    # one trial drops the target of a run with a valve: by itself such a file is refused
    plan = pipeline.search(read(tmp_path, TWO_OUTLETS), catalog(), time_limit_s=30.0)

    assert plan.status is Status.INFEASIBLE
    assert any(
        "with that plan pump 'return'" in reason or "of the minimum flows" in reason for reason in said(plan.reasons)
    )
    assert any("what would make it possible: no target for 'main line'" in reason for reason in said(plan.reasons))


def test_what_is_not_wholly_reached_is_never_told_as_reached() -> None:
    assert reached(0.99999) == "99 %"
    assert reached(1.0) == "100 %"
    assert reached(1.0 + 7e-13) == "100 %"


def test_a_share_that_is_told_is_reached(tmp_path: Path) -> None:
    plan = pipeline.search(read(tmp_path, SMALL_SUMP.replace("[3/4 in, 1 in, 1-1/4 in]", "[3/4 in]")), catalog())
    best = next(reason for reason in said(plan.reasons) if "of the minimum flows" in reason)
    share = int(re.search(r"(\d+) %", best).group(1)) / 100  # type: ignore[union-attr]
    less = read(tmp_path, SMALL_SUMP.replace("[3/4 in, 1 in, 1-1/4 in]", "[3/4 in]").replace("1420", str(1420 * share)))

    assert not plan.found
    assert share < 1.0
    assert math.isfinite(share)
    assert pipeline.search(less, catalog()).found
