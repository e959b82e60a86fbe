"""Of kinds of plan the cheapest of all is the answer where it is one of them: nothing is searched a second time."""

from __future__ import annotations

from dataclasses import replace

import pytest
from said import worded

from optimizer.model.catalog import Catalog
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system
from optimizer.search.engine import solve
from optimizer.search.question import Answer, Question
from optimizer.search.studies import kinds
from optimizer.search.studies.kinds import KindOfPlan, kinds_of_plan
from optimizer.search.watch import Watch

GPH = 3.785411784e-3 / 3600.0  # m3/s in a US gallon per hour


def asking_for(gph: float) -> tuple[System, Catalog]:
    catalog = load_catalog()
    system = load_system(data_directory("examples") / "single-return.yaml", catalog)
    return replace(system, targets=(replace(system.targets[0], low_m3_s=gph * GPH),)), catalog


def told(gph: float, monkeypatch: pytest.MonkeyPatch) -> tuple[dict[str, KindOfPlan], list[str]]:
    asked: list[str] = []

    def heard(question: Question) -> Answer:
        asked.append(question.words)
        return solve(question)

    monkeypatch.setattr(kinds, "solve", heard)
    system, catalog = asking_for(gph)
    return {worded(one.kind): one for one in kinds_of_plan(system, catalog, Watch.of(30.0))}, asked


@pytest.mark.long
def test_a_cheapest_plan_that_works_often_and_keeps_the_sizes_is_the_cheapest_of_those_kinds(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # 580 gph run today: of 400 nobody falls short, nothing has to be bought, and nothing runs faster than today.
    monkeypatch.setattr(kinds, "sensible", None)  # it is not asked for
    found, asked = told(400.0, monkeypatch)

    assert asked == ["the cheapest"]
    same = ("works in 8 of 10 cases", "the sensible one", "no other pipe size", "only the pump set or changed")
    assert all(found[kind].plan == found["the cheapest"].plan for kind in same)
    assert all(found[kind].settled for kind in same)


@pytest.mark.long
def test_where_it_is_proved_that_there_is_no_plan_there_is_none_that_works_often(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # 1210 gph are what the pump gives with no height and no pipe at all.
    found, asked = told(1500.0, monkeypatch)

    assert asked == ["the cheapest", "same size"]
    assert found["works in 8 of 10 cases"].plan is None
    assert found["works in 8 of 10 cases"].settled
