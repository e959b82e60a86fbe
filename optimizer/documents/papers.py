"""A plan that was found → the bytes of its papers: the same whoever asks for them, a command or a page."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from optimizer import pipeline
from optimizer.clock import TimeIsUp, limited
from optimizer.documents.frontier_points import its_point, reach_points
from optimizer.model.note import note

if TYPE_CHECKING:
    from optimizer.documents.drawing.frontier_chart import FrontierPoint
    from optimizer.documents.pictures import Picture
    from optimizer.model.catalog import Catalog
    from optimizer.model.note import Note
    from optimizer.model.outcome import PlanReport
    from optimizer.model.system import System
    from optimizer.search.flow_search import Progress
    from optimizer.search.studies.frontier import Frontier

    Curve = tuple[tuple[FrontierPoint, ...], FrontierPoint | None, tuple[Note, ...]]  # points, the plan's own, notes

_REACH_S = 2.0  # for how far a plan gets that has no point of its own
STEP = 0.03  # of the reach: where each step is a search of its own a chart shows no smaller ones


def workbook(found: PlanReport, catalog: Catalog) -> bytes:
    """Return the workbook of a plan with all its sheets."""
    from optimizer.documents.workbook import whole_workbook_bytes

    taken = pipeline.take_off(found, catalog, spares=bool(found.bill.spares))
    return whole_workbook_bytes(pipeline.with_nearest(found, catalog), taken)


def store_rows(found: PlanReport) -> bytes:
    """Return the order as plain rows, for a store's own program."""
    from optimizer.documents.order_sheet import import_csv

    return import_csv(found.bill).encode("utf-8-sig")


def curve(
    system: System, catalog: Catalog, found: PlanReport, time_limit_s: float, progress: Progress | None = None
) -> Curve:
    """Return cost against reach with a plan's own point in it; `system` as its file has it."""
    studied = pipeline.frontier(system, catalog, least_gain=STEP, time_limit_s=time_limit_s, progress=progress)
    return curve_of(system, studied, found, time_limit_s)


def curve_of(system: System, studied: Frontier, found: PlanReport, time_limit_s: float) -> Curve:
    """Return a frontier that was worked out as the points of a chart, with a plan's own."""
    from optimizer.model.plan import planned_networks
    from optimizer.verify.reach import best_speeds

    longer = note("look longer", file=str(system.path), time_s=max(600.0, 4 * time_limit_s))
    notes = studied.notes if studied.complete else (*studied.notes, longer)
    if not studied.plans:
        return (), None, notes
    as_planned = found.system if found.plan.stands is not None else system
    reach = 1.0  # where another plan's point is its own, or there is no time to tell more
    if its_point(studied.plans, found.plan) is None:
        with suppress(TimeIsUp), limited(_REACH_S):
            reach = max(1.0, best_speeds(as_planned, planned_networks(as_planned, found.plan)).scale)
    return *reach_points(studied.plans, found.plan, reach), notes


def page(found: PlanReport, catalog: Catalog, curve: Curve, paper: str | None = None) -> bytes:
    """Return the report of a plan as one page; `found` with its nearest plans, as `pipeline.with_nearest` has it."""
    from optimizer.documents.report import report_page
    from optimizer.documents.report_facts import report_facts

    points, chosen, notes = curve
    card = pipeline.settings_card(found.system, found)
    taken = pipeline.take_off(found, catalog, spares=bool(found.bill.spares))
    return report_page(
        report_facts(found, points, chosen, card, frontier_notes=notes, taken=taken), paper=paper
    ).encode()


def card(system: System, found: PlanReport | None, *, clog: float = 0.5, scatter: float = 0.05) -> tuple[bytes, bytes]:
    """Return the settings card as a page and as a workbook: after a plan, or without one as it stands.

    `clog` and `scatter` are shares, as of `pipeline.settings_card`.
    """
    from optimizer.documents.settings_card import card_page, card_workbook

    told = pipeline.settings_card(system, found, clog=clog, scatter=scatter)
    return card_page(told).encode(), card_workbook(told)


def pictures(found: PlanReport, catalog: Catalog, curve: Curve) -> tuple[Picture, ...]:
    """Return all pictures of a plan, each a file of its own."""
    from optimizer.documents.pictures import plan_pictures
    from optimizer.documents.report_facts import report_facts

    points, chosen, _ = curve
    taken = pipeline.take_off(found, catalog, spares=False, ports=False)
    return plan_pictures(report_facts(found, points, chosen, taken=taken), alone=True)
