"""One system's bytes → one row of results, and its papers where they are asked for: what a worker does.

All that it needs comes with the job, so that a worker on another machine gives the same bytes as one on this machine.
"""

from __future__ import annotations

import json
import math
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.errors import CheckError, Fault, InputError, OptimizerError, SolverError, visible

if TYPE_CHECKING:
    from optimizer.model.catalog import Catalog
    from optimizer.model.doubt import Doubt
    from optimizer.model.money import Money
    from optimizer.model.outcome import PlanReport
    from optimizer.model.plan import Plan
    from optimizer.model.system import System
    from optimizer.search.flow_search import Progress

Lists = tuple[tuple[str, bytes, bytes], ...]  # catalog files and price lists: name, bytes, those of its sources.toml

BAD_INPUT, DEFECT, SET_ASIDE, NO_ANSWER, READ, SOLVED = (
    "input error", "defect", "set aside", "no answer", "read", "solved",
)  # fmt: skip
MOST_WORDS = 500  # signs of an error that are kept


@dataclass(frozen=True, slots=True)
class Job:
    """What is asked of one system; `content` is its file's bytes, None where it can not be read: `fault` says why."""

    name: str
    content: bytes | None
    what: str
    lists: Lists = ()
    time_limit_s: float = 60.0
    papers: bool = False
    fault: str = ""
    key: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """What came of one system. Money in whole cents, flows in m³/s, shares from 0; None where it does not apply.

    `status` is how a search ended ("optimal", "feasible", "infeasible", "none found"), "solved" or "read" where there
    was none to do, else what went wrong. `counted_cents` is what the proof counts and no plan comes to less than
    `bound_cents` of: the parts list, or what is used of it, with work and electricity where they have a price.
    `gap_cents` is how much less another plan might cost by its list: where only what is used is proved the least, such
    a plan is "feasible". `targets` is a JSON list of every target before and after, with `before_is` or `after_is`
    where the end of a pump's curve leaves a flow open. `share_before` and `share_after` are the least share of a
    minimum flow that is reached, at most 1. `safety` is the gravest verdict.
    `shipped_cents` is what the cheapest plan costs at the shipped prices, where prices were asked about.
    """

    name: str
    status: str
    cost_cents: int | None = None
    counted_cents: int | None = None
    bound_cents: int | None = None
    gap_cents: int | None = None
    currency: str = ""
    share_before: float | None = None
    share_after: float | None = None
    targets: str = "[]"
    chance: float | None = None
    safety: str = ""
    unsafe: str = ""
    shipped_cents: int | None = None
    reason: str = ""
    error: str = ""
    errors: int = 0


@dataclass(frozen=True, slots=True)
class Answered:
    """A row, with the bytes of its papers by file name."""

    key: str
    row: Row
    papers: dict[str, bytes] = field(default_factory=dict)


def answer(job: Job, progress: Progress | None = None) -> Answered:
    """Return what came of a job; whatever a file can bring about becomes a row, never an exception.

    `progress` is told how far its search is.
    """
    try:
        return _answer(job, progress)
    except InputError as error:
        return Answered(job.key, _bad(job, str(error.faults[0]), len(error.faults)))
    except (CheckError, SolverError) as error:
        return Answered(job.key, replace(_bad(job, str(error)), status=NO_ANSWER))
    except OptimizerError as error:
        return Answered(job.key, _bad(job, str(error)))
    except MemoryError:
        return Answered(job.key, replace(_bad(job, "there is not enough memory for this"), status=NO_ANSWER))
    except Exception as error:  # a defect must not take the other systems with it, nor pass for an answer
        return Answered(job.key, replace(_bad(job, f"{type(error).__name__}: {error}"), status=DEFECT))


def set_aside(job: Job, times: int) -> Answered:
    """Return the row of a system whose worker ended each time without a word."""
    words = f"its worker ended {times} times without an answer; try this system alone"
    return Answered(job.key, replace(_bad(job, words), status=SET_ASIDE))


def _bad(job: Job, words: str, errors: int = 1) -> Row:
    return Row(job.name, BAD_INPUT, error=visible(" ".join(words.split()))[:MOST_WORDS], errors=errors)


def _answer(job: Job, progress: Progress | None) -> Answered:
    from optimizer import pipeline

    if job.content is None:
        raise InputError([Fault(job.name, job.fault, "a system file that can be read")])
    system, catalog = _read(job, job.lists)
    row = Row(job.name, READ, currency=catalog.currency)
    if job.what == "check":
        return Answered(job.key, row)
    if job.what == "flow":
        return Answered(job.key, _flows(row, system))
    found = pipeline.search(system, catalog, time_limit_s=job.time_limit_s, ways_out=False, progress=progress)
    row = _ended(row, system, found)
    if job.what == "price":
        row = replace(row, shipped_cents=_shipped_cents(job))
    if not found.found:
        return Answered(job.key, row)
    report = pipeline.report(system, found, catalog)
    row = replace(_told(_ended(row, system, report.plan), report), cost_cents=report.bill.total_cents)
    return Answered(job.key, row, _papers(system, report, catalog) if job.papers else {})


def _read(job: Job, lists: Lists) -> tuple[System, Catalog]:
    from optimizer.read.money import money_of
    from optimizer.read.systems import load_system

    path = Path(job.name)
    catalog = _catalog(lists, money_of(path, job.content))
    return load_system(path, catalog, job.content), catalog


@lru_cache(maxsize=4)
def _catalog(lists: Lists, money: Money | None) -> Catalog:
    """Return the shipped catalogs with these lists over them, read once by a worker for all that count money alike."""
    from optimizer.read.catalogs import load_catalog

    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for place, (name, content, sources) in enumerate(lists):
            within = Path(folder) / str(place)
            within.mkdir()
            (within / name).write_bytes(content)
            if sources:
                (within / "sources.toml").write_bytes(sources)
            paths.append(within / name)
        try:
            return load_catalog(paths, money)
        except InputError as error:
            faults = [replace(fault, place=_within(fault.place, paths)) for fault in error.faults]
            raise InputError(faults) from error


def _within(place: str, paths: Iterable[Path]) -> str:
    """Return a place in a list by the list's own name, not by where a worker has put it."""
    for path in paths:
        place = place.replace(str(path), path.name)
    return place


def _flows(row: Row, system: System) -> Row:
    """Return a row with what every target gets as the plumbing stands, in every mode."""
    from optimizer import pipeline

    told: list[dict[str, Any]] = []
    for mode, at in system.ways_to_run:
        solution = pipeline.flows(at)
        flows = solution.flows_m3_s
        told += [
            {
                "run": f"{target.run}, {mode}" if mode else target.run,
                "low_m3_s": target.low_m3_s,
                "high_m3_s": target.high_m3_s,
                "before_m3_s": sum(flows[run] for run in target.summed),
                **_known("before", solution.doubt.sums(dict.fromkeys(target.summed, 1.0))),
            }
            for target in at.targets
            if target.share is None
        ]
    return replace(row, status=SOLVED, share_before=_share(told, "before"), targets=_json(told))


def _ended(row: Row, system: System, found: Plan) -> Row:
    """Return a row with how a search ended."""
    from optimizer.model.plan import Status
    from optimizer.wording.notes import notes_words

    reasons = notes_words(found.reasons, system.units)
    open_by_list = found.status is Status.OPTIMAL and bool(found.list_gap_cents)
    return replace(
        row,
        status=(Status.FEASIBLE if open_by_list else found.status).value,
        cost_cents=found.cost_cents,
        counted_cents=found.material_cents,
        bound_cents=found.bound_cents,
        gap_cents=found.list_gap_cents,
        currency=found.currency,
        reason=visible("; ".join(reasons))[:MOST_WORDS] if not found.found else "",
    )


def _told(row: Row, report: PlanReport) -> Row:
    """Return a row with every target before and after, the chance and what was checked."""
    from optimizer.model.safety import Verdict, worst

    told: list[dict[str, Any]] = [
        {
            "run": one.run,
            "low_m3_s": one.low_m3_s,
            "high_m3_s": one.high_m3_s,
            "before_m3_s": one.before_m3_s,
            **_known("before", one.before_doubt),
            "after_m3_s": one.after_m3_s,
            **_known("after", one.after_doubt),
        }
        for one in report.verification.demands
    ]
    safety = report.verification.safety
    checks = () if safety is None else safety.checks
    unsafe = sorted({str(one.check.value) for one in checks if one.verdict is Verdict.UNSAFE})
    return replace(
        row,
        share_before=_share(told, "before"),
        share_after=_share(told, "after"),
        targets=_json(told),
        chance=None if report.chance is None else report.chance.trimmed,
        safety=worst(one.verdict for one in checks).value if checks else Verdict.UNCHECKED.value,
        unsafe=", ".join(unsafe),
    )


def _known(when: str, doubt: Doubt) -> dict[str, Any]:
    """Return how far a flow is known, where the end of a pump's curve leaves it open; nothing elsewhere."""
    from optimizer.documents.flow_tables import doubt_json

    return {f"{when}_is": word for word in doubt_json(doubt, "").values()}


def _share(told: list[dict[str, Any]], when: str) -> float | None:
    """Return the least share of a minimum flow that is reached, at most 1; None without a minimum.

    None, too, where a flow is not known, but for one that is known to be enough.
    """
    asked = [one for one in told if one["low_m3_s"] > 0.0]
    shares = [min(1.0, max(0.0, one[f"{when}_m3_s"]) / one["low_m3_s"]) for one in asked]
    enough = {None: 0.0, "a least value": 1.0}
    known = all(share >= enough.get(one.get(f"{when}_is"), math.inf) for one, share in zip(asked, shares, strict=True))
    return min(shares) if shares and known else None


def _json(told: list[dict[str, Any]]) -> str:
    """Return targets as text: flows to six figures, the same on every machine."""
    rounded = [
        {key: float(f"{value:.6g}") if isinstance(value, float) else value for key, value in one.items()}
        for one in told
    ]
    return json.dumps(rounded, ensure_ascii=False)


def _shipped_cents(job: Job) -> int | None:
    """Return what the cheapest plan costs at the shipped prices."""
    from optimizer import pipeline

    system, catalog = _read(job, ())
    found = pipeline.search(system, catalog, time_limit_s=job.time_limit_s, ways_out=False)
    return pipeline.report(system, found, catalog).bill.total_cents if found.found else None


def _papers(system: System, report: PlanReport, catalog: Catalog) -> dict[str, bytes]:
    from optimizer.documents import papers

    page, _ = papers.card(system, report)
    return {"plan.xlsx": papers.workbook(report, catalog), "order.csv": papers.store_rows(report), "card.html": page}
