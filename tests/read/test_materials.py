"""Materials are a closed list: no spelling carries a metal past the rule that keeps it out of salt water."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from optimizer import pipeline
from optimizer.errors import InputError
from optimizer.joints.mating import material_refusal
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.materials import MATERIALS, WORDS, is_metal, material_named, stands_salt_water
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory

CATALOGS = data_directory("catalogs")
METALS = ("brass", "bronze", "copper", "steel", "galvanised steel", "iron", "zinc", "aluminum", "lead")


def copied(folder: Path, name: str, material: str, new: str, price: str = "0.10") -> Path:
    """Return an owner's copy of all rows of one material in a shipped catalog, renamed, cheap, with another word."""
    with (CATALOGS / name).open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        rows = [row for row in reader if row["material"] == material]
    path = folder / f"own-{name}"
    with path.open("w", encoding="utf-8", newline="") as copy:
        writer = csv.DictWriter(copy, reader.fieldnames or [])
        writer.writeheader()
        for row in rows:
            writer.writerow(row | {"item_id": f"own-{row['item_id']}", "material": new, "price": price})
    return path


@pytest.mark.parametrize("word", ["Brass", "BRASS", "brass ", "yellow brass", "red-brass", "DZR  Brass"])
def test_a_metal_is_kept_out_of_salt_water_however_it_is_written(word: str, tmp_path: Path) -> None:
    catalog = load_catalog([copied(tmp_path, "adapters.csv", "brass", word)])

    own = [item for key, item in catalog.items.items() if key.startswith("own-")]
    assert own
    assert not any(item.reef_safe for item in own)


@pytest.mark.parametrize("word", ["Messing", "brazz", "brass/PVC", "brаss", "plastic-coated brass", "unobtainium"])
def test_a_material_that_nobody_has_judged_is_an_error(word: str, tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        load_catalog([copied(tmp_path, "adapters.csv", "brass", word)])

    first = caught.value.faults[0]
    assert first.place == "own-adapters.csv, row 2, column material"
    assert first.found == repr(word)
    assert first.allowed.startswith("a material on the list: PVC, PVC-U, ")


def test_an_error_names_the_nearest_material(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="did you mean polypropylene"):
        load_catalog([copied(tmp_path, "adapters.csv", "brass", "polypropilene")])


@pytest.mark.long
def test_cheap_metal_rows_of_the_owners_change_no_plan_for_a_reef(tmp_path: Path) -> None:
    """Ten cents each, they would be the first to be taken if the rule let them."""
    path = data_directory("examples") / "single-return.yaml"
    own = copied(tmp_path, "adapters.csv", "brass", "Brass")
    pipe = copied(tmp_path, "pipes.csv", "PVC", "Copper")
    fittings = copied(tmp_path, "fittings.csv", "PVC", "Galvanized Steel")

    plain, mixed = (pipeline.read(path, given) for given in ((), (own, pipe, fittings)))
    before, after = (pipeline.search(*given) for given in (plain, mixed))

    assert before.found
    assert after.material_cents == before.material_cents
    bill = pipeline.report(mixed[0], after, mixed[1]).bill
    assert all(stands_salt_water(line.material) for line in bill.lines)


def test_the_metals_of_the_trade_are_on_the_list_and_unsafe() -> None:
    assert not any(stands_salt_water(name) for name in METALS)
    assert all(is_metal(name) for name in METALS)
    assert {name for name, one in MATERIALS.items() if not one.salt} == set(METALS)


def test_a_name_that_is_not_on_the_list_is_unsafe() -> None:
    assert not stands_salt_water("Brass")
    assert not stands_salt_water("")


def test_every_word_means_one_material() -> None:
    assert all(material_named(word) in MATERIALS for word in WORDS)
    assert material_named("pp") == "polypropylene"
    assert material_named("Galvanized-Steel") == "galvanised steel"
    assert material_named("") is None


@pytest.mark.parametrize("metal", ["iron", "brass", "stainless steel"])
def test_a_taper_male_of_any_metal_is_kept_out_of_plastic(metal: str) -> None:
    male, female = (End(form, "3/4 in", SizeSystem.THREAD) for form in (Form.NPT_MALE, Form.NPT_FEMALE))

    assert material_refusal(male, metal, female, "PVC")
    assert not material_refusal(male, "PVC", female, metal)
