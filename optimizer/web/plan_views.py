"""Searches and their results → parts of the page: progress, plan, frontier, other kinds, papers."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from optimizer.documents import search_text, text
from optimizer.documents.answer import headline, work_words
from optimizer.documents.drawing.certainty_chart import certainty_chart, told_points
from optimizer.documents.drawing.chart import frame, legend
from optimizer.documents.drawing.frontier_chart import FrontierPoint, frontier_canvas
from optimizer.documents.drawing.svg import Box, number
from optimizer.documents.frontier_points import reach_points
from optimizer.documents.meters_text import SHOWN, meter_blocks
from optimizer.documents.quote_text import quote_blocks
from optimizer.documents.report_facts import report_facts, shown_after, shown_now
from optimizer.documents.report_html import text as escaped
from optimizer.documents.status_words import chance_words, share_words, status_words
from optimizer.documents.stores_text import shopping_blocks
from optimizer.documents.tables import Heading
from optimizer.documents.words import reached
from optimizer.edits.changes import Change, Set, SetPumpInMode, SetRule, SetTarget
from optimizer.model.dial import RPM
from optimizer.model.note import Note
from optimizer.units import show_flow
from optimizer.web.markup import blocks_html
from optimizer.web.plans import COSTED
from optimizer.web.plumbing import drawn_plumbing
from optimizer.wording.amounts import money
from optimizer.wording.notes import note_words

if TYPE_CHECKING:
    from optimizer.model.outcome import PlanReport
    from optimizer.model.system import System
    from optimizer.search.studies.frontier import Frontier
    from optimizer.web.jobs import Job
    from optimizer.web.plans import Chosen

ZOOM = 1.2


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a search is, in words; `chart` is a picture of the two lines, empty while there is too little to draw.

    `costed` where there are costs to tell, `stopping` where it was asked to end with what it has.
    """

    words: str
    elapsed: str
    stage: str
    best: str
    bound: str
    costed: bool
    stopping: bool
    chart: str


def progress_of(job: Job, currency: str) -> Progress:
    """Return how far a job is, its amounts in the owner's currency."""
    best, bound = job.best_cents, job.bound_cents
    return Progress(
        job.words,
        f"{job.elapsed_s:.0f} s",
        job.stage,
        "" if best is None else money(best, currency),
        "" if not bound else money(bound, currency),
        job.asked.what in COSTED,
        job.stopping,
        progress_chart(job.course, job.elapsed_s, currency),
    )


Course = Sequence[tuple[float, int | None, int | None]]  # seconds, best so far, least possible [cents]


def progress_chart(course: Course, until_s: float, currency: str) -> str:
    """Return best so far and least possible over the seconds of a search up to now; nothing before one is known."""
    best = _stairs([(at, cents / 100) for at, cents, _ in course if cents is not None], until_s)
    bound = _stairs([(at, cents / 100) for at, _, cents in course if cents], until_s)
    if not best and not bound:
        return ""
    values = [value for _, value in (*best, *bound)]
    low = min(values) if 2 * min(values) > max(values) else 0.0  # where they are close their gap is what matters
    drawn = frame(440, 220, (0.0, max(until_s, 1.0)), (low, max(values)), "seconds", f"parts, {currency}")
    for points, role in ((best, "after-line"), (bound, "now-line")):
        if points:
            drawn.line(points, role)
    legend(drawn, [("after-line", "", "best so far"), ("now-line", "", "least possible")])
    return drawn.canvas.svg("Best so far and least possible", "Two lines that close in.", "progress-chart")


def _stairs(told: Sequence[tuple[float, float]], until_s: float) -> list[tuple[float, float]]:
    """Return a line that keeps each value until the next one is told, the last one up to now."""
    points: list[tuple[float, float]] = []
    for at, value in told:
        points += [(at, points[-1][1])] if points else []
        points.append((at, value))
    return [*points, (max(until_s, points[-1][0]), points[-1][1])] if points else []


def plan_html(report: PlanReport) -> str:
    """Return a plan as the command prints it: cost, chance, flows, changes, settings, what to buy, safety, notes."""
    blocks = text.plan_blocks(report)
    told = [one for one in blocks if not (isinstance(one, Heading) and one.text.startswith("Plan: "))]
    return blocks_html(told, 3)  # its title is told already


def summary(report: PlanReport) -> tuple[str, ...]:
    """Return the answer in a few sentences."""
    return tuple(
        words
        for words in (headline(report), status_words(report.plan), *chance_words(report.chance), work_words(report))
        if words
    )


def plan_drawings(report: PlanReport) -> tuple[str, str]:
    """Return the plumbing as the plan leaves it and as it stands, what is new and what goes marked."""
    facts = report_facts(report, with_gains=False)
    after = drawn_plumbing(shown_after(facts), "The plumbing after the work", living=False, key="picture-after")
    standing = shown_now(report.system, facts.now, report)
    now = drawn_plumbing(standing, "The plumbing as it stands", living=False, key="picture-before")
    return after.html, now.html


def no_plan_html(system: System, chosen: Chosen) -> str:
    """Return why there is no plan."""
    return blocks_html(text.no_plan_blocks(system, chosen.planned.plan)[1:], 3)


@dataclass(frozen=True, slots=True)
class FrontierRow:
    """One plan of the frontier to choose."""

    index: int
    cost: str
    share: str
    works: str
    cuts: str
    chosen: bool


def frontier_rows(found: Frontier, chosen: PlanReport | None) -> tuple[FrontierRow, ...]:
    return tuple(
        FrontierRow(
            index,
            money(one.plan.cost_cents or 0, one.plan.currency),
            reached(one.reach),
            share_words(one.works),
            str(one.plan.cuts),
            chosen is not None and _same(chosen, one.plan.cost_cents, one.plan.cuts),
        )
        for index, one in enumerate(found.plans)
    )


def _same(chosen: PlanReport, cost_cents: int | None, cuts: int) -> bool:
    return chosen.bill.total_cents == (cost_cents or 0) and chosen.plan.cuts == cuts


def frontier_html(system: System, found: Frontier, chosen: PlanReport | None) -> tuple[str, str]:
    """Return the chart of cost against reach, each plan a button in it, and what is said of it in words."""
    said = blocks_html(search_text.frontier_blocks(system, found.plans, None, found.notes)[1:], 3)
    if not found.plans:
        return "", said
    points, own = _points(found, chosen)
    currency = found.plans[0].plan.currency
    canvas = frontier_canvas(points, own, system.units, currency)
    marks = [box for box in canvas.symbols if box.words == "mark"]
    by_place = sorted(range(len(points)), key=lambda index: (points[index].cost_cents, points[index].reach or 0.0))
    buttons = "".join(
        f'<g role="button" tabindex="0" class="handle" data-submit="point-{index}" '
        f'aria-label="{escaped(_point_words(points[index], currency))}"><rect class="touch" '
        f'x="{number(mark.left - 6)}" y="{number(mark.top - 6)}" width="24" height="24" rx="12"/></g>\n'
        for index, mark in zip(by_place, _left_to_right(marks, len(points)), strict=False)
    )
    svg = (
        f'<svg class="pic" role="group" aria-label="Cost against share of target, each plan a button" '
        f'viewBox="0 0 {number(canvas.width)} {number(canvas.height)}" width="{number(canvas.width * ZOOM)}" '
        f'height="{number(canvas.height * ZOOM)}">\n<g aria-hidden="true">{canvas.body()}</g>\n{buttons}</svg>\n'
    )
    if len(told_points(points)) > 1:
        svg += certainty_chart(points, own, currency, title="Cost against chance", key="certainty")
    return svg, said


def _left_to_right(marks: Sequence[Box], count: int) -> list[Box]:
    """Return the marks of the chart's plans in the order of cost; a mark that is drawn twice counts once."""
    places = {(round(mark.left, 1), round(mark.top, 1)): mark for mark in marks}
    found = sorted(places.values(), key=lambda mark: (mark.left, -mark.top))
    return found if len(found) == count else []


def _point_words(point: FrontierPoint, currency: str) -> str:
    return f"{money(point.cost_cents, currency)} for {reached(point.reach or 0.0)} of the targets"


def _points(found: Frontier, chosen: PlanReport | None) -> tuple[tuple[FrontierPoint, ...], FrontierPoint | None]:
    """Return the plans as points, and the chosen one where it is among them."""
    first = found.plans[0].plan if chosen is None else chosen.plan
    points = tuple(replace(one, cuts=None) for one in reach_points(found.plans, first, 0.0)[0])  # told in the table
    if chosen is None:
        return tuple(replace(point, label="") for point in points), None
    plans = zip(points, found.plans, strict=True)
    return points, next((point for point, one in plans if _same(chosen, one.plan.cost_cents, one.plan.cuts)), None)


def studies_html(system: System, studies: Mapping[str, tuple[bytes, Any]]) -> Iterator[str]:
    """Yield what other searches found: other kinds of plan, what each change buys, a store's prices."""
    if "compare" in studies:
        yield blocks_html(search_text.kinds_blocks(system, studies["compare"][1]), 2)
    if "explain" in studies:
        yield blocks_html(search_text.worth_blocks(system, studies["explain"][1]), 2)
    if "quote" in studies:
        quote, again, listed = studies["quote"][1]
        yield blocks_html(quote_blocks(listed, again.bill, quote, again.other), 2)
    if "stores" in studies:
        yield blocks_html(shopping_blocks(studies["stores"][1], system), 2)


def meters_html(system: System, currency: str, studies: Mapping[str, tuple[bytes, Any]]) -> str:
    """Return which flow meter reads each line; nothing before that was asked for."""
    if "meters" not in studies:
        return ""
    lines, bucket_m3, every = studies["meters"][1]
    limit = None if every else SHOWN
    blocks = meter_blocks(
        lines, name=system.name, units=system.units, currency=currency, bucket_m3=bucket_m3, limit=limit
    )
    return blocks_html(blocks[1:], 3)


@dataclass(frozen=True, slots=True)
class WayOut:
    """What would make a plan possible: its words as the search tells them, and the change of the file as data."""

    words: str
    data: str


_WAY = "what would make it possible: "
_ALLOWS: Mapping[str, str | None] = {  # what a rule is written as where it no longer stands in the way
    "velocity limit": None,
    "bend pipe to fit": "yes",
    "other sizes": "yes",
    "other pumps": "yes",
    "budget": None,
    "margin": None,
    "certainty": None,
    "buy only from": "every catalog",
}


def ways_out(system: System, reasons: Sequence[Note]) -> tuple[WayOut, ...]:
    """Return the ways out that a search found, each as a change that can be tried; those that are none are left out."""
    told = [(one, dict(one.values)["change"]) for one in reasons if one.code == "would make it possible"]
    found = ((one, _change_for(system, way)) for one, way in told if isinstance(way, Note))
    return tuple(
        WayOut(note_words(one, system.units).removeprefix(_WAY), json.dumps(change.as_data))
        for one, change in found
        if change is not None
    )


def _change_for(system: System, way: Note) -> Change | None:
    if way.code == "beyond the lists":
        way = next(each for _, each in way.values if isinstance(each, Note))
    values = dict(way.values)
    if way.code in ("more cuts", "one more cut"):
        return SetRule("saw cuts", f"at most {values['cuts']}")
    if way.code == "no target":
        return SetTarget(way.run, None)
    if way.code == "no maximum":
        least = next((one.low_m3_s for one in system.all_targets if one.run == way.run), 0.0)
        return SetTarget(way.run, f"at least {show_flow(least, system.units)}")
    if way.code == "faster":
        pump = system.network.pumps[str(values["pump"])]
        return Set("pumps", pump.name, "speeds", [f"{100.0 * (pump.dial or RPM).setting(pump.speed):g} %", "100 %"])
    if way.code == "faster in the mode":
        setting = f"{100.0 * float(str(values['speed_share'])):.0f} %"
        return SetPumpInMode(str(values["mode"]), str(values["pump"]), setting)
    rule = str(values.get("rule", ""))
    return SetRule(rule, _ALLOWS[rule]) if rule in _ALLOWS else None
