"""Notes of the work: every code that is handed on has its sentence, and its lengths are in the owner's units."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

import optimizer
from optimizer.documents.note_words import _SAYS, all_notes, note_json, note_words
from optimizer.documents.payload import plan_json
from optimizer.model.money import Money
from optimizer.model.note import Note
from optimizer.model.outcome import PlanReport

PACKAGE = Path(optimizer.__file__).parent
HANDED_ON = re.compile(r'\bNote\("([^"]+)"(?: if \w+ else "([^"]+)")?')


def codes() -> set[str]:
    """Return every code that a source file writes into a note."""
    found: set[str] = set()
    for path in PACKAGE.rglob("*.py"):
        for match in HANDED_ON.finditer(path.read_text(encoding="utf-8")):
            found |= {one for one in match.groups() if one}
    return found | {"handle moves much", "turns move much"}  # chosen by the kind of valve


def test_every_code_has_a_sentence_and_every_sentence_a_code() -> None:
    assert codes() == set(_SAYS)


@pytest.mark.parametrize("code", sorted(_SAYS))
def test_a_sentence_names_its_run_and_its_values(code: str) -> None:
    note = Note(code, "riser", ("elbow A", "elbow B"), length_m=0.041, share=0.62)
    told = note_words(note, "metric")

    assert told.startswith("run riser")
    assert " in)" not in told
    assert note_json(note, "metric")["text"] == told
    assert note_json(note, "metric")["code"] == code


def test_what_is_left_over_is_told_in_the_owners_units() -> None:
    note = Note("left over", "riser", ("elbow A", "elbow B"), length_m=-0.041)

    assert "41 mm shorter" in note_words(note, "metric")
    assert "41 mm (1-5/8 in) shorter" in note_words(note, "US")


def test_rates_and_tax_are_noted_once_for_every_document(report: PlanReport) -> None:
    taxed = replace(report, system=replace(report.system, money=Money("USD", tax=0.19, tax_included=True)))
    told = all_notes(taxed)

    assert sum("of the total" in one and "USD are tax" in one for one in told) == 1
    assert plan_json(taxed)["warnings"][-1] == told[-1]
