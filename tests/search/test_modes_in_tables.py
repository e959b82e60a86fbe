"""Trees whose valves and ways serve several modes at once: tables over flow and head of every mode, to a proof."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from flow_cases import SEVERAL, cheapest_of_all, random_case
from said import said

from optimizer import pipeline
from optimizer.clock import TimeIsUp
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.search import engine, one_mode
from optimizer.search.box_search import BoxSearch, search_of
from optimizer.search.cheapest import Search
from optimizer.search.flow_search import FlowSearch
from optimizer.search.question import Answer, Question
from optimizer.search.unknown_flows import find_unknown

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
THREE_LINES = """
system: Three lines by day, by night and while feeding, invented
units: metric
surfaces: {sump: 0.0 m, display: 0.79 m}
pumps:
  return: {curve: [[0 L/h, 2.6 m], [1000 L/h, 2.2 m], [2200 L/h, 1.2 m], [3200 L/h, 0 m]], ports: 3/4 in NPT male,
      speed: 100 %, speeds: [40 %, 50 %, 60 %, 70 %, 80 %, 90 %, 100 %], power: 45 W}
runs:
  riser: {from: sump, to: t1, size: 3/4 in sch 40 PVC, parts: [pump return,
      adapter 3/4 in NPT female x 3/4 in socket, pipe 11 cm, elbow, pipe 90 cm, elbow, pipe 80 cm]}
  line 1: {from: t1 branch, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 5 cm, reducing coupling to 1/2 in,
      pipe 36 cm, elbow, pipe 64 cm, elbow, pipe 86 cm, elbow, pipe 114 cm]}
  manifold 1: {from: t1, to: t2, size: 3/4 in sch 40 PVC, parts: [pipe 48 cm]}
  line 2: {from: t2 branch, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 5 cm, reducing coupling to 1/2 in,
      pipe 23 cm, elbow, pipe 55 cm, elbow, pipe 79 cm, elbow, pipe 41 cm]}
  line 3: {from: t2, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 20 cm, ball valve, elbow, pipe 70 cm,
      elbow, pipe 91 cm, elbow, pipe 76 cm]}
targets: {line 1: at least 414 L/h, line 2: at least 496 L/h, line 3: at least 1099 L/h}
modes:
  day: {return: 100 %}
  night: {return: 70 %, targets: {line 1: at least 211 L/h, line 2: at least 249 L/h, line 3: at least 538 L/h}}
  feeding: {return: 60 %, targets: {line 1: at least 59 L/h, line 2: at least 68 L/h, line 3: at least 130 L/h}}
rules: {sizes: [1/2 in, 3/4 in, 1 in], velocity limit: 9 m/s}
"""


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
@pytest.mark.parametrize("text", [TWO_OUTLETS, THREE_LINES], ids=["a sum over two valved outlets", "three lines"])
def test_plans_for_three_modes_are_proved_in_few_boxes(text: str) -> None:
    catalog = load_catalog()
    found = find_unknown(load_system(Path("lines.yaml"), catalog, text.encode()), catalog, time_limit_s=300.0)

    assert found.plan.status is Status.OPTIMAL
    assert found.rounds < 120


ONE_LINE = """
system: One line by day and by night, invented
units: metric
surfaces: {sump: 0 m, display: 0.9 m}
pumps: {return: {curve: [0 L/h at 3.5 m, 2660 L/h at 2.5 m, 5300 L/h at 0 m], ports: 1 in BSPP male, power: 50 W}}
runs:
  riser: {from: sump, to: display, size: 32 mm PVC-U PN16, parts: [pump return, union 1 in BSPP female x 32 mm socket,
    pipe 1.4 m, elbow, pipe 1.4 m, elbow, pipe 0.8 m]}
targets: {riser: at least 3700 L/h}
MODES
rules: {RULES}
"""


@pytest.mark.long
@pytest.mark.parametrize(
    "rules", ["store: supply house", "buy pipe: by the foot, electricity: 0.3 USD/kWh, count for: 1 h"]
)
def test_a_mode_that_asks_for_less_changes_neither_the_list_nor_its_proof(rules: str) -> None:
    def told(modes: str) -> Plan:
        text = ONE_LINE.replace("MODES", modes).replace("RULES", rules)
        return pipeline.search(load_system(Path("line.yaml"), load_catalog(), text.encode()), load_catalog())

    alone, night = told(""), "night: {return: 80 %, targets: {riser: at least 1000 L/h}}"
    assert alone.status is Status.OPTIMAL
    assert alone.cost_cents
    for modes in (f"modes: {{day: {{return: 100 %}}, {night}}}", f"modes: {{{night}, day: {{return: 100 %}}}}"):
        found = told(modes)
        assert found.status is Status.OPTIMAL
        assert found.total_cents == found.material_cents == found.bound_cents == alone.cost_cents
        assert found.pump_speeds == {"return": 1.0 if "day" in modes[:13] else 0.8}  # of the first mode


@pytest.mark.parametrize("proved_later", [True, False])
def test_a_plan_of_one_mode_that_is_not_proved_in_its_share_of_the_time_is_kept(
    proved_later: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    shares = list[float]()
    plan_of = one_mode._plan_of

    def in_time(question: Question, at: System, share: float) -> Search:
        shares.append(share)
        if len(shares) > 1 and not proved_later:
            raise TimeIsUp
        found = plan_of(question, at, share)
        plan = replace(found.plan, status=Status.FEASIBLE, bound_cents=1)
        return found if len(shares) > 1 else replace(found, plan=plan, roomier=None)

    monkeypatch.setattr(one_mode, "_plan_of", in_time)
    modes = "modes: {day: {return: 100 %}, night: {return: 80 %, targets: {riser: at least 1000 L/h}}}"
    text = ONE_LINE.replace("MODES", modes).replace("RULES", "")
    found = pipeline.search(load_system(Path("line.yaml"), load_catalog(), text.encode()), load_catalog())
    alone = ONE_LINE.replace("MODES", "").replace("RULES", "")
    least = pipeline.search(load_system(Path("line.yaml"), load_catalog(), alone.encode()), load_catalog())

    assert len(shares) == 2
    assert least.cost_cents
    assert found.cost_cents == least.cost_cents
    assert (found.status, found.bound_cents) == (
        (Status.OPTIMAL, found.cost_cents) if proved_later else (Status.FEASIBLE, 1)
    )


@pytest.mark.parametrize(
    ("first", "other", "told"),
    [
        ((5000, 4000), (5100, 4500), (5000, 4500)),  # the better bound is true of the cheaper plan as well
        ((5000, 4000), (4900, 4900), (4900, 4900)),
        ((5000, 4000), (None, 4600), (5000, 4600)),
        ((5000, 4000), (5000, 5000), (5000, 5000)),
    ],
)
def test_of_two_plans_for_all_modes_the_cheaper_is_told_with_the_better_bound(
    first: tuple[int, int], other: tuple[int | None, int], told: tuple[int, int]
) -> None:
    def answer(cents: int | None, bound: int) -> Answer:
        status = Status.NO_PLAN_FOUND if cents is None else Status.FEASIBLE if bound < cents else Status.OPTIMAL
        return Answer(Plan(status, cents, bound, "USD", {}, {}, {}), bound, cents)

    found = engine._cheaper(answer(*first), answer(*other))

    assert (found.plan.cost_cents, found.bound_cents) == told
    assert found.plan.bound_cents == found.bound_cents
    assert (found.status is Status.OPTIMAL) == (told[0] == told[1])


def test_why_a_line_serves_in_one_mode_but_not_in_another_is_told_run_by_run() -> None:
    modes = "modes: {day: {return: 100 %}, night: {return: 60 %, targets: {riser: at least 2900 L/h}}}"
    text = ONE_LINE.replace("MODES", modes).replace("RULES", "")
    found = pipeline.search(load_system(Path("l.yaml"), load_catalog(), text.encode()), load_catalog(), ways_out=False)

    assert found.status is Status.INFEASIBLE
    assert said(found.reasons)[0].startswith("pump 'return' at 60 % gives")
    assert said(found.reasons)[-1].startswith("these are the reasons in mode 'night': ")


@pytest.mark.long
def test_a_valve_without_a_target_needs_none_where_there_are_modes() -> None:
    modes = "modes: {day: {return: 100 %}, night: {return: 80 %, targets: {riser: at least 500 L/h}}}"
    end = "to: display, size: 32 mm PVC-U PN16, parts: [pipe 0.5 m, ball valve, pipe 0.5 m]"
    text = ONE_LINE.replace("MODES", modes.replace("riser", "out")).replace("RULES", "")
    text = text.replace("to: display,", "to: tee,").replace("{riser: at least 3700 L/h}", "{out: at least 2000 L/h}")
    text = text.replace(
        "targets: {out", f"  out: {{from: tee, {end}}}\n  aside: {{from: tee branch, {end}}}\ntargets: {{out", 1
    )
    found = pipeline.search(load_system(Path("line.yaml"), load_catalog(), text.encode()), load_catalog())

    assert found.status is Status.OPTIMAL


@pytest.mark.long
def test_outlets_without_valves_cost_no_more_for_a_mode_that_asks_for_less() -> None:
    def told(modes: str) -> Plan:
        end = "to: display, size: 32 mm PVC-U PN16, parts: [pipe 0.5 m, elbow, pipe 0.5 m]"
        text = (
            ONE_LINE.replace("MODES", modes)
            .replace("RULES", "sizes: [32 mm, 40 mm]")
            .replace("to: display,", "to: tee,")
        )
        runs = f"  left: {{from: tee, {end}}}\n  right: {{from: tee branch, {end}}}\n"
        asked = "targets: {left: at least 1750 L/h, right: at least 1750 L/h}"
        text = text.replace("targets: {riser: at least 3700 L/h}", f"{runs}{asked}")
        return pipeline.search(load_system(Path("two.yaml"), load_catalog(), text.encode()), load_catalog())

    alone = told("")
    night = "night: {return: 80 %, targets: {left: at least 700 L/h, right: any}}"
    found = told(f"modes: {{{night}, day: {{return: 100 %}}}}")

    assert alone.status is found.status is Status.OPTIMAL
    assert (found.material_cents, found.bound_cents) == (alone.material_cents, alone.bound_cents)
    assert found.pump_speeds == {"return": 0.8}
