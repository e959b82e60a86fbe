"""The shipped catalogs against published tables: diameters, losses, threads, depths, what a can of cement does."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest
from fluids import K_to_Kv, ft_Crane
from fluids.filters import square_edge_screen
from fluids.fittings import K_lift_check_valve_Crane

from optimizer.errors import CatalogError
from optimizer.joints.bores import Approach, along
from optimizer.joints.chains import new_part
from optimizer.joints.mating import mating
from optimizer.model.catalog import Catalog, CatalogItem, Kind, LossMethod
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.read.catalogs import load_catalog

REFERENCE = Path(__file__).parent.parent / "reference"
INCH = ("1/2 in", "3/4 in", "1 in", "1-1/4 in", "1-1/2 in", "2 in", "2-1/2 in", "3 in")
METRIC = ("20 mm", "25 mm", "32 mm", "40 mm", "50 mm", "63 mm", "75 mm")


def reference(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def socket(size: str) -> End:
    return End(Form.SOCKET, size, SizeSystem.METRIC if size.endswith("mm") else SizeSystem.IPS)


@pytest.mark.parametrize(
    "row",
    [row for row in reference("pvc-astm-d1785.csv") if f"{row['nominal_in']} in" in INCH],
    ids=lambda row: f"{row['nominal_in']} in sch {row['schedule']}",
)
def test_inch_pipe_has_the_diameters_of_the_standard(catalog: Catalog, row: dict[str, str]) -> None:
    # ASTM D1785 Tables 1 and 2 (outside diameter, least wall); average bore from public PVC dimension tables. Both are
    # printed to 0.01 mm.
    pipe = catalog.pipe(f"sch {row['schedule']} PVC", f"{row['nominal_in']} in")

    assert pipe.outside_diameter_m * 1000 == pytest.approx(float(row["od_mm"]), abs=0.005)
    assert pipe.bore_min_wall_m * 1000 == pytest.approx(float(row["id_from_min_wall_mm"]), abs=0.005)
    assert pipe.bore_m * 1000 == pytest.approx(float(row["id_average_mm"]), abs=0.005)


@pytest.mark.parametrize("family", ["sch 40 PVC", "sch 80 PVC"])
def test_a_fitting_of_a_schedule_is_no_wider_than_its_pipe(catalog: Catalog, family: str) -> None:
    # Of one schedule pipe and fittings have one bore (ASTM D2466, D2467 beside D1785); threads neck it further.
    found = [item for item in catalog.of_kind(Kind.UNION, Kind.COUPLING, Kind.ELBOW) if item.family == family]
    assert len(found) > 30
    for item in found:
        for end, bore_m in zip(item.ends, item.end_bores_m, strict=True):
            if end.size in INCH:
                assert bore_m <= catalog.pipe(family, end.size).bore_m + 1e-6, item.item_id


@pytest.mark.parametrize(
    "row",
    [row for row in reference("pvc-astm-d1785.csv") if f"{row['nominal_in']} in" in INCH],
    ids=lambda row: f"{row['nominal_in']} in sch {row['schedule']}",
)
def test_the_average_bore_costs_as_much_more_head_as_published(catalog: Catalog, row: dict[str, str]) -> None:
    # The table's last column. Head loss in smooth pipe goes with D^-4.75 (Blasius); 0.6 points for the rounded bores.
    pipe = catalog.pipe(f"sch {row['schedule']} PVC", f"{row['nominal_in']} in")

    more_percent = 100 * ((pipe.bore_min_wall_m / pipe.bore_m) ** 4.75 - 1)

    assert more_percent == pytest.approx(float(row["extra_head_loss_pct_if_average_id"]), abs=0.6)


@pytest.mark.parametrize(
    "row",
    [row for row in reference("pvcu-metric-iso1452.csv") if row["id_mm"] and f"{row['od_mm']} mm" in METRIC],
    ids=lambda row: f"{row['od_mm']} mm {row['class']}",
)
def test_metric_pipe_has_the_diameters_of_the_standard(catalog: Catalog, row: dict[str, str]) -> None:
    # ISO 1452-2 Table 2, from memory, agrees with e = d/(2S+1).
    pipe = catalog.pipe(f"PVC-U {row['class']}", f"{row['od_mm']} mm")
    outside_mm, wall_mm = float(row["od_mm"]), float(row["min_wall_mm"])

    assert pipe.outside_diameter_m * 1000 == pytest.approx(outside_mm)
    assert pipe.bore_min_wall_m * 1000 == pytest.approx(float(row["id_mm"]))
    # Wall tolerance 0 to +(0.1 e + 0.2 mm), rounded up to 0.1 mm (EN 1452-2, from memory); half of it is expected.
    tolerance_mm = math.ceil(round(10 * (0.1 * wall_mm + 0.2), 6)) / 10
    assert pipe.bore_m * 1000 == pytest.approx(outside_mm - 2 * (wall_mm + tolerance_mm / 2), abs=0.005)


@pytest.mark.parametrize("size", ["20 mm", "25 mm"])
def test_the_smallest_metric_pipe_exists_as_pn16_only(catalog: Catalog, size: str) -> None:
    # ISO 1452-2: no PN10 wall is listed at 20 and 25 mm (the least wall of 1.5 mm rules), from memory.
    assert catalog.pipe("PVC-U PN16", size).pressure_rating_pa == pytest.approx(16e5)
    with pytest.raises(CatalogError, match=r"no PVC-U PN10 in size .* sizes in the catalogs: 32 mm, 40 mm, 50 mm"):
        catalog.pipe("PVC-U PN10", size)


@pytest.mark.parametrize(
    "row",
    [row for row in reference("hose-tubing-ids.csv") if row["nominal"] != "1/2 OD"],
    ids=lambda row: f"{row['family']} {row['nominal']}",
)
def test_hose_and_tube_have_the_usual_bore(catalog: Catalog, row: dict[str, str]) -> None:
    # Common practice, no source.
    family = "PE tube" if "tube" in row["family"] else "flexible PVC hose" if "IPS" in row["family"] else "vinyl hose"
    size = row["nominal"] if row["nominal"].endswith("mm") else f"{row['nominal'].removesuffix(' OD')} in"

    assert catalog.pipe(family, size).bore_m * 1000 == pytest.approx(float(row["id_mm"]))


def test_flexible_hose_cements_like_pipe_and_vinyl_hose_goes_over_barbs(catalog: Catalog) -> None:
    assert catalog.pipe("flexible PVC hose", "1 in").ends[0] == End(Form.SPIGOT, "1 in", SizeSystem.IPS)
    assert catalog.pipe("vinyl hose", "12/16 mm").ends[0] == End(Form.HOSE, "12/16 mm", SizeSystem.HOSE)
    assert catalog.pipe("PE tube", "1/4 in").ends[0] == End(Form.TUBE, "1/4 in", SizeSystem.TUBE)


@pytest.mark.parametrize(
    ("kind", "fitting", "long"),
    [
        (Kind.ELBOW, "Elbow, 90°, threaded, standard, (r/D = 1)", False),
        (Kind.SWEEP_ELBOW, "Elbow, 90°, threaded, long radius, (r/D = 1.5)", False),
        (Kind.SWEEP_ELBOW, "Elbow, 90°, (r/D = 4)", True),
        (Kind.ELBOW_45, "Elbow, 45°, threaded standard, (r/D = 1)", False),
        (Kind.GATE_VALVE, "Valve, Gate valve, standard, β = 1", False),
        (Kind.BALL_VALVE, "Valve, Ball valve, standard, β = 1", False),
        (Kind.TRUE_UNION_BALL_VALVE, "Valve, Ball valve, standard, β = 1", False),
        (Kind.GLOBE_VALVE, "Valve, Globe valve, standard, β = 1", False),
        (Kind.SWING_CHECK_VALVE, "Valve, Swing check", False),
    ],
)
def test_three_k_coefficients_are_those_of_the_handbook(catalog: Catalog, kind: Kind, fitting: str, long: bool) -> None:
    # R. Darby, Chemical Engineering Fluid Mechanics, 2nd ed., 2001, as carried by fluids 1.3.1.
    (row,) = [
        row for row in reference("fitting-losses.csv") if row["method"] == "darby_3K" and row["fitting"] == fitting
    ]
    expected = (float(row["K1"]), float(row["Kinf_or_Ki"]), float(row["K_or_Kd"]))
    rows = [item for item in catalog.of_kind(kind) if item.loss.method is LossMethod.THREE_K]
    items = [item for item in rows if ("long sweep" in item.description) is long]

    assert len(items) >= 6
    assert {item.loss.coefficients[:3] for item in items} == {expected}


def test_three_k_takes_the_nominal_inches_of_the_size(catalog: Catalog) -> None:
    inches = dict(zip(INCH, (0.5, 0.75, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0), strict=True))
    # A 32 mm pipe is DN 25, 1 in., and so on (common practice, no source).
    inches.update(zip(METRIC, (0.5, 0.75, 1.0, 1.25, 1.5, 2.0, 2.5), strict=True))

    for item in catalog.items.values():
        if item.loss.method is LossMethod.THREE_K:
            assert item.loss.coefficients[3] == inches[item.ends[0].size], item.item_id


def test_the_metric_globe_valve_has_the_two_k_of_a_y_pattern(catalog: Catalog) -> None:
    # W. B. Hooper, Chemical Engineering, Aug. 24, 1981, pp. 96-100, as carried by fluids 1.3.1.
    (row,) = [row for row in reference("fitting-losses.csv") if row["fitting"] == "Valve, Globe, Angle or Y-type"]

    loss = catalog.items["pn16-globe-valve-d32"].loss

    assert loss.method is LossMethod.TWO_K
    assert loss.coefficients == (float(row["K1"]), float(row["Kinf_or_Ki"]))


def test_a_sweep_elbow_loses_about_half_of_a_standard_one(catalog: Catalog) -> None:
    # Common practice, no source; fully turbulent 3-K.
    def k(item: CatalogItem) -> float:
        _, ki, kd, inches = item.loss.coefficients
        return ki * (1 + kd / inches**0.3)

    assert k(catalog.items["sch40-sweep-elbow-100"]) == pytest.approx(
        0.5 * k(catalog.items["sch40-elbow-100"]), rel=0.1
    )


def test_a_barb_counts_the_step_into_its_neck_and_out_again(catalog: Catalog) -> None:
    # Crane TP-410 appendix A: 0.5 (1 - b²) into the narrow bore, (1 - b²)² out of it; hose 12.7 mm, neck 9.4 mm.
    # On the hose bore that is K 1.5 to 3 (from memory).
    hose = new_part(catalog.pipe("vinyl hose", "1/2 in"), length_m=1.0)
    b2, area = (9.4 / 12.7) ** 2, math.pi * 0.0094**2 / 4

    lost = along(Approach(0.0127), [new_part(catalog.items["barb-coupling-050"]), hose]).square_s2_m5

    assert lost * 2 * 9.80665 * area**2 == pytest.approx(0.5 * (1 - b2) + (1 - b2) ** 2, rel=1e-9)
    assert 1.3 < lost * 2 * 9.80665 * area**2 / b2**2 < 3.0


def test_threads_of_the_catalog_are_sizes_of_the_thread_standards(catalog: Catalog) -> None:
    # ASME B1.20.1; ISO 7-1 and ISO 228-1.
    npt = {f"{row['nominal_in']} in" for row in reference("npt-b1201.csv")}
    bsp = {f"{row['size']} in" for row in reference("bsp-iso7-iso228.csv")}
    ends = [end for item in catalog.items.values() for end in item.ends if end.form.is_thread]

    assert ends
    for end in ends:
        assert end.system is SizeSystem.THREAD
        assert end.size in (npt if end.form.is_npt else bsp)


@pytest.mark.parametrize(
    ("form", "standard"),
    [
        (Form.NPT_MALE, "ASME B1.20.1"),
        (Form.NPT_FEMALE, "ASME B1.20.1"),
        (Form.R_MALE, "ISO 7-1 R"),
        (Form.RC_FEMALE, "ISO 7-1 Rc"),
        (Form.RP_FEMALE, "ISO 7-1 Rp"),
        (Form.G_MALE, "ISO 228-1 G"),
        (Form.G_FEMALE, "ISO 228-1 G"),
    ],
)
def test_every_threaded_part_names_the_standard_of_its_thread(catalog: Catalog, form: Form, standard: str) -> None:
    items = [item for item in catalog.items.values() if form in [end.form for end in item.ends]]

    assert items
    for item in items:
        assert standard in item.standard.split("; "), item.item_id


@pytest.mark.parametrize("row", reference("npt-bsp-mating.csv"), ids=lambda row: row["size"])
def test_no_npt_and_bsp_end_of_one_size_mate(row: dict[str, str]) -> None:
    # ASME B1.20.1 against ISO 7-1 and ISO 228-1: 60° and 55° flanks, other diameters, at most sizes another pitch.
    assert row["rule"] == "never mate"
    size = f"{row['size']} in"
    npt = [End(form, size, SizeSystem.THREAD) for form in Form if form.is_npt]
    bsp = [End(form, size, SizeSystem.THREAD) for form in Form if form.is_bsp]

    assert not [(one, other) for one in npt for other in bsp if mating(one, other) is not None]


@pytest.mark.parametrize("row", [r for r in reference("npt-b1201.csv") if r["nominal_in"] not in ("1/8", "4")])
def test_npt_depth_is_hand_tight_plus_one_and_a_half_turns(catalog: Catalog, row: dict[str, str]) -> None:
    # ASME B1.20.1 L1 and pitch; the turns are common practice, no source.
    end = End(Form.NPT_FEMALE, f"{row['nominal_in']} in", SizeSystem.THREAD)
    expected_in = float(row["handtight_L1_in"]) + 1.5 * float(row["pitch_in"])

    assert catalog.socket_depths_m[end] == pytest.approx(expected_in * 0.0254, abs=1e-5)


def test_socket_depths_are_those_of_the_fitting_standards(catalog: Catalog) -> None:
    # ASTM D2466 (inches) and ISO 727-1 (mm), both from memory.
    inch = (11 / 16, 23 / 32, 7 / 8, 15 / 16, 1 + 3 / 32, 1 + 5 / 32, 1 + 3 / 4, 1 + 7 / 8)
    for size, depth_in in zip(INCH, inch, strict=True):
        assert catalog.socket_depths_m[socket(size)] == pytest.approx(depth_in * 0.0254, abs=0.0001)
    for size, depth_mm in zip(METRIC, (16, 19, 22, 26, 31, 38, 44), strict=True):
        assert catalog.socket_depths_m[socket(size)] == pytest.approx(depth_mm / 1000)


def test_every_end_that_something_goes_into_has_a_depth(catalog: Catalog) -> None:
    into = {
        Form.SOCKET,
        Form.BARB,
        Form.COMPRESSION,
        Form.PUSH_FIT,
        *(f for f in Form if f.is_thread and not f.is_male),
    }
    ends = {end for item in catalog.items.values() for end in item.ends if end.form in into}

    assert not sorted(ends - set(catalog.socket_depths_m))


@pytest.mark.parametrize(
    "row",
    [row for row in reference("consumables-practice.csv") if row["item"] == "solvent cement" and row["size"] != "4 in"],
)
def test_cement_covers_the_usual_number_of_sockets(catalog: Catalog, row: dict[str, str]) -> None:
    # Common practice, no source: sockets for each US pint.
    packs = {item.item_id: joints for item, joints in catalog.consumables("cement", row["size"])}

    assert packs["cement-pint"] == int(row["value"])
    assert packs["cement-half-pint"] == int(row["value"]) // 2
    assert [packs[name] for name in ("cement-quarter-pint", "cement-half-pint", "cement-pint")] == sorted(
        packs.values()
    )


def test_a_roll_of_tape_does_forty_joints_at_half_an_inch(catalog: Catalog) -> None:
    # Common practice, no source: 12 mm x 12 m roll, about 40 joints at 1/2 in., 15 at 1-1/2 in.
    assert [joints for _, joints in catalog.consumables("tape", "1/2 in")] == [40]
    assert [joints for _, joints in catalog.consumables("tape", "1-1/2 in")] == [15]


def test_a_schedule_80_union_is_as_narrow_as_its_pipe() -> None:
    # ASTM D1785: schedule 80 pipe has a thicker wall and the outside of schedule 40.
    catalog = load_catalog()
    bores = {item.ends[0].size: item.bore_m for item in catalog.of_kind(Kind.PIPE) if item.family == "sch 80 PVC"}
    unions = [item for item in catalog.items.values() if item.item_id.startswith("sch80-union")]
    ends = [pair for union in unions for pair in zip(union.ends, union.end_bores_m, strict=True)]
    sockets = [(end.size, bore) for end, bore in ends if end.form is Form.SOCKET]

    assert len(sockets) >= 30
    assert all(bore == pytest.approx(bores[size], abs=1e-5) for size, bore in sockets)


@pytest.mark.parametrize("item_id", ["strainer-025-push", "strainer-050-npt", "strainer-075-npt", "strainer-075-bspp"])
def test_a_strainer_loses_what_its_body_and_a_clean_screen_do(catalog: Catalog, item_id: str) -> None:
    # Crane TP 410: 55 fT for a body aslant; Blevins 1984: a square-edged screen of 30 % open area, on three times the
    # bore's area (estimate). Kv is written to two figures.
    loss = catalog.items[item_id].loss
    body = K_lift_check_valve_Crane(loss.bore_m, loss.bore_m, ft_Crane(loss.bore_m), angled=True)

    k = body + square_edge_screen(0.3) / 3.0**2

    assert loss.coefficients[0] == pytest.approx(K_to_Kv(k, loss.bore_m), rel=0.02)
    assert loss.band_low < (body + square_edge_screen(0.4) / 4.0**2) / k
    assert loss.band_high > (body + square_edge_screen(0.3) / 2.0**2) / k
