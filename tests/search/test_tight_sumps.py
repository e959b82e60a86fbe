"""A sump with next to no room, in several modes: a plan, or the proof that there is none, well within a minute."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from optimizer import pipeline
from optimizer.errors import NoPlanError
from optimizer.model.plan import Status
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.search.unknown_flows import UnknownSearch, find_unknown
from optimizer.verify.allowance import allowances_of

FILE = """
system: Small sump, invented
units: metric
water: {salinity: 35 g/kg, temperature: 25 degC}
surfaces: {sump: 0 m, display: 1.2 m}
pumps:
  return:
    curve: [0 L/h at 4 m, 1080 L/h at 3 m, 2160 L/h at 0 m]
    speed: 100 %
    speeds: 40 % to 100 %
    ports: 3/4 in socket
runs:
  return line:
    from: sump
    to: display
    size: 3/4 in sch 40 PVC
    parts: [{pump: return, keep: yes}, pipe 1 m, elbow, pipe 6 m, elbow, pipe 5.5 m, ball valve, pipe 0.5 m]
targets: {return line: at least 1420 L/h}
modes:
  day: {return: 100 %}
  night: {return: 80 %, targets: {return line: at least 900 L/h}}
  feeding: {return: 70 %, targets: {return line: 300 to 900 L/h}}
rules: {sizes: [3/4 in, 1 in, 1-1/4 in], velocity limit: 9 m/s}
tanks:
  display:
    {area: 0.72 m2, overflow edge: 30 cm, rim above edge: 3 cm, return outlet depth: 2.5 cm, start volume: 4 L}
  sump: {free volume: ROOM, pump reserve: 15 L}
drains:
  main drain: {from: display, mode: full siphon, size: 1-1/2 in sch 40 PVC, drop: 0.9 m, parts: [pipe 1 m, elbow]}
  spare: {from: display, mode: emergency, size: 2 in sch 40 PVC, drop: 1 m, head over lip: 3 cm, parts: [pipe 1 m]}
"""


def planned(tmp_path: Path, room: str) -> tuple[float, bool]:
    """Return the processor time of the search [s], and whether its plan is proved."""
    file = tmp_path / "sump.yaml"
    file.write_text(FILE.replace("ROOM", room), encoding="utf-8")
    system, begun = load_system(file, load_catalog()), time.process_time()
    report = pipeline.plan(system, load_catalog(), time_limit_s=600.0)
    return time.process_time() - begun, report.plan.bound_cents == report.plan.cost_cents


@pytest.mark.long
def test_a_plan_that_just_fits_is_proved(tmp_path: Path) -> None:
    took_s, proved = planned(tmp_path, "40 L")
    assert proved
    assert took_s < 60.0


@pytest.mark.slow
def test_where_the_sump_has_no_room_it_is_proved_that_there_is_no_plan(tmp_path: Path) -> None:
    begun = time.process_time()
    with pytest.raises(NoPlanError) as told:
        planned(tmp_path, "36 L")
    assert told.value.proved
    assert time.process_time() - begun < 60.0


WIDE_GRAVITY_LINE = """
system: A tank whose wide gravity line holds more than the sump takes, invented
units: metric
surfaces: {sump: 0 m, upper: 2.0 m}
pumps: {p: {curve: [[0 L/h, 5 m], [2000 L/h, 4 m], [4000 L/h, 0 m]], ports: 1 in socket}}
runs:
  line: {from: sump, to: upper, size: 1 in sch 40 PVC, parts: [pump p, pipe 2 m, ball valve, pipe 10 cm]}
  down: {from: upper, to: sump, size: 2 in sch 40 PVC, parts: [bulkhead, pipe 5 m, elbow, pipe 20 cm]}
tanks:
  upper: {area: 0.3 m2, overflow edge: 50 cm, rim above edge: 5 cm, return outlet depth: 10 mm, mouths: {down: 10 mm}}
  sump: {area: 0.5 m2, free volume: ROOM L}
targets: {line: 500 to 600 L/h, down: ASKED}
rules: {sizes: [1 in, 1-1/4 in, 1-1/2 in, 2 in]}
"""


@pytest.mark.long
@pytest.mark.parametrize("asked", ["any", "at least 400 L/h"])
@pytest.mark.parametrize("room_l", [16, 14])
def test_a_gravity_line_is_made_narrower_where_its_water_is_too_much_for_the_sump(room_l: int, asked: str) -> None:
    # What runs back: the tank's 10 mm of 0.3 m², 3 L, and the pipe. 2 in. sch 40 holds 2.16 L a metre, 1 in. 0.56
    # (ASTM D1785: bores of 52.5 and 26.6 mm): all of 'down' in 2 in. is 11 L, in 1 in. 3 L; 'line' holds 1.2 L.
    text = WIDE_GRAVITY_LINE.replace("ROOM", str(room_l)).replace("ASKED", asked)
    system = load_system(Path("upper.yaml"), load_catalog(), text.encode())
    report = pipeline.plan(system, load_catalog())
    bought = " ".join(line.description for line in report.bill.lines)

    assert "1 in. sch 40 PVC pipe" in bought
    assert report.bill.total_cents == 2696  # by its list, whether the line's flow is asked for or not


TWO_WAYS = """targets: {return line: any}
modes:
  day: {return: 100 %, targets: {return line: at least 500 L/h}}
  night: {return: 80 %, targets: {return line: at least 900 L/h}}
rules:"""


@pytest.mark.slow
def test_a_valve_that_two_modes_want_in_two_positions_has_none_and_that_is_proved(tmp_path: Path) -> None:
    # by day the sump wants it further shut than the 900 L/h by night let it be; it has one position for both
    before, after = FILE.split("targets:")[0], FILE.split("rules:")[1]
    file = tmp_path / "sump.yaml"
    file.write_text((before + TWO_WAYS + after).replace("ROOM", "36 L"), encoding="utf-8")
    begun = time.process_time()
    with pytest.raises(NoPlanError) as told:
        pipeline.plan(load_system(file, load_catalog()), load_catalog(), time_limit_s=600.0)
    assert told.value.proved
    assert time.process_time() - begun < 60.0


TWO_LINES = """
system: A pump that gives too much at its low speed, invented
units: metric
surfaces: {sump: 0 m, display: 0.8 m}
pumps: {p: {curve: [0 L/h at 4 m, 1080 L/h at 3 m, 2160 L/h at 0 m], ports: 3/4 in socket}}
tees: {split: 3/4 in sch 40 PVC tee}
runs:
  riser: {from: sump, to: split, size: 3/4 in sch 40 PVC, parts: [{pump: p, keep: yes}, pipe 1 m, elbow, pipe 3 m]}
  long: {from: split run, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 5 m, elbow, ball valve, pipe 0.5 m]}
  side: {from: split branch, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 1 m, elbow, ball valve, pipe 0.5 m]}
targets: {long: any, side: any}
modes:
  day: {p: 100 %, targets: {long: at least 1250 L/h, side: 280 to 420 L/h}}
  feeding: {p: 70 %, targets: {long: LOW to 600 L/h, side: 130 to 190 L/h}}
rules: {sizes: [3/4 in, 1 in, 1-1/4 in], velocity limit: 9 m/s}
"""


@pytest.mark.long
def test_lines_that_lose_too_little_in_a_mode_for_what_they_carry_in_another_are_told_apart_from_what_serves() -> None:
    # By hand: 1,530 L/h and more by day have 1.75 m of head, 0.8 m of it up, so 0.95 m to lose. At 70 % no more than
    # 790 L/h may come, where the pump gives 1.4 m: 0.6 m would have to be lost by half the water, which loses a third.
    text = TWO_LINES.replace("LOW", "500")
    begun = time.process_time()
    found = find_unknown(load_system(Path("two.yaml"), load_catalog(), text.encode()), load_catalog())
    assert found.plan.status is Status.INFEASIBLE
    assert time.process_time() - begun < 20.0
    free = text.replace("600 L/h, side: 130 to 190 L/h", "1300 L/h, side: 130 to 420 L/h")
    assert find_unknown(load_system(Path("two.yaml"), load_catalog(), free.encode()), load_catalog()).plan.found


TWO_LINES_INTO_A_TANK = """
system: Two valved lines into a tank above a small sump, invented
units: metric
water: {salinity: 35 g/kg, temperature: 25 degC}
surfaces: {sump: 0 m, display: 1.3 m}
pumps:
  return:
    curve: [0 L/h at 4 m, 1500 L/h at 3.3 m, 3000 L/h at 1.9 m, 4200 L/h at 0 m]
    speed: 100 %
    speeds: 40 % to 100 %
    ports: 3/4 in socket
tees: {split: 3/4 in sch 40 PVC tee}
runs:
  riser: {from: sump, to: split, size: 3/4 in sch 40 PVC, parts: [{pump: return, keep: yes}, pipe 0.4 m, elbow,
    pipe 2.2 m, elbow, pipe 0.6 m]}
  left: {from: split run, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 0.5 m, elbow, pipe 0.6 m, ball valve,
    elbow, pipe 0.3 m]}
  right: {from: split branch, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 0.3 m, elbow, pipe 1.2 m, ball valve,
    elbow, pipe 0.3 m]}
targets: {left: at least 1000 L/h, right: at least 1000 L/h}
modes:
  day: {return: 100 %}
  night: {return: 75 %, targets: {left: at least 650 L/h, right: at least 650 L/h}}
  feeding: {return: 65 %, targets: {left: 150 to 700 L/h, right: 150 to 900 L/h}}
rules: {sizes: [3/4 in, 1 in], velocity limit: 3 m/s}
tanks:
  display:
    {area: 0.72 m2, overflow edge: 40 cm, rim above edge: 4 cm, return outlet depth: 2.5 cm, start volume: 4 L}
  sump: {free volume: ROOM L, pump reserve: 15 L}
drains:
  main drain: {from: display, mode: full siphon, size: 1-1/2 in sch 40 PVC, drop: 1.2 m, parts: [pipe 1 m, elbow,
    ball valve, pipe 0.3 m]}
  spare: {from: display, mode: emergency, size: 2 in sch 40 PVC, drop: 1.2 m, head over lip: 3 cm, parts: [pipe 1.2 m]}
"""


def two_lines_end(room: str) -> UnknownSearch:
    text, catalog = TWO_LINES_INTO_A_TANK.replace("ROOM L", room), load_catalog()
    system, begun = load_system(Path("two.yaml"), catalog, text.encode()), time.process_time()
    held = allowances_of(system, today_counts=True)
    found = find_unknown(system, catalog, time_limit_s=300.0, allowances=held)
    assert time.process_time() - begun < 60.0
    return found


@pytest.mark.long
def test_it_is_proved_where_no_valve_positions_of_two_lines_serve_by_day_and_by_night() -> None:
    # By hand: 22.1 L run back with nothing over the edge (0.72 m² down to the outlet, 25 mm, 18 L; 4.1 L in pipe and
    # drain), and 36 L take 28.8. So 9.3 mm may stand over the edge of 40 cm: Q = 1.66 L h^1.5, 2,150 L/h by day. What
    # then loses the 1.4 m that are left of 2.7 m lets less than 2 x 650 L/h through by night, at 75 %: there 1,300 L/h
    # have 0.42 m to lose, and by day as much makes 1.4 m at 2,370 L/h already.
    assert two_lines_end("36 L").plan.status is Status.INFEASIBLE


@pytest.mark.slow
def test_a_plan_for_two_lines_in_three_modes_that_just_fits_the_sump_is_proved() -> None:
    found = two_lines_end("36.5 L")
    assert found.plan.status is Status.OPTIMAL
    assert found.cents == found.bound_cents
