"""What the commands print: flows, losses, a plan, and why there is none, as headings, sentences and tables."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from optimizer.documents.balance_text import balance_blocks, plan_balance_blocks
from optimizer.documents.floor_text import floor_blocks, is_told, short_range
from optimizer.documents.note_words import all_notes
from optimizer.documents.safety_text import safety_blocks, today_blocks
from optimizer.documents.tables import Block, Heading, Lines, table
from optimizer.documents.words import (
    chance_words,
    flow_span,
    flow_words,
    in_mode,
    money,
    part_place,
    percent,
    pump_setting,
    spares_words,
    status_words,
    steps_of,
    target_words,
    verdict_words,
    wanted_words,
)
from optimizer.errors import DocumentError
from optimizer.model.calibration import Measurement
from optimizer.model.network import Network, Pump
from optimizer.model.outcome import PlanReport
from optimizer.model.plan import DemandCheck, Plan
from optimizer.model.system import System, Target
from optimizer.units import show_flow, show_head, show_velocity

if TYPE_CHECKING:  # loaded by whoever solved the network; a plan is told without it
    from optimizer.hydraulics.contradictions import Compared
    from optimizer.hydraulics.losses import PartLoss
    from optimizer.hydraulics.network import NetworkSolution


_LINE = 90  # signs of a step on one line


def flow_blocks(
    system: System,
    solution: NetworkSolution,
    band: Mapping[str, tuple[float, float]] | None = None,
    readings: Sequence[Compared] = (),
    notes: Sequence[str] = (),
) -> list[Block]:
    """Return the flow in every run, what was asked of it, and where each pump works.

    With `band`, (low, high) by run in m³/s, each flow has beside it between what it lies in 8 of 10 cases. `readings`
    that speak against what is calculated are told, with how far they are off.
    """
    blocks: list[Block] = [
        *_unsafe_today(system),
        Heading(f"Flows today: {system.name}"),
        _flow_table(system, solution, band),
    ]
    blocks.append(_pump_table(system, solution))
    blocks += balance_blocks(system, system.network, solution.flows_m3_s)
    return blocks + _warning_lines((*contradictions(system, readings), *solution.warnings, *notes))


def mode_flow_blocks(
    system: System,
    modes: Sequence[tuple[str, System, NetworkSolution, Mapping[str, tuple[float, float]], Sequence[str]]],
    readings: Sequence[Compared] = (),
) -> list[Block]:
    """Return the same for every mode: its name, the system as it is run then, its flows, their band, what to note."""
    blocks = _unsafe_today(system)
    for name, at, solution, band, notes in modes:
        title = in_mode("Flows today", name)
        blocks += [Heading(f"{title}: {system.name}"), _flow_table(at, solution, band), _pump_table(at, solution)]
        blocks += balance_blocks(at, at.network, solution.flows_m3_s, name)
        blocks += _warning_lines((*solution.warnings, *notes))
    return blocks + _warning_lines(contradictions(system, readings))


def contradictions(system: System, readings: Sequence[Compared]) -> list[str]:
    """Return which readings speak against what is calculated, and by how much."""
    told = [
        f"{show_flow(one.reading.flow_m3_s, system.units)} was measured in {one.reading.run!r}{_as_set(one.reading)}; "
        f"calculated is {flow_words(one.calculated_m3_s, system.units)}, {percent(abs(one.off))} "
        f"{'more' if one.off > 0.0 else 'less'}, where the reading is good to {percent(one.reading.accuracy)}"
        for one in readings
        if one.contradicts
    ]
    return [*told, "what was measured counts more: `retrofit calibrate` finds what explains it"] if told else []


def _as_set(reading: Measurement) -> str:
    """Return how dials and valves stood, where the reading says so."""
    dials = [f"{pump} at {percent(setting)}" for pump, setting in reading.settings.items()]
    valves = [f"the valve of {run} {percent(opening)} open" for run, opening in reading.openings.items()]
    return f" with {', '.join((*dials, *valves))}" if dials or valves else ""


def _unsafe_today(system: System) -> list[Block]:
    """Return what is unsafe as it stands; nothing where the file does not tell of tanks and drains."""
    if not system.tanks and not system.drains:
        return []
    from optimizer.verify.safety import safety_today

    return today_blocks(safety_today(system))


def loss_blocks(
    system: System, rows: Sequence[PartLoss], limit: int | None = None, warnings: Iterable[str] = (), mode: str = ""
) -> list[Block]:
    """Return where the head goes, in the order of the rows; with `limit` so many rows, and how many were left out."""
    shown = rows if limit is None else rows[:limit]
    lines = (
        (
            row.run,
            row.words + (" *" if row.close_coupled else ""),
            _head(row.head_loss_m, system.units),
            percent(row.share, 1),
            _gain(row, system.units),
        )
        for row in shown
    )
    titles = ("run", "part", "head lost", "share", "flow gain without this loss")
    blocks: list[Block] = [
        Heading(f"{in_mode('Head losses', mode)}: {system.name}"),
        table(titles, lines, right=(2, 3, 4)),
    ]
    if any(row.close_coupled for row in shown):
        blocks.append(
            "* stands closer than five bores to another fitting: the two may lose 0.7 to 1.3 times what is shown."
        )
    if len(shown) < len(rows):
        blocks.append(f"{len(rows) - len(shown)} smaller losses are not shown.")
    return blocks + _warning_lines(warnings)


def doubt_blocks(solution: NetworkSolution) -> list[Block]:
    """Return the warnings of a solution in which a pump runs to the end of its curve; nothing of any other."""
    return _warning_lines(solution.warnings) if solution.doubt.pumps else []


def plan_blocks(report: PlanReport) -> list[Block]:
    """Return a plan: cost, how sure, flows before and after, what changes, how valves and pumps are set, what to buy.

    Raises
    ------
    DocumentError
        When the plan did not stand its check: such a plan is never printed as one.
    """
    require_passed(report)
    plan, bill = report.plan, report.bill
    blocks: list[Block] = [
        *today_blocks(report.verification.safety),
        Heading(f"Plan: {report.system.name}"),
        f"Parts cost {money(bill.total_cents, bill.currency)}. {status_words(plan)}",
        *chance_words(report.chance),
        *spares_words(bill),
        verdict_words(report.verification),
        _demand_table(report),
        Heading("What changes"),
        _change_table(report) if changes(plan) else "No parts and no cuts: only settings change.",
        *_settings(report),
        *_buy(report),
        *safety_blocks(report.verification.safety, report.system.units),
        *plan_balance_blocks(report),
        *floor_blocks(report),
    ]
    return blocks + _warning_lines(all_notes(report))


def no_plan_blocks(system: System, plan: Plan) -> list[Block]:
    """Return why there is no plan, what blocks it and what would make it possible, as the search found them."""
    return [Heading(f"No plan: {system.name}"), status_words(plan), *plan.reasons, *_warning_lines(plan.notes)]


def require_passed(report: PlanReport) -> None:
    """Raise when the plan did not stand its check as a network of its own."""
    if not report.verification.passed:
        why = "; ".join(report.verification.failures) or "a target is missed"
        raise DocumentError(f"this plan failed its check and is not written: {why}")


def changes(plan: Plan) -> list[tuple[str, tuple[str, ...], int]]:
    """Return (place, what is done in order, cost of its parts but pipe in cents) of every run and tee that changes."""
    found = [(one.run, one.changes, one.parts_cents) for one in plan.runs.values() if one.changes or one.purchases]
    found += [
        (f"tee at {one.point}", one.changes, one.cost_cents)
        for one in plan.tees.values()
        if one.changes or one.purchases
    ]
    return found


def pump_changes(report: PlanReport) -> list[tuple[Pump, float | None, float]]:
    """Return (pump after the work, fraction of full speed before, after), in file order.

    A pump that takes no other one's place had no speed before.
    """
    stood, plan = report.system.network.pumps, report.plan
    pumps = {**stood, **plan.new_pumps}.values()
    return [
        (pump, stood[pump.name].speed if pump.name in stood else None, plan.pump_speeds.get(pump.name, pump.speed))
        for pump in pumps
    ]


def speeds_words(report: PlanReport) -> str:
    """Return the speeds in each of several settings, and which of them single numbers are for; else nothing."""
    settings = report.system.settings
    if len(settings) < 2:
        return ""
    pumps = [pump for pump, _, _ in pump_changes(report)]
    told = (
        f"{setting.name}: "
        + ", ".join(f"{pump.name} {pump_setting(pump, setting.speeds.get(pump.name, pump.speed))}" for pump in pumps)
        for setting in settings
    )
    return f"Speeds by mode: {'; '.join(told)}. {first_setting_words(report.system)}"


def first_setting_words(system: System) -> str:
    """Return which setting is meant where one only is shown; nothing where there are not several."""
    if len(system.settings) < 2:
        return ""
    return f"Where only one mode is shown, it is '{system.settings[0].name}', the first in the file."


def speed_before(report: PlanReport, pump: Pump, speed: float | None) -> str:
    """Return what the dial of a pump's place showed before the work; a dash where none stood."""
    stood = report.system.network.pumps.get(pump.name)
    return "–" if stood is None else pump_setting(stood, speed)


def pump_run(network: Network, pump: str) -> str:
    """Return the name of the run that a pump stands in, or nothing."""
    return next((run.name for run in network.runs.values() for part in run.parts if part.name == pump), "")


def pump_run_after(report: PlanReport, pump: str) -> str:
    """Return the name of the run that a pump stands in after the work, or nothing."""
    planned = (run.run for run in report.plan.runs.values() for part in run.parts if part.name == pump)
    return next(planned, pump_run(report.system.network, pump))


def _flow_table(system: System, solution: NetworkSolution, band: Mapping[str, tuple[float, float]] | None) -> Block:
    units = system.units
    rows = []
    for name in system.network.runs:
        flow_m3_s = solution.flows_m3_s.get(name, math.nan)
        speed = solution.velocities_m_s.get(name, math.nan)
        wanted = target_words(system.targets, name, units)
        sure = () if band is None else (flow_span(*band[name], units) if name in band else "",)
        miss = _miss(flow_m3_s, name, system.targets, units) if solution.doubt.known(name) else ""
        shown = solution.doubt.words(name, _flow(flow_m3_s, units))
        rows.append((name, shown, *sure, wanted, miss, _fast(speed, units)))
    if band is None:
        return table(("run", "flow", "target", "shortfall or excess", "highest velocity"), rows, right=(1, 3, 4))
    titles = ("run", "flow", "80 % range", "target", "shortfall or excess", "highest velocity")
    return table(titles, rows, right=(1, 2, 4, 5))


def pump_points(network: Network, solution: NetworkSolution) -> list[tuple[Pump, float, float]]:
    """Return (pump, flow [m³/s], head [m]) of every pump; not-a-number where a pump stands in no solved run."""
    from optimizer.hydraulics.pumps import pump_head_m

    points = []
    for pump in network.pumps.values():
        flow_m3_s = solution.flows_m3_s.get(pump_run(network, pump.name), math.nan)
        points.append((pump, flow_m3_s, pump_head_m(pump, flow_m3_s) if math.isfinite(flow_m3_s) else math.nan))
    return points


def _pump_table(system: System, solution: NetworkSolution) -> Block:
    rows = [
        (
            pump.name,
            pump_setting(pump),
            solution.doubt.words(pump_run(system.network, pump.name), _flow(flow_m3_s, system.units)),
            "not known" if pump.name in solution.doubt.pumps else _head(head_m, system.units),
        )
        for pump, flow_m3_s, head_m in pump_points(system.network, solution)
    ]
    return table(("pump", "speed", "flow", "head"), rows, right=(1, 2, 3))


def _demand_table(report: PlanReport) -> Block:
    """Return the flow of every demand; with a band, between what each lies while its valve stays where it was set."""
    units, band = report.system.units, report.band
    rows = []
    for check in report.verification.demands:
        sure = () if band is None else (flow_span(*band[check.run], units) if check.run in band else "",)
        wanted = wanted_words(check.low_m3_s, check.high_m3_s, units)
        now, after, wide_open = demand_words(check, units)
        rows.append((check.run, wanted, now, after, *sure, wide_open))
    if band is None:
        return table(("run", "target", "now", "after", "after, all valves open"), rows, right=(2, 3, 4))
    titles = ("run", "target", "now", "after", "80 % range", "after, all valves open")
    return table(titles, rows, right=(2, 3, 4, 5))


def demand_words(check: DemandCheck, units: str) -> tuple[str, str, str]:
    """Return what a demand gets now, after, and with all valves open, as far as each is known."""
    now, after, wide_open = (
        doubt.words("", _flow(flow_m3_s, units))
        for doubt, flow_m3_s in (
            (check.before_doubt, check.before_m3_s),
            (check.after_doubt, check.after_m3_s),
            (check.all_open_doubt, check.all_open_m3_s),
        )
    )
    return now, after, wide_open


def _change_table(report: PlanReport) -> Block:
    """Return one row for each step; the place stands beside its first one."""
    rows = []
    for place, steps, _ in changes(report.plan):
        lines = [line for step in steps_of(steps) for line in textwrap.wrap(step, _LINE, subsequent_indent="    ")]
        rows += [(place if number == 0 else "", line) for number, line in enumerate(lines)]
    return table(("where", "what is done"), rows)


def _settings(report: PlanReport) -> list[Block]:
    ranges = {one.pump: one for one in report.ranges}
    safe = [short_range(pump, ranges.get(pump.name)) for pump, _, _ in pump_changes(report)]
    told = is_told(report) and any(safe)
    speeds = [
        (pump.name, speed_before(report, pump, before), pump_setting(pump, after), *([within] if told else []))
        for (pump, before, after), within in zip(pump_changes(report), safe, strict=True)
    ]
    valves = [
        (setting.run, valve_name(report, setting.run, setting.part_index), setting.words)
        for setting in report.verification.valves
    ]
    if not speeds and not valves:
        return []
    return [
        Heading("Settings"),
        table(("pump", "speed now", "speed after", *(["keep between"] if told else [])), speeds, right=(1, 2, 3)),
        *([words] if (words := speeds_words(report)) else []),
        table(("run", "valve", "setting"), valves),
    ]


def valve_name(report: PlanReport, run: str, index: int) -> str:
    """Return the words for a valve of a planned run, told apart from its like in the same run."""
    return part_place(report.plan.runs[run].parts, index) if run in report.plan.runs else f"part {index + 1}"


def _buy(report: PlanReport) -> list[Block]:
    bill = report.bill
    if not bill.lines:
        return []
    rows = [
        (str(line.quantity), line.unit, line.description, money(line.extended_cents, bill.currency), line.where_used)
        for line in bill.lines
    ]
    rows.append(("", "", "total", money(bill.total_cents, bill.currency), ""))
    return [Heading("To buy"), table(("qty", "unit", "what", "price", "where"), rows, right=(0, 3))]


def _warning_lines(warnings: Iterable[str]) -> list[Block]:
    told = tuple(f"Note: {text}" for text in dict.fromkeys(warnings))
    return [Lines(told)] if told else []


def _miss(flow_m3_s: float, run: str, targets: Sequence[Target], units: str) -> str:
    """Return by how much a flow misses what was asked of its run, signed, or nothing."""
    for target in targets:
        if target.run == run and flow_m3_s < target.low_m3_s:
            return f"-{show_flow(target.low_m3_s - flow_m3_s, units)}"
        if target.run == run and target.high_m3_s is not None and flow_m3_s > target.high_m3_s:
            return f"+{show_flow(flow_m3_s - target.high_m3_s, units)}"
    return ""


def _gain(row: PartLoss, units: str) -> str:
    return f"+{show_flow(row.gained_flow_m3_s, units)}" if math.isfinite(row.gained_flow_m3_s) else "–"


def _flow(flow_m3_s: float, units: str) -> str:
    return flow_words(flow_m3_s, units) if math.isfinite(flow_m3_s) else "–"


def _head(head_m: float, units: str) -> str:
    if math.isinf(head_m):
        return "shut"
    return show_head(head_m, units) if math.isfinite(head_m) else "–"


def _fast(velocity_m_s: float, units: str) -> str:
    return show_velocity(velocity_m_s, units) if math.isfinite(velocity_m_s) else "–"
