"""Rows of tube, garden hose, small threads and meters: what stands in them, and that a line of them can be written."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from optimizer.errors import InputError
from optimizer.joints.threads import thread_of
from optimizer.model.catalog import Catalog, Kind, LossMethod
from optimizer.model.ends import Form, ThreadFamily
from optimizer.model.meters import MeterData
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system

NEW_KINDS = (
    *(Kind.DIAPHRAGM_VALVE, Kind.ANGLE_VALVE, Kind.NEEDLE_VALVE, Kind.Y_CHECK_VALVE, Kind.BACKFLOW_PREVENTER),
    *(Kind.SOLENOID_VALVE, Kind.FLOAT_VALVE, Kind.PRESSURE_REGULATOR, Kind.FILTER_HOUSING, Kind.STRAINER),
    *(Kind.QUICK_DISCONNECT, Kind.FLOW_METER),
)
REFERENCE = Path(__file__).parent.parent / "reference"
LINE = """
system: every kind of part
units: US
surfaces: {{bin: 0 ft}}
supplies: {{house: {{pressure: 40 psi, elevation: 2 ft}}}}
runs:
  line: {{from: house, to: bin, size: {size}, parts: [{parts}]}}
targets: {{line: at least 1 gph}}
"""


@pytest.mark.parametrize("kind", NEW_KINDS, ids=str)
def test_every_kind_has_rows_with_a_loss_that_names_its_source(catalog: Catalog, kind: Kind) -> None:
    items = catalog.of_kind(kind)

    assert items
    for item in items:
        assert item.loss.method is not LossMethod.NONE, item.item_id
        assert item.loss.source in catalog.sources, item.item_id
        assert item.loss.band_low < 1.0 < item.loss.band_high, item.item_id


@pytest.mark.parametrize(
    ("kind", "fitting"),
    [
        (Kind.DIAPHRAGM_VALVE, "Valve, Diaphragm, Dam type"),
        (Kind.ANGLE_VALVE, "Valve, Globe, Angle or Y-type"),
    ],
)
def test_two_k_coefficients_are_those_of_the_article(catalog: Catalog, kind: Kind, fitting: str) -> None:
    # W. B. Hooper, Chemical Engineering, Aug. 24, 1981, as carried by fluids 1.3.1.
    with (REFERENCE / "fitting-losses.csv").open(encoding="utf-8", newline="") as file:
        (row,) = [row for row in csv.DictReader(file) if row["method"] == "hooper_2K" and row["fitting"] == fitting]
    wanted = (float(row["K1"]), float(row["Kinf_or_Ki"]))

    assert {item.loss.coefficients for item in catalog.of_kind(kind)} == {wanted}


def test_a_y_check_valve_is_cranes_angle_lift_check(catalog: Catalog) -> None:
    # Crane TP-410 appendix A, 55 fT; from memory, agrees with the fluids library's K over its friction factor.
    with (REFERENCE / "fitting-losses.csv").open(encoding="utf-8", newline="") as file:
        (row,) = [row for row in csv.DictReader(file) if row["fitting"] == "lift check, angle"]

    assert {item.loss.coefficients for item in catalog.of_kind(Kind.Y_CHECK_VALVE)} == {(float(row["L_over_D"]),)}


@pytest.mark.parametrize("size", ["1/4 in", "3/8 in", "1/2 in", "4 mm", "6 mm", "8 mm", "10 mm", "12 mm"])
def test_tube_of_every_size_finds_its_fittings(catalog: Catalog, size: str) -> None:
    pipe = catalog.pipe("PE tube", size)
    for kind in (Kind.COUPLING, Kind.ELBOW, Kind.TEE, Kind.BULKHEAD, Kind.BALL_VALVE):
        rows = [item for item in catalog.with_end(kind, size) if item.ends[0].form is Form.PUSH_FIT]
        assert rows, kind
        assert all(min(item.end_bores_m) <= pipe.bore_m + 1e-9 for item in rows)
    ways_out = {
        other.form
        for item in catalog.with_end(Kind.ADAPTER, size)
        for one, other in (item.ends, item.ends[::-1])
        if one.form is Form.PUSH_FIT and one.size == size
    }
    assert {Form.NPT_MALE, Form.R_MALE, Form.G_MALE, Form.G_FEMALE} <= ways_out


def test_the_orifice_bounds_the_kv_of_a_solenoid_valve(catalog: Catalog) -> None:
    # Q = Cd A sqrt(2 dp/rho): at Cd = 1 a bore of d mm has Kv = 0.0400 d² (m³/h at 1 bar); no valve has more.
    found = 0
    for item in catalog.of_kind(Kind.SOLENOID_VALVE):
        orifice_mm = float(item.note.split("mm orifice")[0].split(",")[-1])
        assert 0.4 < item.loss.coefficients[0] / (0.0400 * orifice_mm**2) < 0.8, item.item_id
        found += 1
    assert found > 10


def test_garden_hose_thread_is_of_one_size(catalog: Catalog) -> None:
    # ASME B1.20.7: 3/4-11.5 NH, whatever the hose.
    ends = {end for item in catalog.items.values() for end in item.ends if end.form.thread is ThreadFamily.GHT}

    assert {end.size for end in ends} == {"3/4 in"}
    thread = thread_of(Form.GHT_MALE, "3/4 in")
    assert thread is not None
    assert thread.threads_per_inch == 11.5


def test_every_meter_has_a_range_and_pulses(catalog: Catalog) -> None:
    meters = catalog.of_kind(Kind.FLOW_METER)

    assert {item.item_id for item in meters} == set(catalog.meters)
    for item in meters:
        meter = catalog.meters[item.item_id]
        assert 5 < meter.high_m3_s / meter.low_m3_s < 50, item.item_id
        assert meter.straight_before >= 10, item.item_id
        assert meter.pulses_per_s(meter.high_m3_s) < 400, item.item_id
        # within its range no meter takes more head than 10 m of water
        assert (meter.high_m3_s * 3600 / item.loss.coefficients[0]) ** 2 < 2.6, item.item_id


def test_a_meter_sends_nothing_below_its_range() -> None:
    meter = MeterData(1e-5, 1e-3, 10, 5, "any", 4.5e5)

    assert meter.pulses_per_s(0.9e-5) == 0.0
    assert meter.pulses_per_s(1e-4) == pytest.approx(45.0)  # 0.1 L/s at 450 pulses a liter


@pytest.mark.parametrize(
    ("column", "text", "words"),
    [
        ("range_low_l_min", "40", "more than range_low_l_min"),
        ("orientation", "upside down", "any, level, rising"),
        ("kind", "elbow", "all rows of this file are meters"),
        ("pulses_per_l", "0", "a number above 0"),
    ],
)
def test_a_meter_that_cannot_be_is_a_fault_with_its_place(tmp_path: Path, column: str, text: str, words: str) -> None:
    with (data_directory("catalogs") / "meters.csv").open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        row = next(row for row in reader if row["item_id"] == "meter-050-bspp-male") | {"item_id": "mine"}
    path = tmp_path / "meters.csv"
    with path.open("w", encoding="utf-8", newline="") as copy:
        writer = csv.DictWriter(copy, list(row))
        writer.writeheader()
        writer.writerow(row | {column: text})

    with pytest.raises(InputError, match=words) as caught:
        load_catalog([path])
    assert caught.value.faults[0].place.startswith("meters.csv, row 2")


@pytest.mark.parametrize(
    ("size", "parts"),
    [
        (
            "1/4 in PE tube",
            "tube 3 ft, ball valve, tube 2 ft, prefilter, tube 1 ft, solenoid, tube 6 in, meter, tube 4 ft, "
            "spring check valve, tube 1 ft, needle valve 50 % open, tube 2 ft, regulator, tube 1 ft, "
            "backflow preventer, tube 1 ft, strainer, tube 6 in, elbow, tube 1 ft, bulkhead, tube 6 in, float valve",
        ),
        (
            "1 in sch 40 PVC",
            "pipe 1 ft, diaphragm valve, pipe 1 ft, angle valve 40 % open, pipe 1 ft, y check valve, pipe 2 ft",
        ),
        (
            "1/2 in braided hose",
            "hose 2 ft, adapter 1/2 in barb x 3/4 in GHT male, backflow preventer 3/4 in GHT female x 3/4 in GHT male, "
            "adapter 3/4 in FHT x 1/2 in barb, hose 3 ft, quick disconnect, hose 1 ft",
        ),
        (
            "6 mm PE tube",
            "tube 1 m, adapter 6 mm push-fit x 1/4 in G female, meter G 1/4 male, "
            "adapter G 1/4 female x 6 mm push-fit, tube 2 m, solenoid valve, tube 1 m",
        ),
    ],
)
def test_a_line_of_every_kind_of_part_is_read(tmp_path: Path, catalog: Catalog, size: str, parts: str) -> None:
    path = tmp_path / "line.yaml"
    path.write_text(LINE.format(size=size, parts=parts), encoding="utf-8")

    run = load_system(path, catalog).network.runs["line"]

    assert len(run.parts) == parts.count(", ") + 1
    assert all((part.item is not None and part.item.reef_safe) or "GHT" in part.words for part in run.parts)
