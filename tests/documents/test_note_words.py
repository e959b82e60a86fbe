"""Notes of a whole report: in the owner's units, each told once, and as codes in the data."""

from __future__ import annotations

from dataclasses import replace

from optimizer.documents.note_words import all_notes
from optimizer.documents.payload import plan_json
from optimizer.model.money import Money
from optimizer.model.note import note, runs_together
from optimizer.model.outcome import PlanReport
from optimizer.wording.notes import note_words


def test_what_is_left_over_is_told_in_the_owners_units() -> None:
    left = note("left over", run="riser", first="elbow A", last="elbow B", length_m=-0.041)

    assert "41 mm shorter" in note_words(left, "metric")
    assert "41 mm (1-5/8 in) shorter" in note_words(left, "US")


def test_a_long_list_of_what_is_left_open_is_cut_short() -> None:
    pumps = tuple(f"pump {n}" for n in range(1, 8))

    assert note_words(note("not ruled out with", pumps=pumps), "US").endswith("pump 3; pump 4; and 3 more")
    assert note_words(note("not ruled out with", pumps=pumps[:5]), "US").endswith("pump 4; pump 5")


def test_what_is_said_of_several_runs_is_said_once_for_all_of_them() -> None:
    lossy = [note("ways of more loss", runs=runs) for runs in (("left", "right"), ("right",), ("riser",))]
    other = note("ways of less water")

    assert runs_together([lossy[0], other, *lossy[1:], other]) == (
        note("ways of more loss", runs=("left", "right", "riser")),
        other,
    )


def test_rates_and_tax_are_noted_once_for_every_document(report: PlanReport) -> None:
    taxed = replace(report, system=replace(report.system, money=Money("USD", tax=0.19, tax_included=True)))
    told = all_notes(taxed)
    last = plan_json(taxed)["warnings"][-1]

    assert sum("of the total $" in one and "are tax" in one for one in told) == 1
    assert (last["text"], last["code"]) == (told[-1], "tax in the prices")
