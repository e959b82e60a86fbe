"""Trees whose valves and ways serve several modes at once: tables over flow and head of every mode, to a proof."""

from __future__ import annotations

from pathlib import Path

import pytest
from flow_cases import SEVERAL, choices_of, random_case

from optimizer.model.plan import Status
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.search.box_search import BoxSearch, search_of
from optimizer.search.flow_posing import FlowCase, cents_of, duties_of
from optimizer.search.flow_search import FlowSearch
from optimizer.search.unknown_flows import find_unknown
from optimizer.verify.openings import settle

TWO_OUTLETS = """
system: Two outlets by day, by night and while feeding, invented
units: metric
surfaces: {sump: 0 m, display: 1.1 m, upper: 1.2 m}
pumps:
  return:
    curve: [[0 L/h, 3.5 m], [1500 L/h, 3.0 m], [3000 L/h, 1.8 m], [4500 L/h, 0 m]]
    ports: 3/4 in NPT male
    speeds: 40 % to 100 %
runs:
  riser:
    from: sump
    to: tee
    size: 3/4 in sch 40 PVC
    parts: [pump return, adapter 3/4 in NPT female x 3/4 in socket, pipe 10 cm, swing check valve, pipe 46 cm, elbow,
      pipe 13 cm]
  one: {from: tee branch, to: display, size: 3/4 in sch 40 PVC,
    parts: [pipe 24 cm, elbow, pipe 96 cm, elbow, ball valve, pipe 95 cm]}
  other: {from: tee, to: upper, size: 3/4 in sch 40 PVC,
    parts: [pipe 5 cm, reducing coupling to 1/2 in, pipe 44 cm, ball valve, elbow, pipe 115 cm, elbow, pipe 25 cm,
      elbow, pipe 58 cm]}
targets: {one + other: 2843 to 3554 L/h}
modes:
  day: {return: 100 %}
  night: {return: 80 %, targets: {one + other: at least 1664 L/h}}
  feeding: {return: 70 %, targets: {one + other: any}}
rules: {sizes: [1/2 in, 3/4 in, 1 in], velocity limit: 9 m/s}
"""


def cheapest_of_all(case: FlowCase) -> int | None:
    """Return the least cost of a combination that stands as a true network in every mode; None when none does."""
    for choice in sorted(choices_of(case), key=lambda each: cents_of(case, each)):
        settled = settle(duties_of(case, choice), case.conditions)
        if settled is not None and settled.met:
            return cents_of(case, choice)
    return None


@pytest.mark.parametrize(("seed", "kind"), [(72, (SEVERAL,)), (67, (SEVERAL,)), (104, ()), (117, ())])
def test_a_tree_in_two_modes_costs_what_the_best_combination_costs(seed: int, kind: tuple[object, ...]) -> None:
    case = random_case(seed, *kind)
    assert len(case.modes) == 2
    search = search_of(case, time_limit_s=300.0)
    assert isinstance(search, BoxSearch)

    found = search.run()

    assert found.complete
    assert found.best_cents == found.bound_cents == cheapest_of_all(case) is not None


@pytest.mark.long
@pytest.mark.parametrize("seed", [23, 52, 60, 70])
def test_the_tables_of_two_modes_and_the_relaxation_over_both_agree(seed: int) -> None:
    case = random_case(seed)
    assert len(case.modes) == 2
    by_tables, by_relaxation = search_of(case, time_limit_s=300.0).run(), FlowSearch(case, time_limit_s=300.0).run()

    assert by_tables.complete
    assert by_relaxation.complete
    assert by_tables.best_cents == by_relaxation.best_cents


@pytest.mark.long
def test_a_sum_over_two_valved_outlets_in_three_modes_is_planned_to_a_proof_in_few_boxes() -> None:
    catalog = load_catalog()
    found = find_unknown(load_system(Path("outlets.yaml"), catalog, TWO_OUTLETS.encode()), catalog, time_limit_s=300.0)

    assert found.plan.status is Status.OPTIMAL
    assert found.rounds < 300
