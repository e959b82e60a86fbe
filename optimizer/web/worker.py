"""The process that searches: what is asked → progress as it goes, then the result, through a pipe.

It is a process of its own so that the page stays quick while it works, and so that it can be ended at once. It ends by
itself when the page's program has gone.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from multiprocessing.connection import Connection
from multiprocessing.synchronize import Event
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.errors import InputError, NoPlanError, OptimizerError
from optimizer.processes import serve_another

if TYPE_CHECKING:
    from optimizer.model.catalog import Catalog
    from optimizer.model.outcome import PlanReport
    from optimizer.model.plan import Plan
    from optimizer.model.system import System
    from optimizer.search.flow_search import Progress
    from optimizer.search.studies.frontier import Frontier, FrontierPlan
    from optimizer.web.varying import Varied


@dataclass(frozen=True)
class Asked:
    """What a process is to do: `what` is a key of `WORKS`; the rest is what it needs for that.

    `content` is what the file would hold at `path`; `report` is the plan that papers are asked of, `point` one plan of
    the frontier, `quote` a store's workbook, `table` what varies, `studied` a frontier that was worked out already.
    `options` are fields of the form, trusted in nothing; `lists` are the price lists of the file's folder.
    """

    what: str
    path: Path
    content: bytes
    catalogs: tuple[Path, ...]
    time_limit_s: float
    report: PlanReport | None = None
    point: FrontierPlan | None = None
    studied: Frontier | None = None
    quote: bytes = b""
    table: bytes = b""
    options: Mapping[str, str] = field(default_factory=dict)
    lists: tuple[Path, ...] = ()

    def chosen(self, field_name: str, allowed: Sequence[str]) -> str | None:
        """Return what a field of the form has, where it is one of these."""
        return self.options[field_name] if self.options.get(field_name) in allowed else None

    def percent(self, field_name: str, usual: float) -> float:
        """Return a number from 0 to 100 of the form as a share, the usual one where it has none."""
        words = self.options.get(field_name, "")
        good = re.fullmatch(r"\d{1,2}(?:\.\d{1,2})?", words) and float(words) > 0.0
        return float(words) / 100 if good else usual


@dataclass(frozen=True)
class Planned:
    """How a search ended: with a report, or with the plan that says why there is none."""

    plan: Plan
    report: PlanReport | None


def run(asked: Asked, told: Connection, stop: Event) -> None:
    """Be the process: do what is asked, deaf to Ctrl-C, which is for the page's program, that then ends this one."""
    serve_another()
    nicer = getattr(os, "nice", None)  # not every system has it
    if nicer is not None:
        nicer(_AFTER_THE_PAGE)  # where processors are few the page is answered first
    work(asked, told.send, stop.is_set)


def work(asked: Asked, tell: Callable[[tuple[Any, ...]], None], stopped: Callable[[], bool]) -> None:
    """Do what is asked; what is told is ("progress", stage, best, bound), ("done", result) or ("failed", words)."""
    from optimizer.edits.outcome import outcome
    from optimizer.edits.saving import text_of

    def progress(stage: str, best: int | None, bound: int | None) -> None:
        tell(("progress", stage, best, bound))
        if stopped():
            raise KeyboardInterrupt

    try:
        told = outcome(text_of(asked.content), asked.path, asked.catalogs)
        if told.system is None or told.catalog is None:
            raise InputError(told.faults)
        tell(("done", WORKS[asked.what](asked, told.system, told.catalog, progress)))
    except NoPlanError as error:
        tell(("failed", "; ".join(error.reasons)))
    except (OptimizerError, OSError) as error:
        tell(("failed", str(error)))
    except KeyboardInterrupt:
        tell(("failed", "It was stopped before anything was found."))
    except MemoryError:
        tell(("failed", "There is not enough memory for this."))


def _plan(asked: Asked, system: System, catalog: Catalog, progress: Progress) -> Planned:
    from optimizer import pipeline

    solver = asked.chosen("solver", SOLVERS)
    found = pipeline.search(system, catalog, solver=solver, time_limit_s=asked.time_limit_s, progress=progress)
    spares = asked.options.get("spares") != "no"
    return Planned(found, pipeline.report(system, found, catalog, spares=spares) if found.found else None)


def _most(asked: Asked, system: System, catalog: Catalog, progress: Progress) -> Planned:
    from optimizer import pipeline

    best = pipeline.most_flow(system, catalog, time_limit_s=asked.time_limit_s, progress=progress)
    return Planned(best.plan, pipeline.report(best.system, best.plan, catalog) if best.plan.found else None)


def _frontier(asked: Asked, system: System, catalog: Catalog, progress: Progress) -> Frontier:
    from optimizer import pipeline

    budget, step = system.rules.budget_cents, min(asked.percent("step", 0.01), 0.5)
    if asked.options.get("step") == "0":
        step = 0.0
    return pipeline.frontier(
        system, catalog, least_gain=step, budget_cents=budget, time_limit_s=asked.time_limit_s, progress=progress
    )


def _compare(asked: Asked, system: System, catalog: Catalog, progress: Progress) -> object:
    from optimizer import pipeline

    return pipeline.kinds_of_plan(system, catalog, time_limit_s=asked.time_limit_s, progress=progress)


def _explain(asked: Asked, system: System, catalog: Catalog, progress: Progress) -> object:
    from optimizer import pipeline

    return pipeline.explain(system, catalog, time_limit_s=asked.time_limit_s, progress=progress)


def _point(asked: Asked, system: System, catalog: Catalog, progress: Progress) -> Planned:
    """Return one plan of a frontier, checked and priced against what of the targets it gives."""
    from optimizer import pipeline
    from optimizer.choices.scaled import scaled

    point = asked.point
    assert point is not None, "a point of a frontier was asked for without it"
    over = system.rules.budget_cents is not None and (point.plan.cost_cents or 0) > system.rules.budget_cents
    promised = system.rules.margin > 0.0 or system.rules.certainty > 0.0
    free = system.with_budget(None) if over else system
    free = free.with_promise(0.0, 0.0) if promised else free
    wanted = free if point.meets_targets else scaled(free, point.reach * (1.0 - 1e-6))
    return Planned(point.plan, pipeline.report(wanted, point.plan, catalog))


def _workbook(asked: Asked, system: System, catalog: Catalog, progress: Progress) -> dict[str, bytes]:
    from optimizer.documents import papers

    report = _report(asked)
    return {"plan.xlsx": papers.workbook(report, catalog), "order.csv": papers.store_rows(report)}


def _card(asked: Asked, system: System, catalog: Catalog, progress: Progress) -> dict[str, bytes]:
    from optimizer.documents import papers

    planned = asked.report
    whose = system if planned is None else planned.system
    page, book = papers.card(whose, planned, clog=asked.percent("clog", 0.5), scatter=asked.percent("scatter", 0.05))
    return {"card.html": page, "card.xlsx": book}


def _page(asked: Asked, system: System, catalog: Catalog, progress: Progress) -> dict[str, bytes]:
    """Return the report and all pictures of a plan, which both show what more money would buy."""
    from optimizer import pipeline
    from optimizer.documents import papers

    report = _report(asked)
    curve = papers.curve(system, catalog, report, asked.time_limit_s, progress)
    paper = asked.chosen("paper", PAPER)
    page = papers.page(pipeline.with_nearest(report, catalog), catalog, curve, paper)
    drawn = papers.pictures(report, catalog, curve)
    return {"report.html": page} | {f"{one.name}.svg": one.svg.encode() for one in drawn}


def _quote(asked: Asked, system: System, catalog: Catalog, progress: Progress) -> object:
    """Return the plan at a store's prices: what was quoted, and the cheapest plan at those prices."""
    from tempfile import TemporaryDirectory

    from optimizer import pipeline

    report = _report(asked)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "quote.xlsx"
        path.write_bytes(asked.quote)
        try:
            quote = pipeline.read_quote(path, report, catalog)
        except InputError as error:
            raise OptimizerError(str(error).replace(f"{folder}{os.sep}", "")) from error
    return quote, pipeline.requote(report, quote, catalog), report.bill


def _meters(asked: Asked, system: System, catalog: Catalog, progress: Progress) -> object:
    """Return every line with a flow meter and the run that wants one, with the bucket to check it with [m³]."""
    from optimizer import pipeline
    from optimizer.units import US, parse_volume

    words = asked.options.get("bucket", "").strip() or ("2.5 gal" if system.units == US else "10 L")
    bucket_m3 = parse_volume(words, system.units)
    if not bucket_m3 > 0.0:
        raise OptimizerError("found a bucket that holds nothing; allowed: a volume above 0, such as 2.5 gal or 10 L")
    wanted = tuple(name for name in system.network.runs if name == asked.options.get("run"))
    lines = pipeline.metered_lines(system, catalog, pipeline.settings_card(system), wanted)
    return lines, bucket_m3, bool(asked.options.get("all"))


def _stores(asked: Asked, system: System, catalog: Catalog, progress: Progress) -> object:
    """Return where to buy each line at two of the price lists of the folder."""
    from optimizer import pipeline
    from optimizer.model.seller import Seller

    names = [asked.options.get(f"store {number}", "") for number in (1, 2)]
    paths = [next((path for path in asked.lists if path.name == name), None) for name in names]
    if paths[0] is None or paths[1] is None or paths[0] == paths[1]:
        raise OptimizerError("found no two price lists; allowed: two different ones of the folder of the file")
    shelves = [_shelf(asked, path) for path in paths if path is not None]
    sellers = [
        Seller(Path(name).stem, _cents(asked, f"minimum order {number}"), _cents(asked, f"delivery {number}"))
        for number, name in enumerate(names, start=1)
    ]
    return pipeline.shop(system, shelves, sellers, time_limit_s=asked.time_limit_s)


def _shelf(asked: Asked, prices: Path) -> Catalog:
    """Return the catalogs with a store's price list over them."""
    from optimizer.edits.outcome import outcome
    from optimizer.edits.saving import text_of

    told = outcome(text_of(asked.content), asked.path, (*asked.catalogs, prices))
    if told.catalog is None:
        raise InputError(told.faults)
    return told.catalog


def _cents(asked: Asked, field_name: str) -> int:
    words = asked.options.get(field_name, "").strip() or "0"
    if not re.fullmatch(r"\d{1,6}(?:\.\d\d?)?", words):
        raise OptimizerError(f"found '{words[:20]}'; allowed: an amount, such as 40 or 12.50")
    return round(100 * float(words))


def _vary(asked: Asked, system: System, catalog: Catalog, progress: Progress) -> Varied:
    """Return what came of every row of a table of variants; where it is stopped, of those that were done by then."""
    from optimizer.edits.saving import text_of
    from optimizer.many import listing, results, variants
    from optimizer.many.answer import Job, Row, answer
    from optimizer.web.varying import FIELDS, KINDS, Varied, chart_of

    found = variants.variants_of(asked.table, "the table")
    kind = asked.chosen("kind", [name for name, _ in KINDS]) or "plan"
    like = Job("", None, kind, listing.lists_of(asked.catalogs), asked.time_limit_s)
    rows: list[Row] = []

    def so_far(stage: str = "", best: int | None = None, bound: int | None = None) -> None:
        told = f"{len(rows):,} of {len(found.names):,} rows done"
        progress(f"{told}, {stage}" if stage else told, None, None)

    try:
        jobs = variants.jobs(asked.path, text_of(asked.content), found, like)
        for name, job in zip(found.names, jobs, strict=True):
            so_far()
            row = answer(job, so_far).row
            so_far()  # a row that was stopped is none
            rows.append(replace(row, name=name))
    except KeyboardInterrupt:
        if not rows:
            raise
    told = tuple(rows)
    cells = found.cells[: len(rows)]
    before = {head: [row[place] for row in cells] for place, head in enumerate(found.columns)}
    files = {f"variants{one}": b"".join(results.pieces(told, one, before)) for one in (".csv", ".xlsx")}
    title = asked.path.stem
    if alone := chart_of(found, told, title, alone=True):
        files["variants.svg"] = alone.encode()
    typed = {name: asked.options.get(name, "") for name in FIELDS}
    svg = chart_of(found, told, title, alone=False)
    return Varied(found.columns, cells, told, len(found.names), typed, svg, files)


def _report(asked: Asked) -> PlanReport:
    if asked.report is None:
        raise OptimizerError("There is no plan yet; search for one first.")
    return asked.report


_AFTER_THE_PAGE = 5
PAPER = ("letter", "A4")
SOLVERS = ("GSCIP", "HIGHS", "CP_SAT")
Work = Callable[[Asked, "System", "Catalog", "Progress"], Any]
WORKS: dict[str, Work] = {
    "plan": _plan,
    "most": _most,
    "frontier": _frontier,
    "compare": _compare,
    "explain": _explain,
    "point": _point,
    "workbook": _workbook,
    "card": _card,
    "page": _page,
    "quote": _quote,
    "meters": _meters,
    "stores": _stores,
    "vary": _vary,
}
