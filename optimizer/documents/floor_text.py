"""What may go wrong, how pumps may be set and which joints are weak → tables and sentences for every document."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from optimizer.documents.tables import Block, Heading, Lines, table
from optimizer.documents.words import pump_setting
from optimizer.model.dial import RPM
from optimizer.model.note import Note
from optimizer.model.safety import LeakPlace, PumpRange, Scenario, Verdict
from optimizer.units import show_head, show_volume
from optimizer.wording.notes import note_words, notes_words

if TYPE_CHECKING:
    from optimizer.model.network import Pump
    from optimizer.model.outcome import PlanReport

MISHAP_TITLES = ("if", "water", "on the floor", "where it goes", "")
LEAK_TITLES = ("where", "joint", "lets out", "head there")
TWO_FAILURES = "if both fail"  # what takes a second failure to be unsafe
SHOWN = 5  # joints
PROBES = 2


def range_words(pump: Pump, told: PumpRange | None) -> str:
    """Return `never above 78 %, never below 55 %`; where the dial ends before that, nothing of that end."""
    if told is None:
        return ""
    if told.low is None or told.high is None:
        return f"no speed setting: {_why(told.why_high)}"
    ends = []
    if told.why_high:
        ends.append(f"never above {_dial(pump, told.high, math.floor)} ({_why(told.why_high)})")
    if told.why_low:
        ends.append(f"never below {_dial(pump, told.low, math.ceil)} ({_why(told.why_low)})")
    return ", ".join(ends) or "any speed setting"


def _why(told: Note | None) -> str:
    return "" if told is None else note_words(told, "")


def short_range(pump: Pump, told: PumpRange | None) -> str:
    """Return `55 % to 78 %`, the settings at which nothing goes wrong."""
    if told is None or told.low is None or told.high is None:
        return "" if told is None else "none"
    return f"{_dial(pump, told.low, math.ceil)} to {_dial(pump, told.high, math.floor)}"


def _dial(pump: Pump, speed: float, inward: Callable[[float], int]) -> str:
    """Return a setting in whole percent of the dial, rounded to the safe side."""
    shown = 100.0 * (pump.dial or RPM).setting(speed)
    whole = inward(round(shown, 4))
    return f"{whole} %" if pump.dial is None else pump_setting(pump, pump.dial.speed(whole / 100.0))


def mishap_rows(mishaps: Sequence[Scenario], units: str) -> list[tuple[str, ...]]:
    """Return (what, how much water, how much of it on the floor, where, verdict) of what is not plainly safe."""
    shown = [one for one in mishaps if one.verdict in (Verdict.UNSAFE, Verdict.CLOSE)]
    return [
        (
            note_words(one.title, units),
            _volume(one.water_m3, units),
            _volume(one.spilled_m3, units),
            note_words(one.where, units),
            TWO_FAILURES if one.verdict is Verdict.CLOSE and one.spilled_m3 else str(one.verdict),
        )
        for one in shown
    ]


def mishap_notes(mishaps: Sequence[Scenario], units: str) -> list[str]:
    """Return what is safe, and what the file does not say, with the keys that would."""
    safe = [note_words(one.title, units) for one in mishaps if one.verdict is Verdict.SAFE]
    missing: dict[str, list[str]] = {}
    for one in mishaps:
        if one.verdict is Verdict.UNCHECKED:
            missing.setdefault(", ".join(notes_words(one.missing, units)), []).append(note_words(one.title, units))
    told = [f"Safe if {'; '.join(safe)}."] if safe else []
    return told + [
        f"Not checked if {'; '.join(titles)}: {f'state {keys}' if keys else 'see the safety checks'}."
        for keys, titles in missing.items()
    ]


def _volume(volume_m3: float | None, units: str) -> str:
    if volume_m3 is None:
        return "–"
    return show_volume(volume_m3, units) if volume_m3 > 0.0 else "none"


def leak_rows(leaks: Sequence[LeakPlace], units: str) -> list[tuple[str, ...]]:
    """Return (run, joint, how much it lets out, head there) of the worst joints."""
    return [
        (
            one.run,
            f"{one.method}: {one.words}{'' if one.old else ' (new)'}",
            _volume(one.water_m3, units),
            show_head(one.pressure_m, units),
        )
        for one in leaks[:SHOWN]
    ]


def probe_runs(leaks: Sequence[LeakPlace]) -> list[str]:
    """Return the runs below which leak probes belong, the worst first; none where no water is known."""
    worst = [place for place in leaks if place.water_m3 is not None][:SHOWN]
    return list(dict.fromkeys(place.run for place in worst))[:PROBES]


def probe_words(leaks: Sequence[LeakPlace]) -> str:
    """Return where a leak probe belongs: on the floor below the run with the worst joints; nothing without any."""
    runs = probe_runs(leaks)
    if not runs:
        return ""
    where = f"'{runs[0]}'" + (f", a second one below '{runs[1]}'" if len(runs) > 1 else "")
    return f"A leak probe belongs on the floor below {where}, at the lowest place that water runs to."


def is_told(report: PlanReport) -> bool:
    """Return whether the file says enough of tanks and drains for any of this to be worth its room."""
    return bool(report.system.tanks or report.system.drains) and bool(report.mishaps)


def floor_blocks(report: PlanReport) -> list[Block]:
    """Return what may go wrong and the weak joints for the terminal; nothing where the file describes no tanks."""
    if not is_told(report):
        return []
    units = report.system.units
    blocks: list[Block] = [Heading("If something fails")]
    if rows := mishap_rows(report.mishaps, units):
        blocks.append(table(MISHAP_TITLES, rows, right=(1, 2)))
    if notes := mishap_notes(report.mishaps, report.system.units):
        blocks.append(Lines(tuple(notes)))
    known = [one for one in report.leaks if one.water_m3 is not None]
    if known:
        blocks.append(Heading("Where water would come out first"))
        blocks.append(table(LEAK_TITLES, leak_rows(known, units), right=(2, 3)))
        blocks.append(f"{probe_words(known)} {LEAK_BASIS}")
    return blocks


LEAK_BASIS = (
    "By what a joint lets out if it opens, times how likely that is: thread before union, barb, cement, old before new "
    "(common practice, no source). Of house water, an hour."
)


def floor_section(report: PlanReport) -> str:
    """Return the same for the page; nothing where the file describes no tanks."""
    from optimizer.documents.report_html import items, paragraph
    from optimizer.documents.report_html import table as page_table

    if not is_told(report):
        return ""
    units = report.system.units
    titles = tuple(title.capitalize() for title in MISHAP_TITLES[:-1])
    told = page_table("If something fails", (*titles, "Result"), mishap_rows(report.mishaps, units), (1, 2))
    told += items(mishap_notes(report.mishaps, report.system.units))
    known = [one for one in report.leaks if one.water_m3 is not None]
    if known:
        heads = tuple(title.capitalize() for title in LEAK_TITLES)
        told += page_table("Where water would come out first", heads, leak_rows(known, units), (2, 3))
        told += paragraph(f"{probe_words(known)} {LEAK_BASIS}", "aside")
    return told
