"""What the chain found → tables with documented columns."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

import pandas as pd

from optimizer import pipeline
from optimizer.wording.notes import note_words

if TYPE_CHECKING:
    from optimizer.model.catalog import Catalog
    from optimizer.model.outcome import PlanReport
    from optimizer.model.system import System
    from optimizer.search.studies.frontier import Frontier

_TEXT, _WORD, _NUMBER, _WHOLE, _YES_NO = "string", "category", "Float64", "Int64", "boolean"

COLUMNS: Mapping[str, Mapping[str, str]] = {
    "flows": {
        "mode": _WORD, "run": _TEXT, "from": _TEXT, "to": _TEXT,
        "flow_m3_s": _NUMBER, "velocity_m_s": _NUMBER,
    },
    "bands": {"mode": _WORD, "run": _TEXT, "low_m3_s": _NUMBER, "high_m3_s": _NUMBER},
    "losses": {
        "mode": _WORD, "run": _TEXT, "place": _WORD, "position": _WHOLE, "part": _TEXT, "kind": _WORD,
        "head_loss_m": _NUMBER, "share_of_all": _NUMBER, "gained_flow_m3_s": _NUMBER, "close_coupled": _YES_NO,
    },
    "targets": {
        "run": _TEXT, "low_m3_s": _NUMBER, "high_m3_s": _NUMBER, "before_m3_s": _NUMBER, "after_m3_s": _NUMBER,
        "met": _YES_NO,
    },
    "parts_list": {
        "item_id": _TEXT, "group": _WORD, "description": _TEXT, "size": _TEXT, "ends": _TEXT, "material": _WORD,
        "standard": _WORD, "quantity": _WHOLE, "unit": _WORD, "unit_price_cents": _WHOLE, "cost_cents": _WHOLE,
        "spare": _YES_NO, "price_date": _TEXT,
    },
    "cut_list": {
        "mark": _TEXT, "run": _TEXT, "position": _WHOLE, "item_id": _TEXT, "description": _TEXT, "cut_m": _NUMBER,
        "shows_m": _NUMBER, "after": _TEXT, "before": _TEXT,
    },
    "joints": {"where": _TEXT, "method": _WORD, "size": _WORD, "joint": _TEXT},
    "frontier": {
        "cost_cents": _WHOLE, "reach": _NUMBER, "total_m3_s": _NUMBER, "works": _NUMBER, "meets_targets": _YES_NO,
        "cuts": _WHOLE, "minutes": _WHOLE,
    },
    "catalog": {
        "item_id": _TEXT, "kind": _WORD, "description": _TEXT, "family": _WORD, "material": _WORD, "ends": _TEXT,
        "bore_m": _NUMBER, "pressure_rating_pa": _NUMBER, "sale_length_m": _NUMBER, "outside_diameter_m": _NUMBER,
        "roughness_m": _NUMBER, "standard": _WORD, "source": _WORD, "basis": _WORD, "own": _YES_NO,
        "price_cents": _WHOLE, "currency": _WORD, "price_date": "datetime64[ns]",
    },
    "safety": {
        "check": _WORD, "what": _TEXT, "quantity": _WORD, "now": _NUMBER, "after": _NUMBER, "limit": _NUMBER,
        "at_upper_end": _NUMBER, "verdict_now": _WORD, "verdict": _WORD, "spare": _NUMBER,
    },
    "leaks": {
        "run": _TEXT, "joint": _TEXT, "method": _WORD, "likelihood": _NUMBER, "pressure_m": _NUMBER, "old": _YES_NO,
    },
    "readings": {"run": _TEXT, "flow_m3_s": _NUMBER, "accuracy": _NUMBER, "settings": _TEXT, "openings": _TEXT},
}  # fmt: skip
"""The columns of every table with their types, in order. m, m3_s (m³/s), m_s, pa: SI units; cents: whole cents."""


def frame(table: str, rows: Iterable[Mapping[str, object]]) -> pd.DataFrame:
    """Return rows as the table of this name, with its columns and types; a number that is none is missing."""
    told = list(rows)
    return pd.DataFrame(
        {name: pd.Series([_cell(row[name]) for row in told], dtype=kind) for name, kind in COLUMNS[table].items()}
    )


def _cell(value: object) -> object:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _told(table: str, source: object, **otherwise: object) -> dict[str, object]:
    """Return a row of a table: what it says of a source under the names of its columns, and what is told otherwise."""
    return {name: getattr(source, name) for name in COLUMNS[table] if name not in otherwise} | otherwise


def flows(system: System) -> pd.DataFrame:
    """Return what flows in every run as the plumbing stands, in every mode: along the run, backwards below 0.

    The columns are those of `COLUMNS["flows"]`; `velocity_m_s` is at the narrowest bore of the run. NetworkError where
    the plumbing has no solution.
    """
    rows = []
    for mode, at in system.ways_to_run:
        solution = pipeline.flows(at)
        rows += [
            {
                "mode": mode,
                "run": name,
                "from": run.start.point,
                "to": run.end.point,
                "flow_m3_s": solution.flows_m3_s[name],
                "velocity_m_s": solution.velocities_m_s[name],
            }
            for name, run in at.network.runs.items()
        ]
    return frame("flows", rows)


def bands(system: System) -> pd.DataFrame:
    """Return between what the flow of every run lies in 8 of 10 cases, in every mode (`COLUMNS["bands"]`)."""
    return frame(
        "bands",
        (
            {"mode": mode, "run": run, "low_m3_s": low, "high_m3_s": high}
            for mode, at in system.ways_to_run
            for run, (low, high) in pipeline.flow_band(at).items()
        ),
    )


def losses(system: System) -> pd.DataFrame:
    """Return what every part loses, in every mode, the largest first (`COLUMNS["losses"]`).

    `position` counts the parts of a run from 1; `place` is "part", "entrance", "exit" or "tee". `share_of_all` is its
    share of all power that is lost, `gained_flow_m3_s` what the run would carry more without it.
    """
    rows = []
    for mode, at in system.ways_to_run:
        for loss in pipeline.losses(at)[1]:
            part = None if loss.index is None else at.network.runs[loss.run].parts[loss.index]
            rows.append(
                {
                    "mode": mode,
                    "run": loss.run,
                    "place": loss.place,
                    "position": None if loss.index is None else loss.index + 1,
                    "part": loss.words,
                    "kind": None if part is None else part.kind.value,
                    "head_loss_m": loss.head_loss_m,
                    "share_of_all": loss.share,
                    "gained_flow_m3_s": loss.gained_flow_m3_s,
                    "close_coupled": loss.close_coupled,
                }
            )
    return frame("losses", rows)


def targets(report: PlanReport) -> pd.DataFrame:
    """Return every target before and after the work of a plan, as its check found it (`COLUMNS["targets"]`)."""
    return frame("targets", (_told("targets", one) for one in report.verification.demands))


def parts_list(report: PlanReport) -> pd.DataFrame:
    """Return what a plan buys, spares last (`COLUMNS["parts_list"]`); `cost_cents` of all but spares is its cost."""
    lines = [*((line, False) for line in report.bill.lines), *((line, True) for line in report.bill.spares)]
    return frame(
        "parts_list",
        (_told("parts_list", line, cost_cents=line.extended_cents, spare=spare) for line, spare in lines),
    )


def cut_list(report: PlanReport, catalog: Catalog) -> pd.DataFrame:
    """Return each piece of pipe to cut, by its mark (`COLUMNS["cut_list"]`); `cut_m` at the saw, `shows_m` in place."""
    return frame(
        "cut_list",
        (
            _told(
                "cut_list",
                piece,
                item_id=piece.item.item_id,
                description=piece.item.description,
                shows_m=piece.face_to_face_m,
            )
            for piece in pipeline.take_off(report, catalog).cuts.pieces
        ),
    )


def joints(report: PlanReport) -> pd.DataFrame:
    """Return every joint that a plan makes, run by run (`COLUMNS["joints"]`)."""
    return frame(
        "joints",
        (_told("joints", joint, joint=joint.words) for run in report.plan.runs.values() for joint in run.joints),
    )


def frontier(found: Frontier) -> pd.DataFrame:
    """Return every plan worth having by rising cost (`COLUMNS["frontier"]`).

    `reach` is the largest multiple of the targets that it holds, `works` the share of cases in which it meets them.
    """
    return frame(
        "frontier",
        (
            _told("frontier", one, cost_cents=one.plan.cost_cents, cuts=one.plan.cuts, minutes=one.plan.minutes)
            for one in found.plans
        ),
    )


def catalog(shelf: Catalog) -> pd.DataFrame:
    """Return every row of a catalog (`COLUMNS["catalog"]`); `own` are those that the owner's files added or priced."""
    return frame(
        "catalog",
        (
            _told(
                "catalog",
                item,
                kind=item.kind.value,
                ends=" x ".join(str(end) for end in item.ends),
                own=item.item_id in shelf.own,
                price_date=pd.Timestamp(item.price_date),
            )
            for item in shelf.items.values()
        ),
    )


def safety(told: System | PlanReport) -> pd.DataFrame:
    """Return what was checked of the plumbing as it stands, or after a plan (`COLUMNS["safety"]`).

    `what` says of which tank or run it is, `quantity` what is compared, in SI units; `spare` is the share of the limit
    to spare.
    """
    from optimizer.model.outcome import PlanReport

    if isinstance(told, PlanReport):
        found, units = told.verification.safety, told.system.units
    else:
        found, units = pipeline.safety(told), told.units
    return frame(
        "safety",
        (
            _told(
                "safety",
                one,
                check=one.check.value,
                what=note_words(one.title, units),
                at_upper_end=one.high,
                verdict_now=one.verdict_now.value,
                verdict=one.verdict.value,
            )
            for one in (() if found is None else found.checks)
        ),
    )


def leaks(report: PlanReport) -> pd.DataFrame:
    """Return the joints by how much water they could let out, the worst first (`COLUMNS["leaks"]`)."""
    return frame("leaks", (_told("leaks", one, joint=one.words) for one in report.leaks))


def readings(system: System) -> pd.DataFrame:
    """Return what was measured (`COLUMNS["readings"]`); `settings` and `openings` as `pump=0.72`, of full."""

    def shares(found: Mapping[str, float]) -> str:
        return ", ".join(f"{name}={share:g}" for name, share in found.items())

    return frame(
        "readings",
        (
            _told("readings", one, settings=shares(one.settings), openings=shares(one.openings))
            for one in system.measured
        ),
    )
