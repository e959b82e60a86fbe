"""What a report has to note, in one order."""

from __future__ import annotations

from optimizer.documents.money_notes import money_notes
from optimizer.model.note import Note
from optimizer.model.outcome import PlanReport
from optimizer.wording.notes import notes_words


def all_notes(report: PlanReport) -> tuple[str, ...]:
    """Return what is to be noted of a plan, each once: what its search says, its check, and its take-off."""
    return notes_words((*report.plan.notes, *warning_notes(report)), report.system.units)


def warning_notes(report: PlanReport) -> tuple[Note, ...]:
    """Return what is to be noted of a plan besides what its search says: its check, its take-off, rates and tax."""
    money = money_notes(report.system.money, report.bill.total_cents)
    return tuple(dict.fromkeys((*report.verification.warnings, *report.notes, *money)))
