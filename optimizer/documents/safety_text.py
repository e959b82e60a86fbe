"""What was checked so that the floor stays dry → sentences and tables for the terminal, the workbook and the page."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from optimizer.documents.cautions import CODES
from optimizer.documents.floor_text import TWO_FAILURES, floor_section
from optimizer.documents.tables import Block, Heading, Lines, table
from optimizer.model.note import Note
from optimizer.model.safety import GRAVITY
from optimizer.units import show_flow, show_length, show_pressure, show_velocity, show_volume
from optimizer.wording.amounts import percent
from optimizer.wording.notes import note_words, notes_words

if TYPE_CHECKING:
    from optimizer.model.outcome import PlanReport
    from optimizer.model.safety import SafetyCheck, SafetyReport

OF_MODES = "Of several modes the one that comes out worst."
TITLES = ("check", "now", "after", "limit", "to spare", "")
TO_SPARE = "To spare: at the upper end of what the flow may be. Close: safe as calculated, and not there."


def today_blocks(safety: SafetyReport | None, units: str) -> list[Block]:
    """Return what is unsafe as it stands, to be printed before anything else; nothing where nothing is known to be."""
    if safety is None or not safety.today:
        return []
    lines = (*notes_words(safety.today, units), CODES)
    return [Heading("Unsafe today, whatever is planned"), Lines(lines)]


def safety_blocks(safety: SafetyReport | None, units: str) -> list[Block]:
    """Return what was checked, and what could not be for want of a number in the file."""
    if safety is None or not safety.checks:
        return []
    blocks: list[Block] = [
        Heading("Safety checks"),
        table(TITLES, safety_rows(safety.checks, units), right=(1, 2, 3, 4)),
    ]
    if any(check.high is not None for check in safety.checks):
        blocks.append(TO_SPARE)
    if safety.unchecked:
        blocks.append(Lines(notes_words(safety.unchecked, units)))
    return blocks


def worst_of_modes(checks: Sequence[SafetyCheck]) -> list[SafetyCheck]:
    """Return each check once: of several modes the one that came out worst, then the one with least to spare."""
    found: dict[Note, SafetyCheck] = {}
    for check in checks:
        what = dict(check.title.values).get("what") if check.title.code == "check of a mode" else None
        key = what if isinstance(what, Note) else check.title
        known = found.get(key)
        if known is None or _gravity(check) > _gravity(known):
            found[key] = check
    return list(found.values())


def _gravity(check: SafetyCheck) -> tuple[int, float]:
    return GRAVITY.index(check.verdict), -math.inf if check.spare is None else -check.spare


def safety_rows(checks: Iterable[SafetyCheck], units: str) -> list[tuple[str, ...]]:
    """Return (what, now, after, the most, to spare, verdict) of each check, a dash where a number is not known."""
    return [
        (
            title_of(check),
            *told_numbers(check, units),
            shown(check, check.limit, units),
            _spare(check),
            result_words(check),
        )
        for check in checks
    ]


def result_words(check: SafetyCheck) -> str:
    """Return how a check came out: `safe`, `close`, or that it takes two failures at once to be unsafe."""
    return TWO_FAILURES if check.needs_two else str(check.verdict) if check.why else ""


def title_of(check: SafetyCheck) -> str:
    """Return what is compared with its limit."""
    return note_words(check.title, "")


def told_numbers(check: SafetyCheck, units: str) -> tuple[str, str]:
    """Return the numbers of today and of after in trade units: `at least 1,000 L/h` where just that is known."""
    return _told(check, check.now, check.least_now, units), _told(check, check.after, check.least_after, units)


def _told(check: SafetyCheck, value: float | None, least: bool, units: str) -> str:
    number = shown(check, value, units)
    return f"at least {number}" if least and value is not None else number


def shown(check: SafetyCheck, value: float | None, units: str) -> str:
    """Return one of the numbers of a check in trade units; a dash where it is not known."""
    if value is None:
        return "–"
    return _SHOW[check.quantity](value, units) if check.quantity in _SHOW else f"{value:.0f}"


_SHOW = {
    "flow": show_flow,
    "volume": show_volume,
    "height": show_length,
    "pressure": show_pressure,
    "speed": show_velocity,
}


def _spare(check: SafetyCheck) -> str:
    if check.spare is None:
        return "–" if check.why else ""
    if math.isinf(check.spare):
        return "not known"
    return percent(check.spare) if check.spare >= 0.005 else "none"


def safety_section(report: PlanReport) -> str:
    """Return the inside of the page's part about safety, or nothing when nothing was checked."""
    from optimizer.documents.report_html import items, paragraph
    from optimizer.documents.report_html import table as page_table

    safety = report.verification.safety
    if safety is None or not safety.checks:
        return ""
    units = report.system.units
    unsafe, unchecked = notes_words(safety.today, units), notes_words(safety.unchecked, units)
    today = paragraph("Unsafe today, whatever is planned:") + items(unsafe) if unsafe else ""
    rows = safety_rows(safety.checks, units)
    titles = ("Check", "Now", "After", "Limit", "To spare", "Result")
    told = page_table("What was checked", titles, rows, (1, 2, 3, 4)) + paragraph(TO_SPARE, "aside")
    return today + told + items(unchecked) + floor_section(report) + paragraph(CODES, "aside")
