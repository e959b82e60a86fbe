"""Joints that PVC cement does not hold are told with the cement that does."""

from dataclasses import replace

from optimizer.joints.chains import new_part
from optimizer.model.plan import Plan, RunPlan, Status
from optimizer.read.catalogs import load_catalog
from optimizer.takeoff.consumables import other_cements
from optimizer.wording.notes import note_words


def plan_of(*materials: str) -> Plan:
    catalog = load_catalog()
    pipe, elbow = catalog.items["sch40-pipe-100"], catalog.items["sch40-elbow-100"]
    items = [replace(item, material=of) for item, of in zip((pipe, elbow, pipe), materials, strict=True)]
    parts = tuple(new_part(item, length_m=0.2) for item in items)
    run = RunPlan("drain", parts, (), (), (), ())
    return Plan(Status.OPTIMAL, 0, 0, "USD", {"drain": run}, {}, {})


def test_abs_with_abs_and_with_pvc_take_cements_of_their_own() -> None:
    # ASTM D2235 for ABS, ASTM D3138 for ABS to PVC (from memory)
    assert other_cements(plan_of("PVC", "PVC", "PVC")) == ()
    told = [note_words(note, "US") for note in other_cements(plan_of("ABS", "ABS", "PVC"))]

    assert len(told) == 2
    assert "1 of its new joints take ABS cement" in told[0]
    assert "transition cement" in told[1]
    assert "ASTM D3138" in told[1]


def test_each_cement_is_sold_in_ounces_and_milliliters() -> None:
    # 1 US fluid ounce is 29.5735 mL
    cans = [item for item in load_catalog().items.values() if "cement" in item.family or item.family == "primer"]
    assert {item.family for item in cans} == {"cement", "primer", "ABS cement", "transition cement"}
    for item in cans:
        ounces = int(item.description.split(", ")[-1].split(" fl oz")[0])
        assert f"({round(29.5735 * ounces)} mL)" in item.description
