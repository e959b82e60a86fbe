"""The settings card as a page to laminate: valves with their handles, safe range of the pump, meters, emergencies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from optimizer.documents.card_words import emergency_lines
from optimizer.documents.drawing.valve_handles import HEIGHT, WIDTH, handle_picture
from optimizer.documents.settings_card import (
    OTHERS_TITLE,
    PRINTED_TITLES,
    avoid_lines,
    card_cautions,
    dial_lines,
    drain_rows,
    drain_words,
    mode_notes,
    mode_words,
    modes_of,
    note_lines,
    other_rows,
    other_title,
    printed_rows,
    reading_lines,
    title_of,
    valve_rows,
)
from optimizer.documents.sheet_kit import Book, Cell, Place, Sheet
from optimizer.verify.card import Mode, SettingsCard

CARD_SHEET, NOTES_SHEET = "Card", "Notes"
_WIDTHS = (9.0, 16.0, 17.0, 9.0, 9.0, 7.0, 9.0, 16.0, 16.0)
_VALVE_SPANS = ((1, 1, 1), (1, 2, 3))  # handle, run, setting: the left valve of a row and the right one
_METER_SPANS = (2, 1, 2, 2, 1, 1)
_ROW_POINTS = 37.0  # for a handle
_OTHERS = 3  # modes side by side in the small table


def card_sheet(book: Book, card: SettingsCard) -> None:
    """Write the card as a sheet of a workbook, on one printed page."""
    sheet = book.sheet(CARD_SHEET, _WIDTHS, landscape=False, pages=1)
    sheet.paragraph(title_of(card), "title")
    for line in dial_lines(card):
        sheet.paragraph(line, "strong")
    for line in avoid_lines(card):
        sheet.paragraph(line, "strong")
    _valves(sheet, card)
    modes = modes_of(card)
    for mode in modes[:1]:
        _meters(sheet, card, mode)
    _others(sheet, card, modes[1:])
    for line in reading_lines(card):
        sheet.paragraph(line, "small")
    _emergency(sheet, card)


def _valves(sheet: Sheet, card: SettingsCard) -> None:
    """Write the valves two in a row, each with its handle as it is to stand."""
    rows = valve_rows(card)
    if not rows:
        return
    sheet.heading("Valves")
    for place in range(0, len(rows), 2):
        cells: list[Cell] = []
        for (run, valve, words), spans in zip(rows[place : place + 2], _VALVE_SPANS, strict=False):
            shown = (Cell(None), Cell(f"{run}\n{valve}"), Cell(words, "bold text"))
            cells += [replace(cell, span=span) for cell, span in zip(shown, spans, strict=True)]
        row = sheet.write(cells, _ROW_POINTS)
        for column, (run, index, words) in zip((0, 3), card.valves[place : place + 2], strict=False):
            part = card.network.runs[run].parts[index]
            told = f"{run}: {words}"
            svg = handle_picture(part.kind, part.opening).svg(told, told, f"valve-{row}-{column}", alone=True)
            down = (sheet.heights[row] * 96 / 72 - HEIGHT) / 2
            sheet.picture(svg, WIDTH, Place(row, column, WIDTH, 5.0, max(1.0, down)), told)


def _meters(sheet: Sheet, card: SettingsCard, mode: Mode) -> None:
    sheet.heading(f"What every meter should show. {mode_words(mode)}")
    for text in mode_notes(mode, card.system.units):
        sheet.paragraph(text)
    if mode.meters:
        sheet.column_titles(PRINTED_TITLES, _METER_SPANS, numbers=PRINTED_TITLES[1:])
        styles = ("bold text", "text right", "text right", "to fill in", "text right", "text right")
        for row in printed_rows(card, mode):
            cells = zip(row, styles, _METER_SPANS, strict=True)
            sheet.write([Cell(text or None, style, span) for text, style, span in cells], 17.0)
    _drains(sheet, [mode])


def _drains(sheet: Sheet, modes: Sequence[Mode]) -> None:
    for mode in modes:
        for drain, words in drain_rows(mode):
            sheet.write(
                [Cell(drain_words(drain), "bold text", span=2), Cell(f"initial valve setting: {words}", span=7)]
            )


def _others(sheet: Sheet, card: SettingsCard, modes: Sequence[Mode]) -> None:
    """Write the other ways to run it side by side in small type: flow, and where it is clogged or disconnected."""
    for place in range(0, len(modes), _OTHERS):
        shown = modes[place : place + _OTHERS]
        sheet.heading(OTHERS_TITLE)
        spans = _spans(len(shown))
        sheet.column_titles(("Meter on", *(other_title(mode) for mode in shown)), spans)
        for cells in other_rows(card, shown):
            sheet.write([Cell(text, "small text", span=span) for text, span in zip(cells, spans, strict=True)])
        for mode in shown:
            for text in (
                *mode_notes(mode, card.system.units),
                *(f"{drain_words(drain)}: {words}" for drain, words in drain_rows(mode)),
            ):
                sheet.paragraph(f"{other_title(mode)}: {text}", "small")


def _spans(modes: int) -> tuple[int, ...]:
    """Return how many columns the name of a meter and each of so many modes take."""
    return {1: (2, 7), 2: (2, 4, 3), 3: (2, 2, 3, 2)}[modes]


def _emergency(sheet: Sheet, card: SettingsCard) -> None:
    sheet.heading("Emergency")
    for line in emergency_lines(card.system):
        sheet.write([Cell(line, "alarm", span=len(_WIDTHS))])


def card_notes(sheet: Sheet, card: SettingsCard) -> None:
    """Write what the card's limits cannot tell, meter by meter."""
    for line in note_lines(card):
        sheet.paragraph(line)


def notes_sheet(book: Book, card: SettingsCard) -> None:
    """Write the notes of a card that stands alone, and the cautions that belong beside settings."""
    sheet = book.sheet(NOTES_SHEET, (100.0,), landscape=False)
    card_notes(sheet, card)
    sheet.heading("Cautions")
    for title, text in card_cautions():
        sheet.paragraph(f"{title}: {text}")
