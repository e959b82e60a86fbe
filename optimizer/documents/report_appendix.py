"""The appendix of the page: every run, checks, pictures, losses, cost against flow, parts, cautions, assumptions."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from optimizer.documents.adapters_text import port_remarks, port_verdict, port_ways
from optimizer.documents.cautions import CAUTIONS, Remark, assumptions
from optimizer.documents.drawing.labels import Shown
from optimizer.documents.drawing.sheets import Room, Sheets, on_paper, tile_canvas
from optimizer.documents.drawing.svg import Canvas
from optimizer.documents.pictures import (
    Picture,
    certainty,
    curves,
    frontier,
    head_lines,
    losses_picture,
    schematic_after,
    schematic_now,
)
from optimizer.documents.report_facts import ReportFacts, shown_after
from optimizer.documents.report_html import (
    SHEET_CAPTION_MM,
    SHEET_MARGIN_MM,
    PrintSheet,
    charts,
    figure,
    heading,
    items,
    paragraph,
    part,
    plan_figure,
    screen,
    table,
    text,
)
from optimizer.documents.safety_text import safety_section
from optimizer.documents.settings_card import meter_notes
from optimizer.documents.targets import target_words
from optimizer.documents.text import first_setting_words
from optimizer.documents.words import flow_span, flow_words
from optimizer.units import flow_value, show_flow, show_head, show_velocity
from optimizer.wording.amounts import money
from optimizer.wording.notes import note_words, notes_words

_ON_SCREEN = {"adapters", "head", "frontier"}  # alone: who prints a plan builds from it


def appendix(facts: ReportFacts) -> str:
    """Return all that is looked up once, each part under its own heading, those with nothing to say left out."""
    parts = (
        ("runs", "Every run", every_run(facts)),
        ("safe", "Safety checks", safety_section(facts.report)),
        ("head", "Head losses", head(facts)),
        ("frontier", "What more money would buy", cost_against_flow(facts)),
        ("parts", "Removed parts", removed(facts)),
        ("adapters", "Adapters at threaded ports", adapters(facts)),
        ("meters", "What the card's meters can tell", "" if facts.card is None else items(meter_notes(facts.card))),
        ("cautions", "Cautions", cautions(facts)),
        ("basis", "What the numbers rest on", rests_on(facts)),
        ("plumbing", "The plumbing in pictures", plumbing(facts)),
    )
    told = ((part(key, title, body), key) for key, title, body in parts if body)
    return "".join(screen(one) if key in _ON_SCREEN else one for one, key in told)


def plumbing(facts: ReportFacts) -> str:
    """Return the schematic after the work, and as it stands; on paper the first alone."""
    shown, canvas, sheets = on_paper(shown_after(facts), _PAPER_ROOM, 1)
    after, now = schematic_after(facts, shown), schematic_now(facts.report.system, facts.now, facts)
    told = plan_figure(after.svg, after.caption, _printed(after, canvas, sheets, shown))
    return _one_setting(facts) + told + plan_figure(now.svg, now.caption, ())


def _printed(picture: Picture, canvas: Canvas, sheets: Sheets, shown: Shown) -> Iterator[PrintSheet]:
    """Yield the one sheet that a schematic takes; it takes its shapes from the picture on the screen."""
    for number, tile in enumerate(sheets.tiles, 1):
        drawn = tile_canvas(canvas, shown, tile, f"{picture.name}-body")
        svg = drawn.svg(picture.caption, "A part of the picture, for print.", f"{picture.name}-{number}")
        yield PrintSheet(svg, picture.caption, drawn.width * sheets.mm_per_px, sheets.turned)


# What both A4 and letter paper leave.
_PAPER_ROOM = Room(
    (210.0 - 2 * SHEET_MARGIN_MM, 279.4 - 2 * SHEET_MARGIN_MM - SHEET_CAPTION_MM),
    (279.4 - 2 * SHEET_MARGIN_MM, 210.0 - 2 * SHEET_MARGIN_MM - SHEET_CAPTION_MM),
)


def head(facts: ReportFacts) -> str:
    """Return pump curves, losses and head lines."""
    losses = [losses_picture(facts.units, facts.after, "after"), losses_picture(facts.units, facts.now, "now")]
    return (
        _one_setting(facts)
        + charts(map(_chart, (*curves(facts), losses[0])))
        + screen(
            _chart(losses[1])
            + heading("Head along each path", 4)
            + paragraph("A steep fall is where head is lost; the line ends at the height that the water is lifted to.")
            + charts(map(_chart, head_lines(facts)))
        )
    )


def cost_against_flow(facts: ReportFacts) -> str:
    """Return cost against flow where it was worked out, and what is to be said of it, or why it is not there."""
    shown = charts(map(_chart, (*frontier(facts), *certainty(facts)))) if facts.frontier else ""
    return shown + (items(notes_words(facts.frontier_notes, facts.units)) if facts.frontier_notes else "")


def _chart(picture: Picture) -> str:
    return figure(picture.svg, picture.caption)


def every_run(facts: ReportFacts) -> str:
    """Return the flow of every run, its band where it was worked out, and its highest velocity."""
    report, units = facts.report, facts.units
    checked, band, (before, after) = report.verification, report.band or {}, report.doubts
    titles = ["Run", "From", "To", "Target", "Now", "After", "Change", "Highest velocity"]
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
        titles.append("80 % range")
    return _one_setting(facts) + table("Every run", titles, rows, tuple(range(4, len(titles))))


def _one_setting(facts: ReportFacts) -> str:
    words = first_setting_words(facts.report.system)
    return paragraph(words) if words else ""


def removed(facts: ReportFacts) -> str:
    """Return what comes out and what becomes of it."""
    rows = [
        (line.description, f"{line.quantity} {line.unit}", line.where, line.fate, note_words(line.why, facts.units))
        for line in facts.report.bill.taken_out
    ]
    return table("Removed parts", ("What", "Qty", "Where", "Then", "Why"), rows, (1,))


def adapters(facts: ReportFacts) -> str:
    """Return the ways at the threaded ports that the plan touches; nothing without the take-off."""
    if facts.taken is None:
        return ""
    ports = [one for one in facts.taken.ports if one.touched]
    rows = []
    for one in ports:
        for way in port_ways(one):
            rows.append(
                (
                    f"{one.port.run}: {one.port.words}, {one.port.end}",
                    "; ".join(piece.words for piece in way.pieces) or "nothing between: the two ends mate",
                    money(way.price_cents, facts.report.bill.currency),
                    "–" if way.loss_m is None else show_head(way.loss_m, facts.units),
                    str(way.leak_points),
                    port_verdict(one, way),
                )
            )
    titles = ("Run and port", "Pieces in order", "Price", "Head loss", "Joints", "Verdict")
    asides = "".join(paragraph(remark, "aside") for remark in port_remarks(ports)) if rows else ""
    return table("Ways at each port", titles, rows, (2, 3, 4)) + asides


def cautions(facts: ReportFacts) -> str:
    """Return the usual cautions of the trade."""
    return _remarks(CAUTIONS)


def rests_on(facts: ReportFacts) -> str:
    """Return what the numbers rest on."""
    return _remarks(assumptions(facts.report))


def _remarks(remarks: tuple[Remark, ...]) -> str:
    rows = "".join(f"<div><dt>{text(remark.title)}</dt>\n<dd>{text(remark.text)}</dd></div>\n" for remark in remarks)
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
