"""The sensible plan: quiet, working often, whole legs in one size from the pump on; what it costs more in one line."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from optimizer.documents.search_text import kinds_blocks
from optimizer.model.catalog import PIPES, Catalog, Kind
from optimizer.model.kinds import BENDS
from optimizer.model.plan import Plan
from optimizer.model.rules import QUIET_M_S
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.search.question import Question
from optimizer.search.studies.kinds import CHEAPEST, SENSIBLE, KindOfPlan
from optimizer.search.studies.promise import works_in
from optimizer.search.studies.sensible import OFTEN, sensible
from optimizer.search.watch import Watch
from optimizer.verify.check import verify_plan

EXAMPLES = Path(__file__).parents[2] / "examples"


@cache
def catalog() -> Catalog:
    return load_catalog()


@cache
def system(name: str) -> System:
    return load_system(EXAMPLES / f"{name}.yaml", catalog())


@cache
def plan(name: str) -> Plan:
    found, _ = sensible(Question(system(name), catalog(), Watch.of(300.0)))
    assert found is not None
    return found.plan


names = pytest.mark.parametrize(
    "name", ["single-return", *(pytest.param(one, marks=pytest.mark.slow) for one in ("metric-unions", "cellar-sump"))]
)


@pytest.mark.long
@names
def test_it_works_as_often_as_a_careful_person_asks_on_draws_of_its_own(name: str) -> None:
    works = works_in(system(name), plan(name), Watch.of(60.0))

    assert works is not None
    assert works >= OFTEN


@pytest.mark.long
@names
def test_what_carries_more_than_before_is_quiet_in_its_pipe(name: str) -> None:
    found = verify_plan(system(name), plan(name))
    for demand, run in ((run.run, run) for run in plan(name).runs.values()):
        flow = found.flows_m3_s[demand]
        fresh = [part for part in run.parts if part.kind in PIPES and not part.existing and part.length_m > 0.011]
        for part in fresh:
            assert flow / (3.14159265 / 4 * part.end_bores_m[0] ** 2) <= QUIET_M_S * 1.001


@pytest.mark.long
@names
def test_a_leg_that_is_widened_is_of_one_size_and_all_before_it_are(name: str) -> None:
    wide: dict[str, float] = {}
    for run, built in plan(name).runs.items():
        own = system(name).network.runs[run].size
        fresh = [p for p in built.parts if not p.existing and p.kind in PIPES | BENDS and p.length_m != 0.01]
        sizes = {p.ends[0].size for p in fresh}
        if sizes - {own}:
            pipes = [p for p in built.parts if p.kind is Kind.PIPE and p.length_m > 0.05]
            bought = max(p.end_bores_m[0] for p in pipes)
            if sum(p.end_bores_m[0] >= bought - 1e-9 for p in pipes) == len(pipes):
                wide[run] = bought
    assert wide
    network = system(name).network
    first = next(run for run in network.runs.values() if any(part.kind is Kind.PUMP for part in run.parts))
    assert first.name in wide
    bought = {p.ends[0].size for b in plan(name).runs.values() for p in b.parts if p.kind in PIPES and not p.existing}
    assert len(bought) <= 2


@pytest.mark.long
def test_what_it_costs_more_than_the_cheapest_is_said_in_one_line() -> None:
    dear, cheap = plan("single-return"), plan("single-return")
    kinds = [KindOfPlan(CHEAPEST, cheap, 1.0), KindOfPlan(SENSIBLE, dear, 1.1)]

    said = [block for block in kinds_blocks(system("single-return"), kinds) if isinstance(block, str)]

    assert sum("The sensible one" in line for line in said) == 1
