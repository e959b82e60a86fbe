"""The first sheet: cost, how sure, flows before and after, settings of pumps and valves, what changes run by run."""

from __future__ import annotations

import math

from optimizer.documents.list_sheets import CAUTIONS_SHEET, doubtful
from optimizer.documents.parts_sheet import PARTS_SHEET
from optimizer.documents.sheet_kit import Book, Cell, Formula, Sheet, number
from optimizer.documents.text import changes, pump_changes, pump_run_after, speeds_words, valve_name
from optimizer.documents.words import chance_words, pump_setting, spares_words, status_words, steps_of, verdict_words
from optimizer.model.dial import DialKind
from optimizer.model.network import Pump
from optimizer.model.outcome import PlanReport
from optimizer.model.plan import DemandCheck
from optimizer.units import flow_unit, flow_value

SUMMARY_SHEET = "Summary"
_WIDTHS = (25.0, 11.0, 11.0, 13.0, 13.0, 16.0, 12.0)


def start_summary(book: Book) -> Sheet:
    """Return the empty first sheet, so that it stands before the sheets whose totals it fetches."""
    return book.sheet(SUMMARY_SHEET, _WIDTHS, landscape=False)


def fill_summary(sheet: Sheet, report: PlanReport, total: Formula) -> None:
    """Write the summary; `total` fetches the cost from the parts list."""
    sheet.paragraph(report.system.name, "title")
    sheet.paragraph("What to change so that every line gets the flow that was asked for.")
    sheet.write([Cell(f"Parts, in {report.bill.currency}", "strong"), Cell(total, "strong money", span=2)])
    for words in (status_words(report.plan), *chance_words(report.chance), *spares_words(report.bill)):
        sheet.paragraph(words)
    sheet.paragraph(verdict_words(report.verification))
    _demands(sheet, report)
    _pumps(sheet, report)
    _valves(sheet, report)
    _changes(sheet, report)
    _mind(sheet, report)


def _demands(sheet: Sheet, report: PlanReport) -> None:
    units = report.system.units
    sheet.heading(f"Flows, in {flow_unit(units)}")
    flows = ("At least", "At most", "Now", "After", "After, all valves open")
    sheet.column_titles(("Run", *flows, "Reached"), numbers=flows)
    for check in report.verification.demands:
        sheet.write(_demand_row(check, units))


def _demand_row(check: DemandCheck, units: str) -> list[Cell]:
    low = check.low_m3_s if check.low_m3_s > 0 else None
    flows = (check.before_m3_s, check.after_m3_s, check.all_open_m3_s)
    doubts = (check.before_doubt, check.after_doubt, check.all_open_doubt)
    return [
        Cell(check.run),
        *(Cell(None) if end is None else number(flow_value(end, units)) for end in (low, check.high_m3_s)),
        *(doubtful(flow_m3_s, doubt, "", units) for flow_m3_s, doubt in zip(flows, doubts, strict=True)),
        Cell("yes", "centre") if check.met else Cell("NO", "miss"),
    ]


def _pumps(sheet: Sheet, report: PlanReport) -> None:
    unit, flows_after = flow_unit(report.system.units), report.verification.flows_m3_s
    pumps = pump_changes(report)
    if not pumps:
        return
    sheet.heading("Pumps")
    titles = ("Pump", "Speed now", "Speed after", f"Flow now ({unit})", f"Flow after ({unit})")
    sheet.column_titles(titles, numbers=titles[1:])
    for pump, before, after in pumps:
        run = pump_run_after(report, pump.name)
        flows = [
            doubtful(source.get(run, math.nan), doubt, run, report.system.units)
            for source, doubt in zip((report.before_flows_m3_s, flows_after), report.doubts, strict=True)
        ]
        stood = report.system.network.pumps.get(pump.name, pump)
        now = Cell("–", "centre") if before is None else _speed(stood, before)
        sheet.write([Cell(pump.name), now, _speed(pump, after), *flows])
    if words := speeds_words(report):
        sheet.paragraph(words)


def _speed(pump: Pump, speed: float) -> Cell:
    """Return a speed as a number, or in words what to dial for it where the dial does not show rpm."""
    plain = pump.dial is None or pump.dial.kind is DialKind.RPM
    return number(speed, "percent") if plain else Cell(pump_setting(pump, speed))


def _valves(sheet: Sheet, report: PlanReport) -> None:
    if not report.verification.valves:
        return
    sheet.heading("Valve settings")
    sheet.column_titles(("Run", "Valve", "Set to"), spans=(1, 3, 3))
    for setting in report.verification.valves:
        valve = valve_name(report, setting.run, setting.part_index)
        sheet.write([Cell(setting.run), Cell(valve, span=3), Cell(setting.words, span=3)])


def _changes(sheet: Sheet, report: PlanReport) -> None:
    """Write each step in a row of its own; the parts cost of a run stands beside its first step."""
    sheet.heading("What changes, run by run")
    first = sheet.column_titles(("Run", "What is done", "Parts cost"), spans=(1, 5, 1), numbers=("Parts cost",)) + 2
    changed = changes(report.plan)
    for place, steps, cents in changed:
        for number_of_step, step in enumerate(steps_of(steps)):
            cost = number(cents / 100, "money") if number_of_step == 0 else Cell(None)
            sheet.write([Cell(place if number_of_step == 0 else None), Cell(step, span=5), cost])
    _consumables(sheet, report)
    beside = sum(cents for _, _, cents in changed) + sum(one.cost_cents for one in report.plan.consumables)
    pipe = report.bill.total_cents - beside
    if pipe:
        sheet.write([Cell("for all runs"), Cell("pipe", span=5), number(pipe / 100, "money")])
    if sheet.row >= first:
        total = Formula(f"=SUM(G{first}:G{sheet.row})", report.bill.total_cents / 100)
        sheet.write([Cell("Total", "bold text"), Cell(None, span=5), Cell(total, "bold money")])
    else:
        sheet.write([Cell(None), Cell("Nothing is bought and nothing is cut: settings do it.", span=5), Cell(None)])
    kept = [name for name in report.plan.runs if name not in {place for place, _, _ in changed}]
    if kept:
        sheet.paragraph(f"Left as they are: {', '.join(kept)}.")


def _consumables(sheet: Sheet, report: PlanReport) -> None:
    bought = report.plan.consumables
    if bought:
        cost = number(sum(purchase.cost_cents for purchase in bought) / 100, "money")
        names = ", ".join(dict.fromkeys(purchase.item.description for purchase in bought))
        sheet.write([Cell("for all joints"), Cell(names, span=5), cost])


def _mind(sheet: Sheet, report: PlanReport) -> None:
    sheet.heading("Notes")
    texts = (*report.plan.notes, *report.verification.warnings, *report.notes)
    for text in dict.fromkeys(texts):
        sheet.paragraph(f"• {text}")
    sheet.paragraph(f"• What to buy is on the sheet “{PARTS_SHEET}”. Read “{CAUTIONS_SHEET}” before you start.")
