"""The four parts of the page and its appendix, in the order of the workbook: answer, order, build, card.

Each is a function from the facts to the inside of its part. To add one, write such a function and put a `Section` into
`SECTIONS`, or hand it to `report_page`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from optimizer.documents.answer import answer_of
from optimizer.documents.build_words import SIGN, before_words, closing_words, step_words, tools_words
from optimizer.documents.card_words import emergency_lines
from optimizer.documents.drawing.flow_bars import LEGEND, flow_bar
from optimizer.documents.drawing.stick_strips import piece_words, strip_canvas, told
from optimizer.documents.drawing.valve_handles import handle_picture
from optimizer.documents.drawing.work_sketch import sketch_canvas
from optimizer.documents.note_words import all_notes
from optimizer.documents.order_sheet import ask_words, item_words, note_of
from optimizer.documents.report_appendix import appendix
from optimizer.documents.report_facts import ReportFacts
from optimizer.documents.report_html import (
    Html,
    beside,
    facts_list,
    figure,
    heading,
    items,
    large,
    paragraph,
    picture,
    screen,
    table,
)
from optimizer.documents.settings_card import avoid_lines, dial_lines, meter_tables, reading_lines, valve_rows
from optimizer.documents.targets import demanded_words
from optimizer.documents.text import demand_words, speeds_words, unconnected_words
from optimizer.documents.words import flow_span
from optimizer.documents.work_pictures import sketch_words, sketches
from optimizer.model.plan import DemandCheck
from optimizer.units import show_length, show_rating
from optimizer.wording.amounts import money
from optimizer.wording.notes import note_words, notes_words
from optimizer.wording.work import MEASURE


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the page. `body` returns HTML, or nothing when there is nothing to say: then it is left out."""

    key: str  # anchor: letters and dashes
    title: str
    body: Callable[[ReportFacts], str]


def answer(facts: ReportFacts) -> str:
    """Return what changes, every flow with its bar, cost, work, safety, and what is to be noted."""
    found = answer_of(facts.report, facts)
    report = facts.report
    total = ("Store total", money(report.bill.total_cents, report.bill.currency))
    notes = all_notes(report)
    safety = report.verification.safety
    today = notes_words(safety.today, report.system.units) if safety is not None else ()
    return (
        (paragraph("Unsafe today, whatever is planned:", "alarm") + items(today, "alarm") if today else "")
        + items(found.changes)
        + "".join(paragraph(words) for words in (speeds_words(report),) if words)
        + _flows(facts)
        + heading("Cost, work and safety")
        + facts_list([total, *found.facts])
        + (heading("Notes") + items(notes) if notes else "")
    )


def _flows(facts: ReportFacts) -> str:
    report, units = facts.report, facts.units
    rows = []
    for place, check in enumerate(report.verification.demands):
        now, after, wide_open = demand_words(check, units)
        band = None if report.band is None else report.band.get(check.run)
        beside_it = wide_open if report.band is None else "–" if band is None else flow_span(*band, units)
        target = demanded_words(check, units)
        bar = _bar(check, place) if check.met else "NOT REACHED"
        rows.append((check.run, target, now, after, beside_it, bar))
    after_title = "After, valves open" if report.band is None else "80 % range"
    titles = ("Run", "Target", "Now", "After", after_title, "Now and after")
    shown = table("Flows before and after", titles, rows, (2, 3, 4))
    apart = unconnected_words(report)
    return shown + (paragraph(LEGEND, "aside") if shown else "") + (paragraph(apart, "aside") if apart else "")


def _bar(check: DemandCheck, place: int) -> Html:
    now = check.before_m3_s if check.before_doubt.known("") else math.nan
    after = check.after_m3_s if check.after_doubt.known("") else math.nan
    words = f"{check.run}, its flow now and after beside its target"
    canvas = flow_bar(check.low_m3_s, check.high_m3_s, now, after)
    return picture(canvas.svg(words, "The numbers stand in this row.", f"bar-{place + 1}"))


def order(facts: ReportFacts) -> str:
    """Return what to buy, as a store asks for it; nothing where nothing is bought."""
    bill, units = facts.report.bill, facts.units
    rows = []
    for line in (*bill.lines, *bill.spares):
        rating = f", {show_rating(line.rating_pa, units)}" if line.rating_pa else ""
        rows.append(
            (
                item_words(line),
                f"{line.quantity} {line.unit}",
                line.size or "–",
                line.ends or "–",
                line.standard or "–",
                f"{line.material}{rating}",
                money(line.unit_price_cents, bill.currency),
                money(line.extended_cents, bill.currency),
                "; ".join(text for text in (line.where_used, note_of(line, units)) if text),
            )
        )
    if not rows:
        return ""
    rows.insert(len(bill.lines), ("Total", "", "", "", "", "", "", money(bill.total_cents, bill.currency), ""))
    titles = ("What", "Qty", "Size", "Ends", "Standard", "Material, rating", "Each", "Price", "Where used")
    note = "List prices are this program's. The workbook has a column for the store's own, and the totals follow it."
    return paragraph(ask_words(bill)) + table("Order", titles, rows, (1, 6, 7)) + paragraph(note, "aside")


def build(facts: ReportFacts) -> str:
    """Return cuts, sketches and steps; nothing where nothing is built or the take-off is not there."""
    taken = facts.taken
    if taken is None or (not taken.work and not taken.cuts.pieces):
        return ""
    drawn = {one.run: one for one in sketches(facts, taken.cuts)}
    before = "".join(paragraph(words) for words in before_words(taken, facts.units))
    body = before + paragraph(tools_words(taken)) + _cuts(facts)
    for place, work in enumerate(taken.work, 1):
        steps = items((f"☐ {step_words(step, facts.units)}" for step in work.steps), "steps")
        sketch = ""
        if work.run in drawn:
            words = sketch_words([drawn[work.run]])
            svg = sketch_canvas(drawn[work.run]).svg(f"{work.run}, now and after", words, f"sketch-{place}")
            sketch = figure(svg, f"{work.run}: X comes out, N is new.")
        body += heading(work.run) + beside(sketch, steps)
    closing = closing_words(taken)
    if closing:
        body += heading("When the last joint is made") + items((f"☐ {words}" for words in closing), "steps")
    return body + paragraph(SIGN)


def _cuts(facts: ReportFacts) -> str:
    if facts.taken is None or not facts.taken.cuts.pieces:
        return ""
    cuts, units = facts.taken.cuts, facts.units
    canvas = strip_canvas(cuts, units)
    strips = "" if canvas is None else figure(canvas.svg("Lengths of pipe", told(cuts, units), "strips"), _kerf(facts))
    rows = [
        (
            f"mark {piece.mark}",
            piece_words(piece.cut_m, units),
            piece.item.description,
            piece.run,
            f"{piece.after} → {piece.before}",
        )
        for piece in cuts.pieces
    ]
    notes = " ".join((MEASURE, *(f"Note: {note_words(note, facts.units)}." for note in cuts.notes)))
    titles = ("Piece", "Cut length", "Pipe", "Run", "From → to")
    told_all = sum(len(pipes.pieces) for pipes in cuts.pipes) == len(cuts.pieces)
    listed = table("Cut list", titles, rows, (1,))
    # on paper the strips say as much, where nothing comes off a coil
    return heading("Saw first") + large(strips) + (screen(listed) if told_all else listed) + paragraph(notes, "aside")


def _kerf(facts: ReportFacts) -> str:
    kerf_m = 0.0 if facts.taken is None else facts.taken.cuts.kerf_m
    return f"Each length to scale with its cuts; a saw cut takes {show_length(kerf_m, facts.units)}."


def card(facts: ReportFacts) -> str:
    """Return how everything is set, what the meters should show, and what to do in an emergency."""
    found = facts.card
    if found is None:
        return _valves_without_card(facts)
    rows = []
    for place, (row, (run, index, words)) in enumerate(zip(valve_rows(found), found.valves, strict=True), 1):
        valve = found.network.runs[run].parts[index]
        svg = handle_picture(valve.kind, valve.opening).svg(f"{run}: {words}", words, f"valve-{place}")
        rows.append((*row, picture(svg)))
    lines = "".join(paragraph(line, "strong") for line in (*dial_lines(found), *avoid_lines(found)))
    valves = table("Valves", ("Run", "Valve", "Set to", "Handle"), rows)
    meters = meter_tables(found) + items(reading_lines(found), "aside")
    return lines + valves + meters + heading("Emergency") + items(emergency_lines(found.system), "alarm")


def _valves_without_card(facts: ReportFacts) -> str:
    from optimizer.documents.text import valve_name

    settings = facts.report.verification.valves
    rows = [(one.run, valve_name(facts.report, one.run, one.part_index), one.words) for one in settings]
    return table("Valves", ("Run", "Valve", "Set to"), rows)


SECTIONS: tuple[Section, ...] = (
    Section("answer", "Answer", answer),
    Section("order", "Order", order),
    Section("build", "Build", build),
    Section("card", "Card", card),
    Section("appendix", "Appendix", appendix),
)
