"""Outlets, intakes and branches of the shelf: their losses against published formulas, and how a file names them."""

from __future__ import annotations

import csv
import math
from functools import cache
from pathlib import Path

import pytest
from fluids.fittings import diffuser_conical_Crane
from fluids.flow_meter import C_Reader_Harris_Gallagher
from fluids.open_flow import Q_weir_rectangular_Kindsvater_Carter
from said import said

from optimizer import pipeline
from optimizer.documents.drawing.symbols import DRAWN
from optimizer.errors import InputError
from optimizer.hydraulics.conditions import Conditions
from optimizer.hydraulics.elements import element_of
from optimizer.hydraulics.openings import exit_coefficients
from optimizer.hydraulics.water import GRAVITY_M_S2, fluid_of
from optimizer.hydraulics.weirs import weir_flow_m3_s, weir_head_m
from optimizer.joints.chains import new_part
from optimizer.joints.mating import mating, refusal
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.holes import HOLE_DISCHARGE, holes_bore_m, holes_k
from optimizer.model.kinds import KINDS
from optimizer.model.network import Water
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.verify.leaks import leak_places
from optimizer.verify.remarks import over_teeth
from optimizer.verify.running import Running

REFERENCE = Path(__file__).parent.parent / "reference"
NEW = (
    *(Kind.WYE, Kind.DOUBLE_WYE, Kind.SANITARY_TEE, Kind.SADDLE, Kind.PLUG, Kind.RUBBER_COUPLING, Kind.GROMMET),
    *(Kind.TRUE_UNION_CHECK_VALVE, Kind.INTAKE_SCREEN, Kind.OUTLET_NOZZLE, Kind.FLARED_OUTLET, Kind.ROTATING_OUTLET),
    *(Kind.BALL_JOINT_HOSE, Kind.EDUCTOR, Kind.SPRAY_BAR, Kind.TANK_EDGE_RETURN),
)
# Everything that the shelf has beside the usual fittings, in one file; invented.
SYSTEM = """
system: Outlets of every kind
units: US
water: {salinity: 35 g/kg, temperature: 77 degF}
surfaces: {sump: 0 m, display: 1.2 m}
pumps:
  return: {curve: [[0 gph, 9 m], [3000 gph, 6 m], [5000 gph, 0 m]], ports: 1 in NPT male}
runs:
  riser:
    from: sump
    to: first
    size: 1 in sch 40 PVC
    parts: [intake screen, pipe 3 in, adapter socket x NPT female, pump return, adapter NPT female x socket,
      pipe 1 ft, true-union check valve, pipe 1 ft]
  bar: {from: first branch, to: display, size: 1 in sch 40 PVC, parts: [pipe 1 ft, spray bar with 20 holes of 4 mm]}
  on: {from: first, to: second, size: 1 in sch 40 PVC,
    parts: [pipe 6 in, rubber coupling, pipe 6 in, grommet, pipe 4 in]}
  nozzle: {from: second branch, to: display, size: 1 in sch 40 PVC, parts: [pipe 1 ft, outlet nozzle]}
  on again: {from: second, to: third, size: 1 in sch 40 PVC, parts: [pipe 6 in]}
  flare: {from: third branch, to: display, size: 1/2 in sch 40 PVC,
    parts: [adapter NPT male x socket, pipe 1 ft, reducing coupling to 3/4 in, pipe 6 in, flared outlet]}
  last: {from: third, to: fourth, size: 1 in sch 40 PVC, parts: [pipe 6 in]}
  edge: {from: fourth branch, to: display, size: 1 in sch 40 PVC, parts: [pipe 1 ft, tank-edge return]}
  turning: {from: fourth, to: fifth, size: 1 in sch 40 PVC, parts: [pipe 1 ft]}
  spinner: {from: fifth, to: display, size: 1 in sch 40 PVC, parts: [pipe 1 ft, rotating outlet]}
  stirrer: {from: fifth branch, to: display, size: 1 in sch 40 PVC,
    parts: [pipe 6 in, adapter socket x NPT male, eductor]}
tees: {first: wye, second: tee, third: 1 x 1 x 1/2 in saddle}
targets: {bar: at least 100 gph}
"""


@cache
def shelf() -> Catalog:
    return load_catalog()


def read(folder: Path, text: str = SYSTEM) -> System:
    path = folder / "outlets.yaml"
    path.write_text(text, encoding="utf-8")
    return pipeline.read(path)[0]


@pytest.mark.parametrize("kind", NEW)
def test_each_kind_has_rows_with_a_loss_that_names_its_source(kind: Kind) -> None:
    rows = shelf().of_kind(kind)

    assert rows
    assert KINDS[kind].symbol in DRAWN
    for item in rows:
        assert item.source in shelf().sources
        assert kind is Kind.PLUG or item.loss.source in shelf().sources
        assert item.price_cents > 0


def test_where_pipe_goes_in_the_waterway_is_that_of_the_pipe() -> None:
    # ASTM D1785 average bores and ISO 1452-2 (reference tables); both printed to 0.01 mm
    with (REFERENCE / "pvc-astm-d1785.csv").open(encoding="utf-8", newline="") as file:
        inch = {(f"{r['nominal_in']} in", r["schedule"]): float(r["id_average_mm"]) for r in csv.DictReader(file)}
    checked = 0
    for item in shelf().of_kind(*NEW):
        schedule = "80" if "80" in item.family else "40"
        for end, bore_m in zip(item.ends, item.end_bores_m, strict=True):
            if end.form in (Form.SOCKET, Form.SLEEVE):
                metric = end.system is SizeSystem.METRIC
                expected = shelf().pipe("PVC-U PN16", end.size).bore_m * 1000 if metric else inch[end.size, schedule]
                assert bore_m * 1000 == pytest.approx(expected, abs=0.011), item.item_id
                checked += 1
    assert checked > 100


def test_sharp_holes_discharge_as_published() -> None:
    # Kirchhoff's free jet: pi/(pi + 2); ISO 5167-2 at a small hole in a large pipe: 3 % apart
    assert pytest.approx(math.pi / (math.pi + 2.0), abs=0.002) == HOLE_DISCHARGE
    iso = C_Reader_Harris_Gallagher(D=0.1, Do=0.01, rho=1000.0, mu=1e-3, m=0.05, taps="corner")
    assert pytest.approx(iso, rel=0.03) == HOLE_DISCHARGE


@pytest.mark.parametrize(
    ("item_id", "count", "hole_mm"), [("sch40-spray-bar-100-16x5", 16, 5), ("pn16-spray-bar-d25-12x5", 12, 5)]
)
def test_a_spray_bar_gives_what_its_holes_give(item_id: str, count: int, hole_mm: int) -> None:
    part, conditions, flow = new_part(shelf().items[item_id]), Conditions(fluid_of(Water(35.0, 25.0)), {}), 5e-4
    lost = element_of(part, conditions).square_s2_m5 + exit_coefficients(part, conditions)[1]
    area = count * math.pi / 4.0 * (hole_mm / 1000.0) ** 2

    by_holes_m = (flow / (0.61 * area)) ** 2 / (2.0 * GRAVITY_M_S2)  # Q = Cd A (2 g h)^0.5
    assert lost * flow * flow == pytest.approx(by_holes_m, rel=4e-3)  # the row's K has three digits


def test_a_flared_outlet_loses_what_its_cone_loses() -> None:
    # Crane TP-410, appendix A: a cone of 30 degrees; two digits in the row
    for item in shelf().of_kind(Kind.FLARED_OUTLET):
        narrow, wide = item.end_bores_m
        assert item.loss.coefficients[0] == pytest.approx(
            float(diffuser_conical_Crane(narrow, wide, angle=30.0)), abs=0.006
        )


def test_a_nozzle_s_velocity_coefficient_is_the_published_one() -> None:
    for item in shelf().of_kind(Kind.OUTLET_NOZZLE):  # 0.95 to 0.98, handbooks of hydraulics, from memory
        assert 0.95 <= 1.0 / math.sqrt(1.0 + item.loss.coefficients[0]) <= 0.98


def test_gaps_between_teeth_carry_no_more_than_published(tmp_path: Path) -> None:
    # Kindsvater and Carter, within its limits (gap over 15 cm, 3 cm of head), and narrower, where it says more
    for gap_m in (0.15, 0.05, 0.006):
        for head_m in (0.03, 0.05):
            assert weir_flow_m3_s(gap_m, head_m) <= Q_weir_rectangular_Kindsvater_Carter(head_m, 0.3, gap_m)
    tank = "tanks: {display: {area: 1 m2, teeth: '24 gaps of 6 mm, 15 mm deep', rim above edge: 40 mm}}\n"
    system = read(tmp_path, SYSTEM + tank)
    (display,) = system.tanks

    assert display.overflow_edge_m == pytest.approx(24 * 0.006)
    assert display.teeth_depth_m == pytest.approx(0.015)


def test_water_above_the_teeth_is_told(tmp_path: Path) -> None:
    tank = "tanks: {display: {area: 1 m2, teeth: '24 gaps of 6 mm, 15 mm deep', rim above edge: 40 mm}}\n"
    system = read(tmp_path, SYSTEM + tank)
    solution = pipeline.flows(system)
    total = sum(f for run, f in solution.flows_m3_s.items() if system.network.runs[run].end.point == "display")
    told = said(over_teeth(system, Running(system.network, solution.flows_m3_s, solution.doubt)))

    assert weir_head_m(0.144, total) > 0.015
    assert len(told) == 1
    assert "runs over the teeth" in told[0]


@pytest.mark.parametrize("teeth", ["24 of 6 mm", "24 gaps of 0 mm, 15 mm deep", "gaps of 6 mm, 15 mm deep"])
def test_teeth_that_say_too_little_are_a_fault(tmp_path: Path, teeth: str) -> None:
    with pytest.raises(InputError, match="teeth"):
        read(tmp_path, f"{SYSTEM}tanks: {{display: {{teeth: '{teeth}'}}}}\n")


def test_one_file_has_all_of_them(tmp_path: Path) -> None:
    system = read(tmp_path)
    solution = pipeline.flows(system)
    kinds = {part.kind for run in system.network.runs.values() for part in run.parts}
    kinds |= {tee.item.kind for tee in system.network.tees.values() if tee.item is not None}

    not_there = {Kind.DOUBLE_WYE, Kind.SANITARY_TEE, Kind.PLUG, Kind.BALL_JOINT_HOSE}
    assert set(NEW) - kinds == not_there
    into = sum(f for run, f in solution.flows_m3_s.items() if system.network.runs[run].end.point == "display")
    assert into == pytest.approx(solution.flows_m3_s["riser"], rel=1e-6)
    assert all(flow > 0 for flow in solution.flows_m3_s.values())


def test_holes_of_a_bar_may_be_stated(tmp_path: Path) -> None:
    bar = read(tmp_path).network.runs["bar"].parts[-1]

    assert bar.item is not None
    assert bar.item.loss.coefficients == (holes_k(),)
    assert bar.end_bores_m[-1] == pytest.approx(holes_bore_m(20, 0.004)) == pytest.approx(0.004 * math.sqrt(20))
    assert "20 holes of 4 mm" in bar.item.description


def test_what_an_eductor_draws_along_is_said_and_counts_for_nothing(tmp_path: Path) -> None:
    system = read(tmp_path)
    solution = pipeline.flows(system)
    (note,) = [words for words in said(pipeline.barely_lifting(system, solution)) if "eductor" in words]

    assert "is no return flow" in note
    assert solution.flows_m3_s["stirrer"] < solution.flows_m3_s["riser"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("first: double wye", "a double wye 'first', where 3 runs meet"),
        ("first: 1 x 1 x 3 in wye", r"tee 'first' \(3 in socket\) beside 'pipe 1 ft' .* sizes differ: 3 in and 1 in"),
    ],
)
def test_a_branch_that_does_not_fit_its_runs_is_a_fault(tmp_path: Path, change: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        read(tmp_path, SYSTEM.replace("first: wye", change))


def test_outlets_stay_unless_the_owner_lets_them_go(tmp_path: Path) -> None:
    parts = {part.kind: part for run in read(tmp_path).network.runs.values() for part in run.parts}
    for kind in (Kind.SPRAY_BAR, Kind.EDUCTOR, Kind.INTAKE_SCREEN, Kind.GROMMET, Kind.BULKHEAD):
        if kind in parts:
            assert str(parts[kind].condition) == "keep"


def test_nothing_joins_an_open_end_and_only_plain_pipe_a_sleeve() -> None:
    ends = [End(form, "1 in", SizeSystem.IPS) for form in Form]
    assert not any(mating(End(Form.OPEN, "1 in", SizeSystem.IPS), end) for end in ends)
    assert "stands in the water" in refusal(End(Form.OPEN, "1 in", SizeSystem.IPS), ends[0])
    into = [end.form for end in ends if mating(End(Form.SLEEVE, "1 in", SizeSystem.IPS), end)]
    assert into == [Form.SPIGOT]


def test_the_jet_of_an_outlet_is_no_velocity_of_the_line_and_its_joint_no_leak(tmp_path: Path) -> None:
    system = read(tmp_path)
    solution = pipeline.flows(system)
    run = system.network.runs["nozzle"]
    bore_m = min(bore for part in run.parts[:-1] for bore in part.end_bores_m)  # by Q = v A in the pipe before it

    speed = solution.flows_m3_s["nozzle"] / (math.pi / 4 * bore_m**2)
    assert solution.velocities_m_s["nozzle"] == pytest.approx(speed, rel=1e-9)
    joints = [place.words for place in leak_places(system, system.network, solution.flows_m3_s)]
    assert joints
    assert not any("nozzle" in words for words in joints)
