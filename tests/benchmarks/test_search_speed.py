"""How fast plans are found: python -m pytest tests/benchmarks/test_search_speed.py -m slow -s. Times are printed."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "search"))
from small_trees import random_tree, small_catalog

from optimizer.choices.demands import known_flows
from optimizer.model.catalog import THROTTLES
from optimizer.model.plan import Status
from optimizer.model.system import System
from optimizer.program.solve import solve_sizing
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system
from optimizer.search.cheapest import find_plan
from optimizer.search.posing import options_of, pose
from optimizer.search.unknown_flows import find_unknown

pytestmark = pytest.mark.slow
SIZES = ("3/4 in", "1 in", "1-1/4 in")


def cellar() -> System:
    return load_system(data_directory("examples") / "cellar-sump.yaml", load_catalog())


def unthrottled(system: System, *names: str) -> System:
    """Return the system with no valve in these runs, and no upper end to their windows."""
    runs = {
        name: replace(run, parts=tuple(part for part in run.parts if part.kind not in THROTTLES))
        for name, run in system.network.runs.items()
        if name in names
    }
    targets = tuple(replace(t, high_m3_s=None) if t.run in names else t for t in system.targets)
    return replace(system, network=system.network.with_runs(runs), targets=targets)


def seconds(work: Callable[[], object], times: int = 3) -> float:
    """Return the least of a few wall times."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return min(taken)


def parts_of(system: System) -> int:
    return sum(len(run.parts) for run in system.network.runs.values())


def test_the_example_is_planned_in_seconds_and_proved() -> None:
    system, catalog = cellar(), load_catalog()
    assert find_plan(system, catalog).plan.status is Status.OPTIMAL
    taken = seconds(lambda: find_plan(system, catalog))
    print(f"\nexample of {parts_of(system)} parts, known flows: {taken:.2f} s")
    assert taken < 3.0


def test_three_branches_without_a_valve_are_planned_to_a_proof() -> None:
    catalog = load_catalog()
    system = unthrottled(cellar(), "left outlet", "right outlet", "scrubber line")
    plan = find_unknown(system, catalog).plan
    assert plan.status is Status.OPTIMAL
    taken = seconds(lambda: find_unknown(system, catalog), 1)
    print(f"\nthe same with three branches unthrottled: {taken:.2f} s, {plan.material_cents} cents")
    assert taken < 30.0


@pytest.mark.parametrize(("branches", "bends"), [(2, 1), (3, 2), (5, 3), (8, 4), (14, 5), (26, 6)])
def test_time_grows_with_the_number_of_parts(branches: int, bends: int) -> None:
    catalog = small_catalog(SIZES)
    system = random_tree(1, catalog, branches=branches, bends=(bends, bends), sizes=SIZES)
    flows = known_flows(system)
    posed = pose(options_of(system, catalog, flows.flows_m3_s), flows, 1.0)
    ours = solve_sizing(posed.problem)
    whole = seconds(lambda: find_plan(system, catalog), 1)
    narrow = seconds(lambda: solve_sizing(posed.problem), 1)
    start = time.perf_counter()
    plain = solve_sizing(posed.problem, narrow=False)
    taken = time.perf_counter() - start
    print(f"\n{parts_of(system)} parts: whole search {whole:.2f} s; program {narrow:.2f} s, plain {taken:.2f} s")
    assert (ours.outcome, ours.cents) == (plain.outcome, plain.cents)
