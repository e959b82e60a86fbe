"""Where the targets alone ask for more than a tank takes there is no plan, proved before any is sought."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import pytest
from cli.running import ROOT
from said import said

from optimizer import pipeline
from optimizer.errors import NoPlanError
from optimizer.model.checks import Check
from optimizer.model.note import Note
from optimizer.model.plan import Forbidden, Status
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.search import second_pump
from optimizer.search.no_plan import too_much_asked
from optimizer.units import parse_flow
from optimizer.verify.allowance import flow_limits_m3_s

CELLAR = (ROOT / "examples" / "cellar-sump.yaml").read_text(encoding="utf-8")
TAKES_GPH = 857  # the emergency drain of the example, as its row of the safety checks says

LINE = """\
system: a feed line alone
units: metric
surfaces: {{sump: 0 m, display: 1.2 m}}
pumps: {{p: {{curve: [[0 L/h, 4 m], [2000 L/h, 3 m], [4000 L/h, 0 m]], ports: 1 in socket}}}}
runs:
  line: {{from: sump, to: display, size: 1 in sch 40 PVC, parts: [pump p, pipe 2 m]}}
  feed: {{from: display, to: sump, size: 1/2 in sch 40 PVC, parts: [pipe 1 m]}}
targets: {{line: at least 2500 L/h, feed: {feed}}}
"""

UPPER = """\
system: a refugium that runs down into the display
units: metric
surfaces: {{sump: 0 m, display: 1.2 m, refugium: 1.9 m}}
pumps:
  p: {{curve: [[0 L/h, 4 m], [2000 L/h, 3 m], [4000 L/h, 0 m]], ports: 1 in socket}}
  q: {{curve: [[0 L/h, 4 m], [2000 L/h, 3 m], [4000 L/h, 0 m]], ports: 1 in socket}}
runs:
  line: {{from: sump, to: display, size: 1 in sch 40 PVC, parts: [pump p, pipe 2 m, ball valve]}}
  lift: {{from: sump, to: refugium, size: 1 in sch 40 PVC, parts: [pump q, pipe 2 m, ball valve]}}
  down: {{from: refugium, to: display, size: 1-1/2 in sch 40 PVC, parts: [pipe 600 mm]}}
tanks:
  display: {{area: 0.5 m2, overflow edge: 60 cm, rim above edge: 40 mm, return outlet depth: 20 mm}}
  refugium: {{area: 0.2 m2, overflow edge: 30 cm, rim above edge: 40 mm}}
  sump: {{free volume: 90 L}}
drains:
  main: {{from: display, mode: full siphon, size: 1-1/2 in sch 40 PVC, drop: 1.1 m, parts: [bulkhead, pipe 1 m]}}
  spare: {{from: display, mode: emergency, size: 1 in sch 40 PVC, drop: 1.1 m, head over lip: 30 mm, parts: [pipe 1 m]}}
targets: {{line: at least 200 L/h, lift: at least {lift}}}
"""


def cellar(folder: Path, left: str, right: str, *, more: str = "", valves: bool = True) -> System:
    text = CELLAR.replace("left outlet: at least 400 gal/h", left).replace("right outlet: at least 400 gal/h", right)
    if not valves:  # what flows is not known before the parts are
        text = text.replace("pipe 4 in, ball valve, pipe 2 ft", "pipe 4 in, coupling, pipe 2 ft")
        text = text.replace("pipe 8 in, ball valve, pipe 3 ft", "pipe 8 in, coupling, pipe 3 ft")
    path = folder / "system.yaml"
    path.write_text(text + more, encoding="utf-8")
    return pipeline.read(path)[0]


@pytest.mark.parametrize(("left", "right"), [(450, 450), (430, 428), (860, 1)])
def test_two_targets_that_add_up_to_more_than_the_drain_takes(tmp_path: Path, left: int, right: int) -> None:
    over = too_much_asked(cellar(tmp_path, f"left outlet: at least {left} gph", f"right outlet: at least {right} gph"))

    assert over
    told = dict(over[0].values)
    assert told["tank"] == "display"
    assert told["most_m3_s"] == pytest.approx(parse_flow(f"{TAKES_GPH} gph"), abs=parse_flow("0.5 gph"))


def test_a_target_of_a_sum_counts_as_well_as_its_parts(tmp_path: Path) -> None:
    assert too_much_asked(cellar(tmp_path, "left outlet + right outlet: at least 859 gph", "right outlet: any"))
    assert not too_much_asked(cellar(tmp_path, "left outlet + right outlet: at least 855 gph", "right outlet: any"))


@pytest.mark.parametrize(
    ("left", "right"),
    [
        ("left outlet: at least 428 gph", "right outlet: at least 428 gph"),
        ("left outlet: at most 900 gph", "right outlet: any"),  # less will do
    ],
)
def test_what_the_drain_takes_is_for_the_search(tmp_path: Path, left: str, right: str) -> None:
    assert not too_much_asked(cellar(tmp_path, left, right))


def test_each_mode_asks_for_itself(tmp_path: Path) -> None:
    modes = "modes: {{day: {{return: 100 %}}, night: {{return: 70 %, targets: {{left outlet: at least {0} gph}}}}}}\n"
    day = "left outlet: at least 300 gph", "right outlet: at least 300 gph"

    assert too_much_asked(cellar(tmp_path, *day, more=modes.format(900)))
    assert not too_much_asked(cellar(tmp_path, *day, more=modes.format(500)))


def test_the_answer_is_a_proved_no_at_once_where_no_flow_is_known_beforehand(tmp_path: Path) -> None:
    system = cellar(tmp_path, "left outlet: at least 450 gph", "right outlet: at least 450 gph", valves=False)
    _, catalog = pipeline.read(tmp_path / "system.yaml")
    began = time.process_time()

    found = pipeline.search(system, catalog, time_limit_s=60.0)

    assert (found.status, found.forbidden) == (Status.INFEASIBLE, Forbidden.BY_CHECKS)
    (told,) = said(found.reasons)
    assert told.startswith("the targets alone ask for more water into 'display' than its emergency drain takes with ")
    assert time.process_time() - began < 3.0  # the search for a plan takes more than ten times that


@pytest.mark.parametrize(("feed", "over"), [("400 to 700 L/h", True), ("at least 2600 L/h", False)])
def test_a_tank_that_only_a_gravity_line_empties_gives_it_all_that_comes(tmp_path: Path, feed: str, over: bool) -> None:
    path = tmp_path / "system.yaml"
    path.write_text(LINE.format(feed=feed), encoding="utf-8")
    told = too_much_asked(pipeline.read(path)[0])

    assert bool(told) == over
    assert not told or told[0].code == "more asked than lines may take"


@pytest.mark.parametrize(("share", "over"), [(1.01, True), (0.99, False)])
def test_what_is_lifted_into_a_tank_above_comes_into_the_one_below(tmp_path: Path, share: float, over: bool) -> None:
    path = tmp_path / "system.yaml"
    path.write_text(UPPER.format(lift="1 L/h"), encoding="utf-8")
    system = pipeline.read(path)[0]
    takes_l_h = flow_limits_m3_s(system, system.network)["display"] * 3.6e6
    path.write_text(UPPER.format(lift=f"{share * takes_l_h - 200:.1f} L/h"), encoding="utf-8")
    told = too_much_asked(pipeline.read(path)[0])

    assert takes_l_h > 300.0
    assert bool(told) == over
    assert not told or (told[0].code, dict(told[0].values)["tank"]) == (
        "more asked than the emergency drain takes",
        "display",
    )
    assert not told or dict(told[0].values)["asked_m3_s"] * 3.6e6 == pytest.approx(share * takes_l_h, abs=0.2)


def test_where_it_is_so_today_what_would_have_to_be_accepted_is_said(tmp_path: Path) -> None:
    path = tmp_path / "system.yaml"
    path.write_text(UPPER.format(lift="900 L/h"), encoding="utf-8")
    system, catalog = pipeline.read(path)

    reasons = said(pipeline.search(system, catalog).reasons)

    assert reasons[1:] == ("only `accept: emergency drain` under `rules` lets a plan leave it so",)
    accepting = replace(system, rules=replace(system.rules, accepted=(Check.EMERGENCY_DRAIN,)))
    assert not too_much_asked(accepting)


@pytest.mark.parametrize(
    ("left_out", "code"),
    [
        (("  spare:",), "more asked than drains take"),
        (("  main:",), "more asked than the emergency drain takes"),
        (("drains:", "  main:", "  spare:"), "more asked than the rim leaves room for"),
    ],
)
def test_which_limit_is_the_least_is_said(left_out: tuple[str, ...], code: str, tmp_path: Path) -> None:
    lines = UPPER.format(lift="60000 L/h").splitlines()
    path = tmp_path / "system.yaml"
    path.write_text("\n".join(line for line in lines if not line.startswith(left_out)), encoding="utf-8")
    told = too_much_asked(pipeline.read(path)[0])

    assert told[0].code == code


SUMP = """\
system: a display that gives the sump what it holds above its outlets
units: metric
surfaces: {{sump: 0 m, display: 1.2 m}}
pumps: {{p: {{curve: [[0 L/h, 4 m], [2000 L/h, 3 m], [4000 L/h, 0 m]], ports: 1 in socket}}}}
runs:
  riser: {{from: sump, to: t, size: 1 in sch 40 PVC, parts: [pump p, pipe 1 m]}}
  left: {{from: t, to: display, size: 1 in sch 40 PVC, parts: [pipe 1 m, elbow, pipe 10 cm]}}
  right: {{from: t branch, to: display, size: 1 in sch 40 PVC, parts: [pipe 1 m, elbow, pipe 10 cm]}}
tanks:
  display: {{area: 1 m2, overflow edge: 50 cm, return outlet depth: 30 mm}}
  sump: {{free volume: {free} L}}
targets: {{left + right: at least 2000 L/h}}
{rules}
"""


def backed(free_l: float, rules: str = "") -> System:
    text = SUMP.format(free=free_l, rules=rules)
    return load_system(Path("sump.yaml"), load_catalog(), text.encode())


def test_tanks_that_give_the_sump_more_than_it_holds_were_there_no_pipe_at_all() -> None:
    # 1 m² falls 30 mm to its outlets; over its edge of 0.5 m stand h = (Q / (1.86 b)) ** (2/3), 0.5556 L/s: 7.1 mm.
    # 1.86 is 2/3 · 0.63 · sqrt(2 g), rounded: Poleni's weir with its usual coefficient (from memory).
    falls_l = 30.0 + 1000.0 * (2000.0 / 3.6e6 / (1.86 * 0.5)) ** (2.0 / 3.0)
    why, *_ = too_much_asked(backed(1.25 * 0.95 * falls_l))

    assert why.code == "more runs back than the sump takes"
    assert dict(why.values)["least_m3"] == pytest.approx(falls_l / 1000.0, rel=0.03)
    assert not too_much_asked(backed(1.25 * 1.05 * falls_l))


def test_what_runs_back_too_much_today_may_stay_where_that_is_accepted() -> None:
    (_, accepted) = too_much_asked(backed(40.0))  # it runs over today as well

    assert dict(accepted.values)["check"] == str(Check.DRAIN_BACK)
    assert not too_much_asked(backed(40.0, "rules: {accept: [drain-back]}"))


@pytest.mark.parametrize(("start_l", "short"), [(6.1, True), (5.9, False)])
def test_a_sump_that_gives_less_than_gathers_before_the_drains_pull_has_no_plan(start_l: float, short: bool) -> None:
    def told(rules: str = "") -> list[Note]:
        text = SUMP.format(free=60, rules=rules).replace("free volume: 60 L", "free volume: 60 L, pump reserve: 6 L")
        text = text.replace("depth: 30 mm", f"depth: 30 mm, start volume: {start_l} L")
        return list(too_much_asked(load_system(Path("sump.yaml"), load_catalog(), text.encode())))

    assert [why.code for why in told()] == (["more gathers than the sump has", "only accepted"] if short else [])
    if short:
        gathers, accepted = told()
        assert dict(gathers.values) == pytest.approx({"gathers_m3": 0.0061, "reserve_m3": 0.006})
        assert dict(accepted.values)["check"] == str(Check.PUMP_RESERVE)
    assert not told("rules: {accept: [pump reserve]}")


def test_no_second_pump_is_looked_for_where_the_sump_is_too_small_whatever_is_built(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def searched(*_: object, **__: object) -> None:
        raise AssertionError("a pair of pumps was searched")

    monkeypatch.setattr(second_pump, "find_unknown", searched)
    found = pipeline.search(backed(30.0, "rules: {second pump: in series}"), load_catalog(), ways_out=False)

    assert found.status is Status.INFEASIBLE


def test_the_no_of_a_small_sump_comes_before_any_search() -> None:
    system = backed(30.0)
    start = time.process_time()
    with pytest.raises(NoPlanError) as no:
        pipeline.plan(system, load_catalog())

    assert time.process_time() - start < 3.0  # without it every way of three runs without a valve is made first
    assert no.value.proved
    assert "when the pumps stop, tanks and drains alone give the sump" in str(no.value)


def test_what_stands_over_no_edge_runs_back_whatever_flows() -> None:
    # 'right' is asked for nothing, so by mass alone it might empty the tank; the 30 L below the edge stay too much
    asked = "targets: {left + right: at least 2000 L/h}"
    text = SUMP.format(free=30.0, rules="").replace(asked, "targets: {left: at least 900 L/h, right: any}")
    why, *_ = too_much_asked(load_system(Path("sump.yaml"), load_catalog(), text.encode()))

    assert why.code == "more runs back than the sump takes"
    assert 0.030 <= dict(why.values)["least_m3"] <= 0.031
