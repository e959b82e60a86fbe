"""Which ends mate: against the thread standards' tables row by row, and every pair of forms."""

from __future__ import annotations

import csv
import itertools
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.joints.mating import material_refusal, mating, piece_refusals, refusal
from optimizer.joints.threads import BSP_FLANKS_DEG, NPT_FLANKS_DEG, standard_of, thread_of
from optimizer.model.catalog import CatalogItem, Kind
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.read.catalogs import load_catalog
from optimizer.read.columns import system_of

REFERENCE = Path(__file__).parent.parent / "reference"
THREADS = [form for form in Form if form.is_thread]
NPT, BSP = [f for f in THREADS if f.is_npt], [f for f in THREADS if f.is_bsp]
TABLES_SIZES = ("1/4 in", "3/8 in", "1/2 in", "3/4 in", "1 in", "1-1/4 in", "1-1/2 in", "2 in", "2-1/2 in", "3 in")


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def end(form: Form, size: str) -> End:
    return End(form, size, system_of(form, size))


# Which forms mate in one size, and what the joint takes. ASME B1.20.1 (NPT), ISO 7-1 (R into Rc and Rp), ISO 228-1 (G
# into G), ASME B1.20.7 (garden hose thread), NPSM from memory; R into G, sockets, barbs, tube and sleeves: common
# practice, no source. Every pair that is not here never mates.
EXPECTED = {
    (Form.SOCKET, Form.SPIGOT): "cement",
    (Form.SOCKET, Form.SOCKET): "stub",
    (Form.NPT_MALE, Form.NPT_FEMALE): "tape",
    (Form.R_MALE, Form.RC_FEMALE): "tape",
    (Form.R_MALE, Form.RP_FEMALE): "tape",
    (Form.R_MALE, Form.G_FEMALE): "tape",
    (Form.G_MALE, Form.G_FEMALE): "washer",
    (Form.NPSM_MALE, Form.NPSM_FEMALE): "swivel",
    (Form.GHT_MALE, Form.GHT_FEMALE): "swivel",
    (Form.BARB, Form.HOSE): "clamp",
    (Form.COMPRESSION, Form.TUBE): "push",
    (Form.PUSH_FIT, Form.TUBE): "push",
    (Form.SLEEVE, Form.SPIGOT): "sleeve",
}


@pytest.mark.parametrize(("first", "second"), list(itertools.combinations_with_replacement(Form, 2)), ids=str)
def test_two_forms_of_one_size_mate_just_where_the_standards_say_so(first: Form, second: Form) -> None:
    wanted = EXPECTED.get((first, second)) or EXPECTED.get((second, first))
    one, other = end(first, "3/4 in"), end(second, "3/4 in")

    joint = mating(one, other)

    assert (joint.method if joint else None) == wanted
    assert bool(refusal(one, other)) == (wanted is None)


@pytest.mark.parametrize("row", rows("npt-bsp-mating.csv"), ids=lambda row: row["size"])
def test_npt_and_bsp_never_mate_and_the_reason_names_both_pitches(row: dict[str, str]) -> None:
    # npt-bsp-mating.csv: from ASME B1.20.1, ISO 7-1 and ISO 228-1
    assert row["rule"] == "never mate"
    size = f"{row['size']} in"
    for npt, bsp in itertools.product(NPT, BSP):
        assert mating(end(npt, size), end(bsp, size)) is None
        words = refusal(end(npt, size), end(bsp, size))
        assert f"{row['npt_angle']}°" in words
        assert f"{row['bsp_angle']}°" in words
        if row["same_tpi"] == "yes":
            assert f"both have {row['npt_tpi']} threads per inch" in words
        else:
            assert f"{row['npt_tpi']} against {row['bsp_tpi']} threads per inch" in words


@pytest.mark.parametrize("row", rows("npt-bsp-mating.csv"), ids=lambda row: row["size"])
def test_the_diameters_of_npt_and_bsp_differ_as_published(row: dict[str, str]) -> None:
    npt, bsp = thread_of(Form.NPT_MALE, f"{row['size']} in"), thread_of(Form.R_MALE, f"{row['size']} in")
    assert npt is not None
    assert bsp is not None

    # The table rounds the NPT diameter to 0.01 mm.
    assert 1000 * (npt.diameter_m - bsp.diameter_m) == pytest.approx(float(row["od_difference_mm"]), abs=0.011)


@pytest.mark.parametrize("row", rows("npt-b1201.csv"), ids=lambda row: row["nominal_in"])
def test_npt_threads_agree_with_asme_b1_20_1(row: dict[str, str]) -> None:
    for form in NPT:
        thread = thread_of(form, f"{row['nominal_in']} in")

        assert thread is not None
        assert thread.standard == row["source"]
        assert thread.threads_per_inch == float(row["tpi"])
        assert thread.flanks_deg == int(row["thread_angle_deg"]) == NPT_FLANKS_DEG
        assert 1000 * thread.diameter_m == pytest.approx(float(row["pipe_od_mm"]), abs=5e-4)


@pytest.mark.parametrize("row", rows("bsp-iso7-iso228.csv"), ids=lambda row: row["size"])
def test_bsp_threads_agree_with_iso_7_1_and_iso_228_1(row: dict[str, str]) -> None:
    named = {
        Form.G_MALE: row["parallel_designation"],
        Form.G_FEMALE: row["parallel_designation"],
        Form.R_MALE: row["taper_male"],
        Form.RC_FEMALE: row["taper_female"],
        Form.RP_FEMALE: row["parallel_female_in_taper_system"],
    }
    for form in BSP:
        thread = thread_of(form, f"{row['size']} in")

        assert thread is not None
        assert f"({thread.standard})" in named[form]
        assert thread.threads_per_inch == float(row["tpi"])
        assert thread.flanks_deg == int(row["thread_angle_deg"]) == BSP_FLANKS_DEG
        assert 1000 * thread.diameter_m == pytest.approx(float(row["major_dia_mm"]), abs=5e-4)


def test_every_thread_of_the_catalogs_is_in_the_standards_tables_and_its_row_names_the_standard() -> None:
    for item in load_catalog().items.values():
        for one in item.ends:
            if one.form.is_thread:
                assert thread_of(one.form, one.size) is not None, item.item_id
                assert standard_of(one.form) in item.standard, item.item_id


def test_the_catalogs_thread_depth_is_the_hand_tight_length_and_a_turn_and_a_half() -> None:
    # ASME B1.20.1 L1 and pitch; 1-1/2 turns more: common practice, no source. The catalog rounds to 0.01 mm.
    depths_m = load_catalog().socket_depths_m
    for row in rows("npt-b1201.csv"):
        one = end(Form.NPT_FEMALE, f"{row['nominal_in']} in")
        if one in depths_m:
            wanted_mm = 25.4 * (float(row["handtight_L1_in"]) + 1.5 / float(row["tpi"]))
            assert 1000 * depths_m[one] == pytest.approx(wanted_mm, abs=0.03)


SIZES = (*TABLES_SIZES, "20 mm", "25 mm", "32 mm", "40 mm", "50 mm", "63 mm")
ends = st.builds(end, st.sampled_from(Form), st.sampled_from(SIZES))


@given(ends, ends)
def test_mating_is_symmetric_and_what_does_not_mate_has_a_reason(first: End, second: End) -> None:
    assert mating(first, second) == mating(second, first)
    assert bool(refusal(first, second)) == bool(refusal(second, first)) == (mating(first, second) is None)


@given(ends, ends)
def test_ends_of_another_size_or_size_system_never_mate(first: End, second: End) -> None:
    if (first.size, first.system) != (second.size, second.system):
        assert mating(first, second) is None


@pytest.mark.parametrize(
    ("first", "second", "words"),
    [
        (end(Form.G_MALE, "1 in"), end(Form.RC_FEMALE, "1 in"), "bottoms in a taper Rc female"),
        (end(Form.RP_FEMALE, "1 in"), end(Form.G_MALE, "1 in"), "nothing to seal on"),
        (end(Form.SOCKET, "32 mm"), end(Form.SPIGOT, "1 in"), "different outside diameters"),
        (end(Form.SPIGOT, "1 in"), end(Form.SPIGOT, "1 in"), "need a coupling"),
        (end(Form.SOCKET, "1 in"), end(Form.SPIGOT, "3/4 in"), "sizes differ: 1 in and 3/4 in"),
        (end(Form.G_MALE, "1 in"), end(Form.R_MALE, "1 in"), "both are male threads"),
        (end(Form.NPT_MALE, "1 in"), end(Form.SPIGOT, "1 in"), "an NPT male end does not join a spigot end"),
        (end(Form.SOCKET, "1 in"), end(Form.RP_FEMALE, "1 in"), "a socket end does not join an Rp female end"),
        (end(Form.BARB, "1 in"), end(Form.BARB, "1 in"), "two barb ends do not join each other"),
        (end(Form.R_MALE, "1 in"), end(Form.RC_FEMALE, "3/4 in"), "sizes differ: 1 in and 3/4 in"),
        (end(Form.GHT_MALE, "3/4 in"), end(Form.NPT_FEMALE, "3/4 in"), "3/4 in NPT has 14 on 26.7 mm"),
        (end(Form.G_MALE, "3/4 in"), end(Form.GHT_FEMALE, "3/4 in"), "mates with nothing but itself"),
        (end(Form.NPT_MALE, "1/2 in"), end(Form.NPSM_FEMALE, "1/2 in"), "straight on straight"),
        (end(Form.NPSM_MALE, "1/2 in"), end(Form.G_FEMALE, "1/2 in"), "NPSM and BSP never mate"),
        (end(Form.TUBE, "1/4 in"), end(Form.PUSH_FIT, "6 mm"), "inch tube and metric tube have different"),
    ],
)
def test_a_refusal_says_what_a_plumber_would(first: End, second: End, words: str) -> None:
    assert words in refusal(first, second)


@pytest.mark.parametrize("male", [Form.NPT_MALE, Form.R_MALE])
@pytest.mark.parametrize("metal", ["brass", "stainless steel", "titanium"])
def test_a_metal_taper_male_never_goes_into_a_plastic_female(male: Form, metal: str) -> None:
    female = Form.NPT_FEMALE if male.is_npt else Form.G_FEMALE
    one, other = end(male, "1 in"), end(female, "1 in")

    assert metal in material_refusal(one, metal, other, "PVC")
    assert material_refusal(one, metal, other, "PVC") == material_refusal(other, "PVC", one, metal)
    assert material_refusal(one, metal, other, ""), "what is not known counts as plastic"
    assert not material_refusal(one, metal, other, "titanium")
    assert not material_refusal(one, "PVC", other, metal)


def test_a_parallel_metal_male_on_a_washer_does_not_split_plastic() -> None:
    assert not material_refusal(end(Form.G_MALE, "1 in"), "titanium", end(Form.G_FEMALE, "1 in"), "PVC")


def brass_and_plastic() -> tuple[CatalogItem, CatalogItem]:
    items = load_catalog().of_kind(Kind.ADAPTER)
    brass = next(item for item in items if item.material == "brass")
    return brass, next(item for item in items if item.material == "PVC")


def test_copper_alloy_is_refused_in_salt_water_unless_it_is_allowed() -> None:
    brass, plastic = brass_and_plastic()

    assert piece_refusals(brass)[0].startswith("brass in salt water")
    assert piece_refusals(brass, allow_unsafe_metals=True) == ()
    assert piece_refusals(plastic) == ()


def test_a_piece_is_refused_above_its_pressure_rating_and_not_at_it() -> None:
    _, plastic = brass_and_plastic()

    assert piece_refusals(plastic, pressure_pa=plastic.pressure_rating_pa) == ()
    assert piece_refusals(plastic, pressure_pa=1.01 * plastic.pressure_rating_pa) == (
        "its pressure rating is too low for the duty",
    )


def test_forms_of_threads_have_the_thread_size_system() -> None:
    assert all(end(form, "1 in").system is SizeSystem.THREAD for form in THREADS)
