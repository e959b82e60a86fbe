"""What the commands print of a plan, and why there is none, as headings, sentences and tables."""

from __future__ import annotations

import textwrap

from optimizer.documents.balance_text import plan_balance_blocks
from optimizer.documents.floor_text import floor_blocks, is_told, short_range
from optimizer.documents.flows_text import flow_or_dash, note_lines
from optimizer.documents.note_words import all_notes
from optimizer.documents.safety_text import safety_blocks, today_blocks
from optimizer.documents.status_words import chance_words, spares_words, status_words, verdict_words
from optimizer.documents.tables import Block, Heading, table
from optimizer.documents.targets import demanded_words
from optimizer.documents.words import flow_span, gain_span, part_place, pump_setting, steps_of
from optimizer.errors import DocumentError
from optimizer.model.network import Pump
from optimizer.model.note import Note
from optimizer.model.outcome import PlanReport
from optimizer.model.plan import DemandCheck, Plan
from optimizer.model.system import System
from optimizer.wording.amounts import money
from optimizer.wording.notes import notes_words

_LINE = 90  # signs of a step on one line


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
        *today_blocks(report.verification.safety, report.system.units),
        Heading(f"Plan: {report.system.name}"),
        f"Parts cost {money(bill.total_cents, bill.currency)}. {status_words(plan)}",
        *chance_words(report.chance),
        *spares_words(bill),
        verdict_words(report.verification),
        _demand_table(report),
        *(words for words in (unconnected_words(report),) if words),
        Heading("What changes"),
        _change_table(report) if changes(plan) else _without_parts(report),
        *_settings(report),
        *_buy(report),
        *safety_blocks(report.verification.safety, report.system.units),
        *plan_balance_blocks(report),
        *floor_blocks(report),
    ]
    return blocks + note_lines(all_notes(report))


def _without_parts(report: PlanReport) -> str:
    runs, valves = report.system.network.runs, report.verification.valves or ()
    turned = any(abs(one.opening - runs[one.run].parts[one.part_index].opening) > 1e-3 for one in valves)
    if turned or any(before != after for _, before, after in pump_changes(report)):
        return "No parts and no cuts: only settings change."
    return "Nothing: what stands meets every target as it is set."


def no_plan_blocks(system: System, plan: Plan) -> list[Block]:
    """Return why there is no plan, what blocks it and what would make it possible, as the search found them."""
    reasons, notes = (notes_words(each, system.units) for each in (plan.reasons, plan.notes))
    return [Heading(f"No plan: {system.name}"), status_words(plan), *reasons, *note_lines(notes)]


def require_passed(report: PlanReport) -> None:
    """Raise when the plan did not stand its check as a network of its own."""
    if not report.verification.passed:
        why = "; ".join(notes_words(report.verification.failures, report.system.units)) or "a target is missed"
        raise DocumentError(f"this plan failed its check and is not written: {why}")


def changes(plan: Plan) -> list[tuple[str, tuple[Note, ...], int]]:
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


def unconnected_words(report: PlanReport) -> str:
    """Return which of the targets' lines are not connected yet, and what their flow now means; else nothing."""
    names = dict.fromkeys(run for check in report.verification.demands for run in check.unconnected)
    if not names:
        return ""
    return f"Not connected yet: {', '.join(names)}. The flow now is what would run if the ends met."


def first_setting_words(system: System) -> str:
    """Return which setting is meant where one only is shown; nothing where there are not several."""
    if len(system.settings) < 2:
        return ""
    return f"Where only one mode is shown, it is '{system.settings[0].name}', the first in the file."


def speed_before(report: PlanReport, pump: Pump, speed: float | None) -> str:
    """Return what the dial of a pump's place showed before the work; a dash where none stood."""
    stood = report.system.network.pumps.get(pump.name)
    return "–" if stood is None else pump_setting(stood, speed)


def _demand_table(report: PlanReport) -> Block:
    """Return the flow of every demand; with bands, between what it and its gain lie, valves left as set."""
    units, band, gains = report.system.units, report.band, report.gains
    rows = []
    for check in report.verification.demands:
        sure = () if band is None else (flow_span(*band[check.run], units) if check.run in band else "",)
        gain = () if gains is None else (gain_span(*gains[check.run], units) if check.run in gains else "",)
        wanted = demanded_words(check, units)
        now, after, wide_open = demand_words(check, units)
        rows.append((check.run, wanted, now, after, *sure, *gain, wide_open))
    told = (*(["80 % range"] if band is not None else []), *(["gain, 80 % range"] if gains is not None else []))
    titles = ("run", "target", "now", "after", *told, "after, all valves open")
    return table(titles, rows, right=range(2, len(titles)))


def demand_words(check: DemandCheck, units: str) -> tuple[str, str, str]:
    """Return what a demand gets now, after, and with all valves open, as far as each is known."""
    now, after, wide_open = (
        doubt.words("", flow_or_dash(flow_m3_s, units))
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
