"""Where not even a hundredth of the targets is within reach: why not is told, by every command alike."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from said import said

from optimizer import pipeline
from optimizer.cli import main
from optimizer.model.catalog import Catalog
from optimizer.model.plan import Status
from optimizer.model.system import System

# At 40 % of its rpm the pump lifts 0.16 × 12 ft = 1.9 ft (affinity laws), and the display stands 4 ft high.
SLOW_NIGHT = """
system: A night that is too slow
units: US
water: {salinity: 35 g/kg, temperature: 77 degF}
surfaces: {sump: 0 ft, display: 4 ft}
pumps: {return: {curve: [0 gph at 12 ft, 600 gph at 9 ft, 1200 gph at 0 ft], ports: 3/4 in NPT male, dial: rpm}}
runs:
  line:
    from: sump
    to: display
    size: 3/4 in sch 40 PVC
    parts: [pump return, adapter NPT female x socket, union, pipe 4 ft, elbow, pipe 1 ft]
targets: {line: at least 300 gph}
modes: {day: {return: 100 %}, night: {return: 40 %}}
"""
# Two outlets without valves into a display that falls 4 in. when the pump stops: 20 gal, for 5 gal there is room.
SMALL_SUMP = """
system: A sump that is too small
units: US
water: {salinity: 35 g/kg, temperature: 77 degF}
surfaces: {sump: 0 ft, display: 4 ft}
pumps: {return: {curve: [0 gph at 12 ft, 600 gph at 9 ft, 1200 gph at 0 ft], ports: 3/4 in NPT male}}
runs:
  riser:
    from: sump
    to: tee
    size: 3/4 in sch 40 PVC
    parts: [pump return, adapter NPT female x socket, pipe 4 ft]
  left: {from: tee, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 1 ft]}
  right: {from: tee branch, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 1 ft]}
tanks:
  display: {length: 48 in, width: 24 in, overflow edge: 14 in, rim above edge: 1-1/2 in, return outlet depth: 4 in}
  sump: {free volume: 5 gal}
drains:
  main: {from: display, mode: emergency, size: 1 in sch 40 PVC, fall: 3 ft, head over lip: 1/2 in, parts: [pipe 3 ft]}
targets: {left + right: at least 600 gph}
rules: {other sizes: no}
"""
# Neither the riser nor the line behind the branch has a way at 5 ft/s: no fitting at all may end it. Invented.
TOO_FAST = """
system: Two lines, narrow
units: US
surfaces: {sump: 0 ft, display: 3 ft}
pumps: {return: {curve: [0 gph at 12 ft, 900 gph at 9 ft, 1800 gph at 0 ft], ports: 1 in BSPP male}}
runs:
  riser: {from: sump, to: tee, size: 3/4 in sch 40 PVC, parts: [pump return,
    adapter 1 in BSPP female x 3/4 in socket, union, pipe 1 ft, elbow, pipe 2 ft]}
  left: {from: tee, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 1 ft, ball valve, pipe 1 ft]}
  right: {from: tee branch, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 1 ft, ball valve, pipe 1 ft]}
targets: {left: at least 520 gph, right: at least 520 gph}
rules: {other sizes: no, velocity limit: 5 ft/s}
"""


def read(text: str, folder: Path) -> tuple[System, Catalog]:
    (folder / "tank.yaml").write_text(text, encoding="utf-8")
    return pipeline.read(folder / "tank.yaml")


@pytest.mark.long
def test_the_most_flow_where_there_is_none_says_why_and_not_that_nothing_is_asked(tmp_path: Path) -> None:
    system, catalog = read(SLOW_NIGHT, tmp_path)

    best = pipeline.most_flow(system.with_budget(3000), catalog, time_limit_s=20.0)

    assert best.plan.status is Status.INFEASIBLE
    first, why = said(best.plan.reasons, "US")
    assert first.startswith("not even 1 % of the minimum flows")
    assert "'night': pump 'return' lifts 1.92 ft at most, and its water has to rise 4.00 ft" in why


@pytest.mark.long
def test_a_frontier_without_a_plan_tells_what_forbids_the_least_flow(tmp_path: Path) -> None:
    # 600 gph are more than the emergency drain takes; but that is not why there is no plan for 6 gph.
    system, catalog = read(SMALL_SUMP, tmp_path)

    (found,) = pipeline.frontier(system, catalog, time_limit_s=6.0).notes

    assert "emergency drain" in " ".join(said(pipeline.search(system, catalog).reasons))
    assert "the sump runs over" in said([found])[0]


def test_where_there_is_no_plan_what_is_unsafe_today_is_told_before_why(tmp_path: Path) -> None:
    # A larger emergency drain would be the answer to the targets alone; the sump would run over all the same.
    read(SMALL_SUMP, tmp_path)

    text = CliRunner().invoke(main, ["plan", str(tmp_path / "tank.yaml")]).stdout

    assert text.index("Unsafe today") < text.index("the sump runs over") < text.index("No plan")


UNJOINED = """
system: A pump that is not joined yet
units: metric
surfaces: {sump: 0 m, display: 0.5 m}
pumps: {return: {curve: [0 L/h at 3 m, 4000 L/h at 0 m], ports: 3/4 in NPT male}}
runs:
  line:
    from: sump
    to: display
    size: 3/4 in sch 40 PVC
    parts: [pump return, open joint, {part: pipe 1 m, must go: yes}]
targets: {line: at least 1500 L/h}
"""


@pytest.mark.parametrize(
    ("rules", "code", "told"),
    [
        ("budget: 3 USD", "none keeps to the limits", "parts for at most 3.00 USD"),
        ("velocity limit for new pipe: 0.3 m/s, sizes: [3/4 in]", "no way to plumb run", "'line'"),
    ],
)
def test_what_leaves_no_way_is_named_by_its_run_or_its_rule(rules: str, code: str, told: str, tmp_path: Path) -> None:
    system, catalog = read(f"{UNJOINED}rules: {{{rules}}}\n", tmp_path)
    found = pipeline.search(system, catalog, ways_out=False)

    assert found.status is Status.INFEASIBLE
    assert found.reasons[0].code == code
    assert told in said(found.reasons)[0]


@pytest.mark.long
def test_with_a_margin_what_is_reached_is_told_of_the_same_flows_as_what_is_not(tmp_path: Path) -> None:
    text = """
system: Two outlets, one without a valve
units: metric
surfaces: {sump: 0 m, display: 1.1 m}
pumps: {return: {curve: [[0 L/h, 3.5 m], [1500 L/h, 3.0 m], [3000 L/h, 1.8 m], [4500 L/h, 0 m]], ports: 3/4 in socket}}
runs:
  riser: {from: sump, to: tee, size: 3/4 in sch 40 PVC, parts: [pump return, pipe 1 m]}
  one: {from: tee branch, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 24 cm]}
  other: {from: tee, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 44 cm, ball valve, pipe 10 cm]}
targets: {one: at least 900 L/h, other: at least 2150 L/h}
rules: {other sizes: no, margin: 20 %}
"""
    found = pipeline.search(*read(text, tmp_path), time_limit_s=20.0)
    reached = next(why for why in found.reasons if why.code == "best found reaches")
    proof = dict(reached.values)["proof"]

    assert dict(reached.values)["share"] <= dict(proof.values)["share"] <= 1.0  # type: ignore[operator, union-attr]
    assert any("20 % on top" in why for why in said(found.reasons))


def test_a_run_that_no_fitting_may_end_is_named(tmp_path: Path) -> None:
    plan = pipeline.search(*read(TOO_FAST, tmp_path), ways_out=False)

    assert plan.status is Status.INFEASIBLE
    assert "no way to plumb run 'riser'" in said(plan.reasons)[0]
