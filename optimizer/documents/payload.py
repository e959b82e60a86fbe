"""Results as plain dictionaries for other programs: SI numbers whose key names their unit, money in whole cents.

A number that is not finite (the loss of a shut valve) becomes None, for JSON knows no other word for it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from optimizer.documents.cautions import CAUTIONS, assumptions
from optimizer.documents.cut_text import cut_json
from optimizer.documents.flow_tables import doubt_json
from optimizer.documents.flows_text import pump_points
from optimizer.documents.note_words import warning_notes
from optimizer.documents.targets import share_json, targets_json
from optimizer.documents.text import changes, pump_changes, require_passed, valve_name
from optimizer.documents.work_words import work_json
from optimizer.model.bill import BillLine
from optimizer.model.note import Note
from optimizer.model.outcome import PlanReport
from optimizer.model.plan import Plan, Status
from optimizer.model.safety import PumpRange, Scenario
from optimizer.model.system import System
from optimizer.wording.notes import note_json, notes_json

if TYPE_CHECKING:
    from optimizer.hydraulics.contradictions import Compared
    from optimizer.hydraulics.losses import PartLoss
    from optimizer.hydraulics.network import NetworkSolution
    from optimizer.takeoff.take_off import TakeOff

Json = dict[str, Any]


def by_mode(system: System, told: Sequence[tuple[str, Json]]) -> Json:
    """Return what is told in every mode, mode by mode; where there are no modes, what is told."""
    if not system.settings:
        return told[0][1]
    return {"system": system.name, "modes": [{"mode": name, **data} for name, data in told]}


def flow_json(
    system: System,
    solution: NetworkSolution,
    band: Mapping[str, tuple[float, float]] | None = None,
    readings: Sequence[Compared] = (),
    notes: Sequence[Note] = (),
) -> Json:
    """Return flows and speeds of every run, heads of every point, and where each pump works.

    With `band`, (low, high) by run in m³/s, also between what each flow lies in 8 of 10 cases; with `readings`, what
    was measured beside what is calculated under the same settings.
    """
    network = system.network
    return {
        "system": system.name,
        "runs": [
            {
                "run": name,
                "flow_m3_s": _number(solution.flows_m3_s.get(name)),
                **doubt_json(solution.doubt, name),
                **_span(band, name),
                "fastest_velocity_m_s": _number(solution.velocities_m_s.get(name)),
            }
            for name in network.runs
        ],
        "targets": targets_json(system.targets),
        "points": [{"point": name, "head_m": _number(head_m)} for name, head_m in solution.heads_m.items()],
        "pumps": [
            {
                "pump": pump.name,
                "speed_share_of_full_rpm": pump.speed,
                "flow_m3_s": _number(flow_m3_s),
                "head_m": None if pump.name in solution.doubt.pumps else _number(head_m),
            }
            for pump, flow_m3_s, head_m in pump_points(network, solution)
        ],
        "readings": [
            {
                "run": one.reading.run,
                "measured_m3_s": one.reading.flow_m3_s,
                "calculated_m3_s": _number(one.calculated_m3_s),
                "calculated_more_by_share": _number(one.off),
                "reading_good_to_share": one.reading.accuracy,
                "contradicts": one.contradicts,
            }
            for one in readings
        ],
        "tanks": _tanks(system, solution.flows_m3_s),
        "warnings": notes_json((*solution.warnings, *notes), system.units),
    }


def _tanks(system: System, flows_m3_s: Mapping[str, float]) -> list[Json]:
    """Return the water of every tank."""
    from optimizer.verify.balance import balances

    return [asdict(one) for one in balances(system, system.network, flows_m3_s)]


def _span(band: Mapping[str, tuple[float, float]] | None, run: str) -> Json:
    if band is None:
        return {}
    low, high = band.get(run, (None, None))
    return {"flow_low_m3_s": _number(low), "flow_high_m3_s": _number(high)}


def losses_json(system: System, rows: Iterable[PartLoss]) -> Json:
    """Return the loss of every part, in the order of the rows."""
    return {
        "system": system.name,
        "losses": [
            {
                "run": row.run,
                "place": row.place,
                "part_index": row.index,
                "point": row.point or None,
                "part": row.words,
                "head_loss_m": _number(row.head_loss_m),
                "share_of_all_lost_power": _number(row.share),
                "flow_gained_without_it_m3_s": _number(row.gained_flow_m3_s),
                "close_coupled": row.close_coupled,
            }
            for row in rows
        ],
    }


def plan_json(report: PlanReport, taken: TakeOff | None = None) -> Json:
    """Return the whole report: the outcome, flows, settings, changes, parts to buy and to take out, cautions.

    With what a plan takes, its cut list and its work are told too: joints with their letters, steps by code and value.

    Raises
    ------
    DocumentError
        When the plan did not stand its check.
    """
    require_passed(report)
    units = report.system.units
    return {
        **_outcome(report.system, report.plan),
        "chance": _chance(report),
        "demands": [_demand(report, place) for place in range(len(report.verification.demands))],
        "flows": _flows(report),
        "pumps": [
            {"pump": pump.name, "speed_before_share_of_full_rpm": before, "speed_after_share_of_full_rpm": after}
            for pump, before, after in pump_changes(report)
        ],
        "pump_ranges": [_range(one) for one in report.ranges],
        "valves": _valves(report),
        "safety": _safety(report),
        "if_something_fails": [_mishap(one, units) for one in report.mishaps],
        "weak_joints": [asdict(one) for one in report.leaks],
        "changes": [
            {"where": where, "steps": notes_json(steps, units), "parts_without_pipe_cents": cents}
            for where, steps, cents in changes(report.plan)
        ],
        **_bill(report),
        **({} if taken is None else {"cuts": cut_json(taken.cuts, units), "work": work_json(taken.work, units)}),
        "warnings": notes_json(warning_notes(report), units),
        "assumptions": [asdict(remark) for remark in assumptions(report)],
        "cautions": [asdict(remark) for remark in CAUTIONS],
    }


def _safety(report: PlanReport) -> list[Json]:
    """Return every safety check with its numbers, today, after the work and at the upper end of the flow."""
    safety = report.verification.safety
    return [
        {
            "check": note_json(one.title, report.system.units),
            "why": note_json(one.why, report.system.units) if one.why else None,
            "quantity": one.quantity,
            "now": _number(one.now),
            "after": _number(one.after),
            "after_at_upper_end": _number(one.high),
            "limit": _number(one.limit),
            "share_to_spare": _number(one.spare),
            "verdict": one.verdict.value,
        }
        for one in (() if safety is None else safety.checks)
    ]


def _chance(report: PlanReport) -> Json | None:
    """Return in what share of all cases the plan does what was asked; None where that was not worked out."""
    chance = report.chance
    if chance is None or chance.as_set is None:
        return None
    return {
        "valves_trimmed": chance.trimmed,
        "valves_left_as_set": chance.as_set,
        "draws": chance.draws,
        "valves_trimmed_at_least": chance.least[0],
        "valves_left_as_set_at_least": chance.least[1],
        "confidence": 0.95,
    }


def no_plan_json(system: System, plan: Plan) -> Json:
    """Return how the search ended and why there is no plan."""
    return _outcome(system, plan)


def _outcome(system: System, plan: Plan) -> Json:
    return {
        "system": system.name,
        "status": plan.status.value,
        "currency": plan.currency,
        "cost_cents": plan.cost_cents,
        "labor_cents": plan.effort_cents,
        "minimum_order_adds_cents": plan.topped_up_cents,
        "electricity_cents": plan.energy_cents,
        "counted_cents": plan.material_cents,
        "bound_cents": plan.bound_cents,
        "gap_cents": plan.gap_cents,
        "list_gap_cents": plan.list_gap_cents,
        "targets": targets_json(system.targets),
        "reasons": notes_json(plan.reasons, system.units),
        "forbidden_by": plan.forbidden.value if plan.status is Status.INFEASIBLE else None,
        "notes": notes_json(plan.notes, system.units),
        "left_out_of_the_proof": notes_json(plan.left_out, system.units),
    }


def _demand(report: PlanReport, place: int) -> Json:
    check = report.verification.demands[place]
    gain = (report.gains or {}).get(check.run, (None, None))
    return {
        "run": check.run,
        "low_m3_s": check.low_m3_s,
        "high_m3_s": check.high_m3_s,
        "share_of_runs": share_json(check.share),
        "before_m3_s": _number(check.before_m3_s),
        "after_m3_s": _number(check.after_m3_s),
        "all_valves_open_m3_s": _number(check.all_open_m3_s),
        "met": check.met,
        "gain_low_m3_s": _number(gain[0]),
        "gain_high_m3_s": _number(gain[1]),
        **{
            f"{word}_is": told["flow_is"]
            for word, doubt in (
                ("before", check.before_doubt),
                ("after", check.after_doubt),
                ("all_valves_open", check.all_open_doubt),
            )
            if (told := doubt_json(doubt, ""))
        },
    }


def _flows(report: PlanReport) -> list[Json]:
    checked, band = report.verification, report.band or {}
    rows = []
    for run in report.system.network.runs:
        low, high = band.get(run, (None, None))
        rows.append(
            {
                "run": run,
                "before_m3_s": _number(report.before_flows_m3_s.get(run)),
                "after_m3_s": _number(checked.flows_m3_s.get(run)),
                **{
                    f"{word}_is": told["flow_is"]
                    for word, doubt in zip(("before", "after"), report.doubts, strict=True)
                    if (told := doubt_json(doubt, run))
                },
                "after_low_m3_s": _number(low),
                "after_high_m3_s": _number(high),
                "fastest_velocity_after_m_s": _number(checked.velocities_m_s.get(run)),
            }
        )
    return rows


def _valves(report: PlanReport) -> list[Json]:
    return [
        {
            "run": valve.run,
            "part_index": valve.part_index,
            "valve": valve_name(report, valve.run, valve.part_index),
            "setting": valve.words,
            "opening_share_of_full": _number(valve.opening),
            "head_loss_m": _number(valve.head_loss_m),
        }
        for valve in report.verification.valves
    ]


def _range(told: PumpRange) -> Json:
    why = {name: note_json(note, "") if (note := getattr(told, name)) else None for name in ("why_low", "why_high")}
    return {**asdict(told), **why}


def _mishap(told: Scenario, units: str) -> Json:
    """Return what may go wrong, with its codes."""
    return {
        "if": note_json(told.title, units),
        "water_m3": told.water_m3,
        "spilled_m3": told.spilled_m3,
        "where": note_json(told.where, units),
        "verdict": told.verdict.value,
        "missing": notes_json(told.missing, units),
    }


def _line(line: BillLine, units: str) -> Json:
    noted = note_json(line.note, units) if line.note else None
    return {**asdict(line), "note": noted, "extended_cents": line.extended_cents}


def _bill(report: PlanReport) -> Json:
    """Return what is bought and what comes out, line by line."""
    bill, units = report.bill, report.system.units
    return {
        "parts": [_line(line, units) for line in bill.lines],
        "total_cents": bill.total_cents,
        "spares": [_line(line, units) for line in bill.spares],
        "spares_cents": bill.spares_cents,
        "taken_out": [{**asdict(line), "why": note_json(line.why, units)} for line in bill.taken_out],
    }


def _number(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
