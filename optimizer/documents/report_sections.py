"""The sections of the report, in their order: each a function from the facts to the inside of its part of the page.

To add one, write such a function and put a `Section` into `SECTIONS`, or hand it to `report_page`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from optimizer.documents.cautions import CAUTIONS, Remark, assumptions
from optimizer.documents.drawing.labels import Shown
from optimizer.documents.drawing.schematic import schematic_canvas
from optimizer.documents.drawing.sheets import Room, sheets_for, tile_canvas
from optimizer.documents.pictures import (
    Picture,
    curves,
    frontier,
    head_lines,
    losses_picture,
    schematic_after,
    schematic_now,
)
from optimizer.documents.report_facts import ReportFacts, shown_after, shown_now
from optimizer.documents.report_html import (
    SHEET_CAPTION_MM,
    SHEET_MARGIN_MM,
    PrintSheet,
    charts,
    figure,
    heading,
    items,
    paragraph,
    plan_figure,
    table,
    text,
)
from optimizer.documents.safety_text import safety_section
from optimizer.documents.settings_card import meter_tables, note_lines
from optimizer.documents.text import (
    changes,
    demand_words,
    first_setting_words,
    pump_changes,
    pump_run_after,
    speed_before,
    speeds_words,
    valve_name,
)
from optimizer.documents.words import flow_span, flow_words, money, pump_setting, steps_of, target_words, wanted_words
from optimizer.units import flow_value, show_flow, show_velocity


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the page. `body` returns HTML, or nothing when there is nothing to say: then it is left out."""

    key: str  # anchor: letters and dashes
    title: str
    body: Callable[[ReportFacts], str]


def flows_answer(facts: ReportFacts) -> str:
    """Return what was asked for, what flows now and what will flow."""
    units = facts.units
    rows = [
        (
            check.run,
            wanted_words(check.low_m3_s, check.high_m3_s, units),
            now,
            after,
            "yes" if check.met else "NO",
            wide_open,
        )
        for check in facts.report.verification.demands
        for now, after, wide_open in [demand_words(check, units)]
    ]
    titles = ("Run", "Wanted", "Now", "After", "Reached", "After, all valves open")
    return table("Flows before and after", titles, rows, (2, 3, 5))


def work(facts: ReportFacts) -> str:
    """Return what is done, place by place, and how pumps and valves are set afterwards."""
    body = ""
    for place, steps, _ in changes(facts.report.plan):
        body += heading(place) + items(steps_of(steps))
    body = body or paragraph("Nothing is bought and nothing is cut: settings do it.")
    return body + _settings(facts)


def _settings(facts: ReportFacts) -> str:
    report, units = facts.report, facts.units
    pumps = []
    for pump, before, after in pump_changes(report):
        run = pump_run_after(report, pump.name)
        both = (report.before_flows_m3_s, report.verification.flows_m3_s)
        flows = [doubt.words(run, _flow(each, run, units)) for doubt, each in zip(report.doubts, both, strict=True)]
        pumps.append((pump.name, speed_before(report, pump, before), pump_setting(pump, after), *flows))
    valves = [
        (setting.run, valve_name(report, setting.run, setting.part_index), setting.words)
        for setting in report.verification.valves
    ]
    speeds = table(
        "Set pumps to", ("Pump", "Set to now", "Set to after", "Flow now", "Flow after"), pumps, (1, 2, 3, 4)
    )
    words = speeds_words(report)
    return speeds + (paragraph(words) if words else "") + table("Set valves to", ("Run", "Valve", "Setting"), valves)


def shopping(facts: ReportFacts) -> str:
    """Return what to buy, with its price."""
    bill = facts.report.bill
    if not bill.lines:
        return paragraph("Nothing needs to be bought.")
    rows = [
        (
            line.description,
            str(line.quantity),
            line.unit,
            money(line.unit_price_cents, bill.currency),
            money(line.extended_cents, bill.currency),
            line.where_used,
            line.note,
        )
        for line in bill.lines
    ]
    rows.append(("Total", "", "", "", money(bill.total_cents, bill.currency), "", ""))
    titles = ("What", "Qty", "Unit", "Unit price", "Price", "Where used", "Pieces and notes")
    note = "Prices are the catalog's; the workbook has a column for a store's own."
    return table("Parts list", titles, rows, (1, 3, 4)) + paragraph(note, "aside")


def plumbing(facts: ReportFacts) -> str:
    """Return the schematic after the work, and as it stands."""
    pictures = (schematic_after(facts), schematic_now(facts.report.system, facts.now, facts))
    shown = (shown_after(facts), shown_now(facts.report.system, facts.now, facts.report))
    return _one_setting(facts) + "".join(
        plan_figure(picture.svg, picture.caption, _on_paper(picture, one))
        for picture, one in zip(pictures, shown, strict=True)
    )


def _on_paper(picture: Picture, shown: Shown) -> Iterator[PrintSheet]:
    """Yield the sheets that a schematic takes; they take its shapes from the picture on the screen."""
    canvas = schematic_canvas(shown)
    sheets = sheets_for(canvas, shown, _PAPER_ROOM)
    for number, tile in enumerate(sheets.tiles, 1):
        drawn = tile_canvas(canvas, shown, tile, f"{picture.name}-body")
        which = f" Sheet {number} of {len(sheets.tiles)}." if len(sheets.tiles) > 1 else ""
        caption = f"{picture.caption}{which}"
        svg = drawn.svg(caption, "A part of the picture, for print.", f"{picture.name}-{number}")
        yield PrintSheet(svg, caption, drawn.width * sheets.mm_per_px, sheets.turned)


# What both A4 and letter paper leave.
_PAPER_ROOM = Room(
    (210.0 - 2 * SHEET_MARGIN_MM, 279.4 - 2 * SHEET_MARGIN_MM - SHEET_CAPTION_MM),
    (279.4 - 2 * SHEET_MARGIN_MM, 210.0 - 2 * SHEET_MARGIN_MM - SHEET_CAPTION_MM),
)


def head(facts: ReportFacts) -> str:
    """Return pump curves, losses and head lines."""
    losses = (losses_picture(facts.units, facts.now, "now"), losses_picture(facts.units, facts.after, "after"))
    return (
        _one_setting(facts)
        + charts(map(_chart, curves(facts)))
        + charts(map(_chart, losses))
        + heading("Head along each path")
        + paragraph("A steep fall is where head is lost; the line ends at the height that the water is lifted to.")
        + charts(map(_chart, head_lines(facts)))
    )


def cost_against_flow(facts: ReportFacts) -> str:
    """Return cost against flow where it was worked out, and what is to be said of it, or why it is not there."""
    shown = charts(map(_chart, frontier(facts))) if facts.frontier else ""
    return shown + (items(facts.frontier_notes) if facts.frontier_notes else "")


def _chart(picture: Picture) -> str:
    return figure(picture.svg, picture.caption)


def every_run(facts: ReportFacts) -> str:
    """Return the flow of every run, its band where it was worked out, and its fastest water."""
    report, units = facts.report, facts.units
    checked, band, (before, after) = report.verification, report.band or {}, report.doubts
    titles = ["Run", "From", "To", "Wanted", "Now", "After", "Change", "Fastest water after"]
    rows = []
    for name, run in report.system.network.runs.items():
        speed = checked.velocities_m_s.get(name, math.nan)
        row = [
            name,
            run.start.point,
            run.end.point,
            target_words(report.system.targets, name, units),
            before.words(name, _flow(report.before_flows_m3_s, name, units)),
            after.words(name, _flow(checked.flows_m3_s, name, units)),
            _change(report.before_flows_m3_s, checked.flows_m3_s, name, units)
            if before.known(name) and after.known(name)
            else "–",
            show_velocity(speed, units) if math.isfinite(speed) else "–",
        ]
        if band:
            low, high = band.get(name, (math.nan, math.nan))
            row.append("–" if math.isnan(low) else flow_span(low, high, units))
        rows.append(row)
    if band:
        titles.append("After, likely range")
    return _one_setting(facts) + table("Every run", titles, rows, tuple(range(4, len(titles))))


def _one_setting(facts: ReportFacts) -> str:
    words = first_setting_words(facts.report.system)
    return paragraph(words) if words else ""


def details_of_parts(facts: ReportFacts) -> str:
    """Return sizes, ends and standards of what is bought, and what comes out."""
    bill = facts.report.bill
    bought = [
        (line.description, line.size, line.ends, line.material, line.standard or "–", line.item_id, line.price_date)
        for line in bill.lines
    ]
    out = [
        (line.description, str(line.quantity), line.unit, line.where, line.fate, line.why) for line in bill.taken_out
    ]
    titles = ("What", "Size", "Ends", "Material", "Standard", "Item no.", "Price date")
    return (
        table("Parts to buy, in detail", titles, bought)
        + table("What comes out", ("What", "Qty", "Unit", "Where", "Then", "Why"), out, (1,))
        + ("" if out else paragraph("Nothing comes out."))
    )


def warnings(facts: ReportFacts) -> str:
    """Return what to mind about this plan."""
    report = facts.report
    return items(dict.fromkeys((*report.plan.notes, *report.verification.warnings, *report.notes)))


def settings(facts: ReportFacts) -> str:
    """Return the settings card, where it was worked out; the valves stand under what to do."""
    if facts.card is None:
        return ""
    return meter_tables(facts.card) + heading("How to read it") + items(note_lines(facts.card))


def cautions(facts: ReportFacts) -> str:
    """Return the usual cautions of the trade."""
    return _remarks(CAUTIONS)


def rests_on(facts: ReportFacts) -> str:
    """Return what the numbers rest on."""
    return _remarks(assumptions(facts.report))


def _remarks(remarks: tuple[Remark, ...]) -> str:
    rows = "".join(f"<dt>{text(remark.title)}</dt>\n<dd>{text(remark.text)}</dd>\n" for remark in remarks)
    return f"<dl>\n{rows}</dl>\n"


def _flow(flows_m3_s: Mapping[str, float], run: str, units: str) -> str:
    flow = flows_m3_s.get(run, math.nan)
    return flow_words(flow, units) if math.isfinite(flow) else "–"


def _change(before: Mapping[str, float], after: Mapping[str, float], run: str, units: str) -> str:
    """Return the signed change of a flow."""
    change = after.get(run, math.nan) - before.get(run, math.nan)
    if not math.isfinite(change):
        return "–"
    sign = "+" if flow_value(change, units) > 0.05 else ""
    return f"{sign}{show_flow(change, units)}"


def safe(facts: ReportFacts) -> str:
    """Return what was checked so that the floor stays dry, and what could not be."""
    return safety_section(facts.report)


SECTIONS: tuple[Section, ...] = (
    Section("flows", "Flows", flows_answer),
    Section("buy", "What to buy", shopping),
    Section("work", "What to do", work),
    Section("notes", "Notes", warnings),
    Section("safe", "Safe", safe),
    Section("cautions", "Cautions: read before you start", cautions),
    Section("plumbing", "The plumbing in pictures", plumbing),
    Section("head", "Head losses", head),
    Section("frontier", "What more money would buy", cost_against_flow),
    Section("settings", "What every meter should show", settings),
    Section("runs", "Every run", every_run),
    Section("parts", "Parts in detail", details_of_parts),
    Section("basis", "What the numbers rest on", rests_on),
)
