"""The process that searches: what is asked → progress as it goes, then the result, through a pipe.

It is a process of its own so that the page stays quick while it works, and so that it can be ended at once. It ends by
itself when the page's program has gone.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing import parent_process
from multiprocessing.connection import Connection, wait
from multiprocessing.synchronize import Event
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.errors import InputError, NoPlanError, OptimizerError

if TYPE_CHECKING:
    from optimizer.model.catalog import Catalog
    from optimizer.model.outcome import PlanReport
    from optimizer.model.plan import Plan
    from optimizer.model.system import System
    from optimizer.search.flow_search import Progress
    from optimizer.search.studies.frontier import Frontier, FrontierPlan


@dataclass(frozen=True)
class Asked:
    """What a process is to do: `what` is a key of `WORKS`; the rest is what it needs for that.

    `content` is what the file would hold at `path`; `report` is the plan that papers are asked of, `point` one plan of
    the frontier, `quote` a store's workbook, `studied` a frontier that was worked out already.
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


@dataclass(frozen=True)
class Planned:
    """How a search ended: with a report, or with the plan that says why there is none."""

    plan: Plan
    report: PlanReport | None


def run(asked: Asked, told: Connection, stop: Event) -> None:
    """Be the process: do what is asked, deaf to Ctrl-C, which is for the page's program, that then ends this one."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
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


def _end_with_parent() -> None:
    """End this process when the one that started it is gone: a daemon outlives one that was killed."""
    parent = parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)


def _plan(asked: Asked, system: System, catalog: Catalog, progress: Progress) -> Planned:
    from optimizer import pipeline

    found = pipeline.search(system, catalog, time_limit_s=asked.time_limit_s, progress=progress)
    return Planned(found, pipeline.report(system, found, catalog) if found.found else None)


def _most(asked: Asked, system: System, catalog: Catalog, progress: Progress) -> Planned:
    from optimizer import pipeline

    best = pipeline.most_flow(system, catalog, time_limit_s=asked.time_limit_s, progress=progress)
    return Planned(best.plan, pipeline.report(best.system, best.plan, catalog) if best.plan.found else None)


def _frontier(asked: Asked, system: System, catalog: Catalog, progress: Progress) -> Frontier:
    from optimizer import pipeline

    budget = system.rules.budget_cents
    return pipeline.frontier(system, catalog, budget_cents=budget, time_limit_s=asked.time_limit_s, progress=progress)


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
    page, book = papers.card(system if planned is None else planned.system, planned)
    return {"card.html": page, "card.xlsx": book}


def _page(asked: Asked, system: System, catalog: Catalog, progress: Progress) -> dict[str, bytes]:
    """Return the report and all pictures of a plan, which both show what more money would buy."""
    from optimizer import pipeline
    from optimizer.documents import papers

    report = _report(asked)
    curve = papers.curve(system, catalog, report, asked.time_limit_s, progress)
    page = papers.page(pipeline.with_nearest(report, catalog), catalog, curve)
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


def _report(asked: Asked) -> PlanReport:
    if asked.report is None:
        raise OptimizerError("There is no plan yet; search for one first.")
    return asked.report


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
}
