"""A settings card → text for the terminal, a page to print, a sheet of a workbook."""

from __future__ import annotations

import datetime
import io
from collections.abc import Iterator, Sequence
from pathlib import Path

from optimizer.documents.cautions import CAUTIONS
from optimizer.documents.floor_text import range_words
from optimizer.documents.tables import Block, Heading, Lines, table
from optimizer.documents.words import flow_span, flow_words, part_place, pump_setting
from optimizer.hydraulics.posterior import unknown_dials
from optimizer.model.network import Pump
from optimizer.model.note import Value
from optimizer.units import US, show_flow
from optimizer.verify.card import Mode, SettingsCard
from optimizer.verify.limits import MeterLimits
from optimizer.whole_file import free_target, put_whole
from optimizer.wording.amounts import percent
from optimizer.wording.notes import note_words, notes_words

OTHERS_TITLE = "At other settings: flow (clogged if under, disconnected if over)"
METER_TITLES = ("meter on", "should show", "first reading", "clogged if under", "disconnected if over")
PRINTED_TITLES = (
    "Meter on",
    "Should show",
    "First reading",
    "Your reading",
    "Clogged if under",
    "Disconnected if over",
)
_OF_A_CARD = ("Water and electricity", "Flood test", "Pump suction", "House water", "Last word")
_NO_DAY = datetime.datetime(2000, 1, 1)  # the same card gives the same file


def card_blocks(card: SettingsCard) -> list[Block]:
    """Return the card as headings, tables and sentences."""
    blocks: list[Block] = [Heading(title_of(card)), table(("run", "valve", "set to"), valve_rows(card))]
    blocks += [*dial_lines(card), *avoid_lines(card)]
    for mode in modes_of(card):
        blocks += [Heading(mode_words(mode)), *mode_notes(mode, card.system.units)]
        blocks.append(table(METER_TITLES, meter_rows(card, mode), right=(1, 2, 3, 4)))
        if mode.drains:
            blocks.append(table(("drain", "initial valve setting"), drain_rows(mode)))
    notes = list(note_lines(card))
    return [*blocks, Lines(tuple(notes)), Lines(tuple(f"{title}: {text}" for title, text in card_cautions()))]


def drain_rows(mode: Mode) -> list[tuple[str, str]]:
    """Return how the valve of each drain is set to begin with."""
    return [(drain, note_words(told, "")) for drain, told in mode.drains]


def drain_words(name: str) -> str:
    """Return a drain as it is called in a line: `main drain`, `drain 'left'`."""
    return name if "drain" in name.lower() else f"drain '{name}'"


def modes_of(card: SettingsCard) -> list[Mode]:
    """Return the ways to run it that have their meters on the card; speeds to be avoided are told in a line."""
    return [mode for mode in card.modes if not mode.is_to_avoid]


def avoid_lines(card: SettingsCard) -> Iterator[str]:
    """Yield the speeds of the dial that are to be avoided, and why: `Do not set pump return to 40 %, 45 %: ...`."""
    found: dict[Value, list[tuple[Mode, str]]] = {}
    for mode in card.modes:
        for told in mode.unsafe if mode.is_to_avoid else ():
            what = dict(told.values).get("what", told)
            found.setdefault(what, []).append((mode, note_words(told, card.system.units)))
    for group in found.values():
        pumps = [pump for mode, _ in group for pump in mode.network.pumps.values()]
        speeds = _speeds_words(pumps, [pump for mode in card.modes for pump in mode.network.pumps.values()])
        yield f"Do not set pump {pumps[0].name} to {speeds}: {group[-1][1]}."


def _speeds_words(pumps: Sequence[Pump], on_card: Sequence[Pump]) -> str:
    """Return `40 %, 45 %`, or `40 % to 70 %` where all speeds between the first and the last are among them."""
    own = sorted(pumps, key=lambda pump: pump.speed)
    between = {pump.speed for pump in on_card if own[0].speed <= pump.speed <= own[-1].speed}
    if len(own) > 2 and between == {pump.speed for pump in own}:
        return f"{pump_setting(own[0])} to {pump_setting(own[-1])}"
    return ", ".join(pump_setting(pump) for pump in pumps)


def dial_lines(card: SettingsCard) -> Iterator[str]:
    """Yield where the dial of each pump belongs, in which range it is safe by simulation, and as what it is taken."""
    yield from _where_dials_belong(card)
    for name in () if card.system.fitted_readings else unknown_dials([mode.network for mode in card.modes]):
        yield (
            f"What the percent of pump {name} mean is not stated (`dial`): here they are shares of full rpm. If they "
            "are shares of power, the same percent run it faster: turn it up in steps and watch meters and drains."
        )


def _where_dials_belong(card: SettingsCard) -> Iterator[str]:
    plain = [mode for mode in card.modes if mode.name in ("set", "")]
    if not plain:
        for mode in modes_of(card):
            yield mode_words(mode)
        return
    for pump in card.network.pumps.values():
        told = f"Pump {pump.name}: set the speed to {pump_setting(pump)}."
        safe = next((one for one in card.ranges if one.pump == pump.name), None)
        if safe is not None:
            told += f" Safe: {range_words(pump, safe)}."
        yield told


def title_of(card: SettingsCard) -> str:
    when = "after the work" if card.planned else "as it stands"
    return f"Settings, {when}: {card.system.name}"


def valve_rows(card: SettingsCard) -> list[tuple[str, ...]]:
    """Return (run, valve, set to) of every valve."""
    return [(run, part_place(card.network.runs[run].parts, index), words) for run, index, words in card.valves]


def mode_words(mode: Mode) -> str:
    """Return the name of a mode with the pump settings: `evening: pump return at 80 %`."""
    settings = {pump.name: pump_setting(pump) for pump in mode.network.pumps.values()}
    pumps = ", ".join(f"pump {name} {'off' if told == 'off' else f'at {told}'}" for name, told in settings.items())
    name = {"set": "As set", "": "At another speed"}.get(mode.name, mode.name)
    return f"{name}: {pumps}" if pumps else name


def other_title(mode: Mode) -> str:
    """Return how a mode is headed among others: by its name, another speed of the dial by the speed alone."""
    return mode_words(mode) if mode.name else mode_words(mode).split(": ", 1)[-1].capitalize()


def meter_rows(card: SettingsCard, mode: Mode) -> list[tuple[str, ...]]:
    """Return (run, should show, first reading, low, high) of every meter; a dash where no limit can tell."""
    units = card.system.units
    return [
        (
            meter.run,
            flow_words(meter.flow_m3_s, units),
            flow_span(*meter.band_m3_s, units),
            _limit(meter.low_m3_s, meter, units, meter.low_is_need),
            _limit(meter.high_m3_s, meter, units),
        )
        for meter in mode.meters
    ]


def other_rows(card: SettingsCard, modes: Sequence[Mode]) -> Iterator[tuple[str, ...]]:
    """Yield (run, then for each of some modes its flow with both limits) of every meter."""
    tables = [{row[0]: row for row in meter_rows(card, mode)} for mode in modes]
    for run in dict.fromkeys(run for found in tables for run in found):
        yield (run, *(_short(found.get(run)) for found in tables))


def _short(row: Sequence[str] | None) -> str:
    if row is None:
        return "–"
    _, flow, _, low, high = (text.split(" (")[0] for text in row)
    limits = [f"under {low}"] * (low != "–") + [f"over {high}"] * (high != "–")
    return f"{flow} ({', '.join(limits)})" if limits else flow


def printed_rows(card: SettingsCard, mode: Mode) -> list[tuple[str, ...]]:
    """Return the rows of the meters with room to write one's own reading in."""
    return [(*row[:3], "", *row[3:]) for row in meter_rows(card, mode)]


def _limit(flow_m3_s: float | None, meter: MeterLimits, units: str, needed: bool = False) -> str:
    """Return a limit as a flow and as a share of one's own reading, or that it is needed whatever that reads."""
    if flow_m3_s is None:
        return "–"
    beside = "needed" if needed else percent(flow_m3_s / meter.flow_m3_s)
    return f"{show_flow(flow_m3_s, units)} ({beside})"


def mode_notes(mode: Mode, units: str) -> tuple[str, ...]:
    """Return what is to be said of a mode before its meters: why there are none, or what speaks against it."""
    why = [note_words(mode.note, units)] if mode.note else []
    return (*why, *(f"Do not run it so: {text}." for text in notes_words(mode.unsafe, units)))


def note_lines(card: SettingsCard) -> Iterator[str]:
    """Yield how the card is to be read, what its limits cannot tell, and when filters are due."""
    yield from reading_lines(card)
    yield from meter_notes(card)


def meter_notes(card: SettingsCard) -> Iterator[str]:
    """Yield what the limits cannot tell, and when filters are due."""
    for mode in card.modes[:1]:
        yield from _first_readings(mode)
        yield from _needs(mode)
        yield from _unseen(mode)
        for meter in mode.meters:
            yield from _notes_of(meter, card.system.units)


def reading_lines(card: SettingsCard) -> Iterator[str]:
    """Yield how the card is to be read."""
    scatter = percent(card.scatter)
    needs = any(meter.low_is_need for mode in modes_of(card) for meter in mode.meters)
    needed = "; a limit marked 'needed' is the minimum flow and stays as it is" if needs else ""
    yield (
        "After the work and after each cleaning: set pump and valves, then read every meter near the start of its run. "
        "A first reading lies in its range in 8 of 10 cases; far outside it, something is built or set differently."
    )
    yield (
        "Then trim each valve until its meter shows the flow above, and write down what each meter shows. From then "
        f"on its readings repeat within {scatter}: apply the percentages to your own reading{needed}."
    )
    yield (
        f"Clogged: a clog that leaves {percent(1 - card.clog)} of the cross-section open, or less than the minimum "
        "flow, reads under that limit. Disconnected: a hose or pipe that has come apart reads over it."
    )


def _first_readings(mode: Mode) -> Iterator[str]:
    """Yield which meters' bands reach over a limit: of those the first reading says nothing yet."""
    names = [meter.run for meter in mode.meters if not meter.first_tells and meter.flow_m3_s > 0.0]
    if names:
        yield (
            f"The first reading alone will not show a clog or a break: {', '.join(names)}. Look along these runs "
            "before you take it as normal."
        )


def _unseen(mode: Mode) -> Iterator[str]:
    """Yield which meters cannot see a break at which of the last joints of their runs."""
    told = [
        f"{meter.run} ({len(meter.unseen)} of {len(meter.breaks)} joints)"
        for meter in mode.meters
        if meter.unseen and len(meter.unseen) < len(meter.breaks)
    ]
    if told:
        yield f"A meter cannot see a break near the end of its run. Look for water there: {', '.join(told)}."


def _needs(mode: Mode) -> Iterator[str]:
    """Yield which runs carry hardly more than they need: a normal day may read less."""
    names = [meter.run for meter in mode.meters if meter.need_in_scatter and not meter.low_is_need]
    if names:
        yield (
            f"The minimum flow lies within the normal scatter of the readings: {', '.join(names)}. Below target does "
            "not mean clogged; where it matters, raise the target."
        )


def _notes_of(meter: MeterLimits, units: str) -> Iterator[str]:
    if meter.filter_line and meter.low_m3_s is not None:
        due = show_flow(meter.low_m3_s, units)
        share = percent(meter.low_m3_s / meter.flow_m3_s)
        yield f"{meter.run}: the filter is due when less than {due} flows, {share} of what a new one lets through."
    for text in notes_words(meter.notes, units):
        yield f"{meter.run}: {text}."


def card_cautions() -> list[tuple[str, str]]:
    """Return (title, text) of the cautions that belong beside settings."""
    return [(remark.title, remark.text) for remark in CAUTIONS if remark.title in _OF_A_CARD]


def card_page(card: SettingsCard, paper: str | None = None) -> str:
    """Return the card as one page that prints and asks for nothing from outside; `paper` is "A4" or "letter"."""
    from optimizer.documents.report_html import heading, items, page, paragraph, section

    told = "".join(map(paragraph, (*dial_lines(card), *avoid_lines(card))))
    valves = _page_table("Set valves to", ("Run", "Valve", "Set to"), valve_rows(card))
    body = section("valves", "Pump and valves", told + valves)
    body += section("meters", "What every meter should show", meter_tables(card))
    body += section("reading", "How to read it", items(note_lines(card)))
    told = "".join(heading(title) + paragraph(text) for title, text in card_cautions())
    body += section("cautions", "Cautions", told)
    links = [
        ("valves", "Pump and valves"),
        ("meters", "Meters"),
        ("reading", "How to read it"),
        ("cautions", "Cautions"),
    ]
    return page(title_of(card), "", links, body, paper or ("letter" if card.system.units == US else "A4"))


def meter_tables(card: SettingsCard) -> str:
    """Return, for a page, what every meter should show at each speed."""
    from optimizer.documents.report_html import heading, paragraph

    told, modes = "", modes_of(card)
    for mode in modes[:1]:
        notes = "".join(map(paragraph, mode_notes(mode, card.system.units)))
        told += heading(mode_words(mode)) + notes if notes else ""  # the table's own title does elsewhere
        told += _page_table(mode_words(mode), PRINTED_TITLES, printed_rows(card, mode), (1, 2, 3, 4, 5))
    others = modes[1:]
    for mode in others:
        told += "".join(paragraph(f"{other_title(mode)}: {text}") for text in mode_notes(mode, card.system.units))
    titles = ("Meter on", *(other_title(mode) for mode in others))
    told += _page_table(OTHERS_TITLE, titles, list(other_rows(card, others)))
    drains = [(drain, other_title(mode), words) for mode in modes for drain, words in drain_rows(mode)]
    return told + _page_table("Drains", ("Drain", "While", "Initial valve setting"), drains)


def _page_table(caption: str, titles: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> str:
    from optimizer.documents.report_html import table as page_table

    return page_table(caption, titles, rows, right)


def card_workbook(card: SettingsCard, paper: str | None = None) -> bytes:
    """Return a workbook of the card and its notes; the same card gives the same bytes."""
    import xlsxwriter

    from optimizer.documents.card_sheet import card_sheet, notes_sheet
    from optimizer.documents.sheet_kit import A4, LETTER, TYPE, Book

    memory = io.BytesIO()
    size = {"letter": LETTER, "A4": A4}[paper or ("letter" if card.system.units == US else "A4")]
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(memory, {**options, "default_format_properties": dict(TYPE)}) as workbook:
        workbook.set_properties({"title": title_of(card), "created": _NO_DAY})
        book = Book(workbook, card.system.units, card.system.currency, size, card.system.name)
        card_sheet(book, card)
        notes_sheet(book, card)
        book.finish()
    return memory.getvalue()


def write_card(path: Path, card: SettingsCard, overwrite: bool = False) -> None:
    """Write the card as a page (.html) or a workbook (.xlsx), whole or not at all.

    Raises
    ------
    DocumentError
        When the name ends otherwise, the file is there and `overwrite` is off, or it cannot be written.
    """
    ending = ".xlsx" if path.suffix.lower() == ".xlsx" else ".html"
    target = free_target(path, overwrite, ending)
    put_whole(target, card_workbook(card) if ending == ".xlsx" else card_page(card).encode())
