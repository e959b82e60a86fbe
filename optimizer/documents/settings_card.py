"""A settings card → text for the terminal, a page to print, a sheet of a workbook."""

from __future__ import annotations

import datetime
import io
from collections.abc import Iterator, Sequence
from pathlib import Path

from optimizer.documents.cautions import CAUTIONS
from optimizer.documents.sheet_kit import A4, LETTER, TYPE, Book, Cell
from optimizer.documents.tables import Block, Heading, Lines, table
from optimizer.documents.whole_file import free_target, put_whole
from optimizer.documents.words import flow_span, flow_words, part_place, percent, pump_setting
from optimizer.units import US, show_flow
from optimizer.verify.card import Mode, SettingsCard
from optimizer.verify.limits import MeterLimits

CARD_SHEET = "Settings"
METER_TITLES = ("meter in", "should show", "normal", "too low below", "too high above")
_OF_A_CARD = ("Water and electricity", "Flood test", "Pump suction", "House water", "Last word")
_NO_DAY = datetime.datetime(2000, 1, 1)  # the same card gives the same file


def card_blocks(card: SettingsCard) -> list[Block]:
    """Return the card as headings, tables and sentences."""
    blocks: list[Block] = [Heading(title_of(card)), table(("run", "valve", "set to"), valve_rows(card))]
    for mode in card.modes:
        blocks += [Heading(mode_words(mode)), *([mode.note] if mode.note else [])]
        blocks.append(table(METER_TITLES, meter_rows(card, mode), right=(1, 2, 3, 4)))
        if mode.drains:
            blocks.append(table(("drain", "its valve, to begin with"), mode.drains))
    notes = list(note_lines(card))
    return [*blocks, Lines(tuple(notes)), Lines(tuple(f"{title}: {text}" for title, text in card_cautions()))]


def title_of(card: SettingsCard) -> str:
    when = "after the work" if card.planned else "as it stands"
    return f"Settings, {when}: {card.system.name}"


def valve_rows(card: SettingsCard) -> list[tuple[str, ...]]:
    """Return (run, valve, set to) of every valve."""
    return [(run, part_place(card.network.runs[run].parts, index), words) for run, index, words in card.valves]


def mode_words(mode: Mode) -> str:
    """Return the name of a mode with the pump settings: `evening: pump return at 80 %`."""
    pumps = ", ".join(f"pump {pump.name} at {pump_setting(pump)}" for pump in mode.network.pumps.values())
    name = {"set": "As set", "": "At another speed"}.get(mode.name, mode.name)
    return f"{name}: {pumps}" if pumps else name


def meter_rows(card: SettingsCard, mode: Mode) -> list[tuple[str, ...]]:
    """Return (run, should show, normal, low, high) of every meter; a dash where no limit can tell."""
    units = card.system.units
    return [
        (
            meter.run,
            flow_words(meter.flow_m3_s, units),
            flow_span(*meter.normal_m3_s, units) if meter.flow_m3_s > 0.0 else "–",
            _limit(meter.low_m3_s, units),
            _limit(meter.high_m3_s, units),
        )
        for meter in mode.meters
    ]


def _limit(flow_m3_s: float | None, units: str) -> str:
    return "–" if flow_m3_s is None else show_flow(flow_m3_s, units)


def note_lines(card: SettingsCard) -> Iterator[str]:
    """Yield how the card is to be read, what its limits can not tell, and when filters are due."""
    yield (
        f"After cleaning: set pump and valves, then trim each valve until its meter, near the start of its run, shows "
        f"the flow above. Normal is {percent(card.scatter)} either way of that."
    )
    yield (
        f"Too low: a clog that leaves {percent(1 - card.clog)} of the section open, or less than is needed, reads "
        "below that limit. Too high: a hose off or a pipe apart reads above it."
    )
    for mode in card.modes[:1]:
        for meter in mode.meters:
            yield from _notes_of(meter, card.system.units)


def _notes_of(meter: MeterLimits, units: str) -> Iterator[str]:
    if meter.filter_line and meter.low_m3_s is not None:
        yield f"{meter.run}: the filter is due when less than {show_flow(meter.low_m3_s, units)} flows."
    for note in meter.notes:
        yield f"{meter.run}: {note}."


def card_cautions() -> list[tuple[str, str]]:
    """Return (title, text) of the cautions that belong beside settings."""
    return [(remark.title, remark.text) for remark in CAUTIONS if remark.title in _OF_A_CARD]


def card_page(card: SettingsCard, paper: str | None = None) -> str:
    """Return the card as one page that prints and asks for nothing from outside; `paper` is "A4" or "letter"."""
    from optimizer.documents.report_html import heading, items, page, paragraph, section

    body = section("valves", "Valves", _page_table("Set valves to", ("Run", "Valve", "Set to"), valve_rows(card)))
    body += section("meters", "What every meter should show", meter_tables(card))
    body += section("reading", "How to read it", items(note_lines(card)))
    told = "".join(heading(title) + paragraph(text) for title, text in card_cautions())
    body += section("cautions", "Cautions", told)
    links = [("valves", "Valves"), ("meters", "Meters"), ("reading", "How to read it"), ("cautions", "Cautions")]
    return page(title_of(card), "", links, body, paper or ("letter" if card.system.units == US else "A4"))


def meter_tables(card: SettingsCard) -> str:
    """Return, for a page, what every meter should show at each speed."""
    from optimizer.documents.report_html import heading, paragraph

    told = ""
    for mode in card.modes:
        titles = tuple(title.capitalize() for title in METER_TITLES)
        told += heading(mode_words(mode)) + (paragraph(mode.note) if mode.note else "")
        told += _page_table(mode_words(mode), titles, meter_rows(card, mode), (1, 2, 3, 4))
        told += _page_table("Drains", ("Drain", "Its valve, to begin with"), mode.drains)
    return told


def _page_table(caption: str, titles: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> str:
    from optimizer.documents.report_html import table as page_table

    return page_table(caption, titles, rows, right)


def card_sheet(book: Book, card: SettingsCard) -> None:
    """Write the card as a sheet of a workbook."""
    sheet = book.sheet(CARD_SHEET, (26.0, 20.0, 24.0, 15.0, 15.0), landscape=False)
    sheet.paragraph(title_of(card), "title")
    sheet.skip()
    sheet.column_titles(("Run", "Valve", "Set to"), spans=(1, 1, 3))
    for run, valve, words in valve_rows(card):
        sheet.write([Cell(run), Cell(valve), Cell(words, span=3)])
    for mode in card.modes:
        sheet.heading(mode_words(mode))
        if mode.note:
            sheet.paragraph(mode.note)
        titles = tuple(title.capitalize() for title in METER_TITLES)
        sheet.column_titles(titles, numbers=titles[1:])
        for row in meter_rows(card, mode):
            sheet.write([Cell(row[0]), *(Cell(text, "text right") for text in row[1:])])
        for drain, words in mode.drains:
            sheet.write([Cell(drain), Cell(f"its valve, to begin with: {words}", span=4)])
    sheet.skip()
    for line in note_lines(card):
        sheet.paragraph(line)
    sheet.heading("Cautions")
    for title, text in card_cautions():
        sheet.paragraph(f"{title}: {text}")


def card_workbook(card: SettingsCard, paper: str | None = None) -> bytes:
    """Return a workbook of the one sheet; the same card gives the same bytes."""
    import xlsxwriter

    memory = io.BytesIO()
    size = {"letter": LETTER, "A4": A4}[paper or ("letter" if card.system.units == US else "A4")]
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(memory, {**options, "default_format_properties": dict(TYPE)}) as workbook:
        workbook.set_properties({"title": title_of(card), "created": _NO_DAY})
        book = Book(workbook, card.system.units, card.system.currency, size, card.system.name)
        card_sheet(book, card)
        book.finish()
    return memory.getvalue()


def write_card(path: Path, card: SettingsCard, overwrite: bool = False) -> None:
    """Write the card as a page (.html) or a workbook (.xlsx), whole or not at all.

    Raises
    ------
    DocumentError
        When the name ends otherwise, the file is there and `overwrite` is off, or it can not be written.
    """
    ending = ".xlsx" if path.suffix.lower() == ".xlsx" else ".html"
    target = free_target(path, overwrite, ending)
    put_whole(target, card_workbook(card) if ending == ".xlsx" else card_page(card).encode())
