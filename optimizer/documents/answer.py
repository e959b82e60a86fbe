"""A plan → the answer in a few lines, worded once for workbook and page: what it costs, takes, changes, risks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from optimizer.documents.cautions import CODES
from optimizer.documents.drawing.frontier_chart import FrontierPoint
from optimizer.documents.floor_text import is_told, probe_words
from optimizer.documents.report_facts import ReportFacts
from optimizer.documents.safety_text import shown, title_of, told_numbers
from optimizer.documents.status_words import chance_words, spares_words, status_words, verdict_words
from optimizer.documents.text import pump_changes, speed_before
from optimizer.documents.words import pump_setting, reached
from optimizer.model.network import Part
from optimizer.model.outcome import Nearest, PlanReport
from optimizer.model.plan import RunPlan
from optimizer.model.safety import SafetyCheck, Verdict
from optimizer.units import show_volume
from optimizer.wording.amounts import cases, money, percent
from optimizer.wording.notes import note_words, notes_words

NOTES_SHOWN = 6  # with the answer; where there are more, all of them stand in the appendix
_LINES = 3  # of what changes
_FURTHER = " Seen by the search, not proven cheapest; `retrofit compare` and `retrofit frontier` look further."


@dataclass(frozen=True, slots=True)
class Answer:
    """What a reader wants to know first, in sentences; `facts` are (name, words) in their order."""

    headline: str
    changes: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]


def answer_of(report: PlanReport, facts: ReportFacts | None = None) -> Answer:
    """Return the answer; with the facts of a page also what less money gives."""
    told = [
        ("Proof", " ".join((status_words(report.plan), *spares_words(report.bill)))),
        ("Chance", " ".join(chance_words(report.chance))),
        ("Work", work_words(report)),
        ("Check", verdict_words(report.verification)),
        ("Safety", safety_words(report)),
        ("If it fails", floor_words(report)),
        ("Alternative", alternative_words(report, facts)),
    ]
    return Answer(headline(report), tuple(change_lines(report)), tuple(one for one in told if one[1]))


def headline(report: PlanReport) -> str:
    """Return the answer in a line: `Parts for $71.42 bring all 7 flows to their targets; today 4 of 7 are there.`"""
    demands, bill = report.verification.demands, report.bill
    spend = f"Parts for {money(bill.total_cents, bill.currency)}" if bill.lines else "New settings alone, no parts,"
    if not demands:
        return f"{spend}: no target was set."
    fine = sum(
        check.before_m3_s >= check.low_m3_s
        and (check.high_m3_s is None or check.before_m3_s <= check.high_m3_s)
        and not check.unconnected
        for check in demands
    )
    if len(demands) == 1:
        return f"{spend} bring the flow to its target{'; it is there today' if fine else ''}."
    met = sum(check.met for check in demands)
    share = f"all {met}" if met == len(demands) else f"{met} of {len(demands)}"
    return f"{spend} bring {share} flows to their targets. Today {fine} of {len(demands)} are on target."


def work_words(report: PlanReport) -> str:
    """Return saw cuts in pipe that stands, and hours: `2 saw cuts, about 1 h 20 min with everything at hand.`"""
    plan = report.plan
    if not plan.minutes:
        return "" if plan.cuts else "No saw cut and no new joint: set the pump and the valves."
    cuts = {0: "No saw cut", 1: "1 saw cut"}.get(plan.cuts, f"{plan.cuts} saw cuts")
    hours, minutes = divmod(5 * -(-plan.minutes // 5), 60)
    time = f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"
    glued = any(joint.method in ("cement", "stub") for one in plan.runs.values() for joint in one.joints)
    rest = "draining, dry-fit and cure" if glued else "draining and dry-fit"
    return f"{cuts} in pipe that stays, about {time} of work at the joints; add {rest}."


def change_lines(report: PlanReport) -> Iterator[str]:
    """Yield what changes in three lines at most: the runs that cost most, then all settings."""
    changed = [one for one in report.plan.runs.values() if one.purchases or one.removed or one.joints]
    changed.sort(key=lambda one: -one.cost_cents)
    tees = [one.point for one in report.plan.tees.values() if one.purchases or one.removed]
    settings = _settings_words(report)
    room = _LINES - bool(settings)
    shown = changed if len(changed) + bool(tees) <= room else changed[: room - 1]
    for run in shown:
        yield f"{run.run}: {_run_words(run)}."
    rest = [run.run for run in changed[len(shown) :]] + [f"tee at {point}" for point in tees]
    if rest:
        yield f"Also changed: {', '.join(rest)}."
    if settings:
        yield settings


def _run_words(run: RunPlan) -> str:
    new = Counter(_short(part) for part in run.parts if not part.existing)
    told = [name if count == 1 else f"{name} ({count})" for name, count in new.items()]
    out = len([part for part in run.removed if part.ends])
    if not told:
        return f"remove {_count(out, 'part')}" if out else "; ".join(notes_words(run.changes, ""))
    return f"replace {_count(out, 'part')} by {', '.join(told)}" if out else f"add {', '.join(told)}"


def _short(part: Part) -> str:
    """Return a part without its ends and its material: `1-1/2 in. pipe`, `3/4 in. union`."""
    if part.item is None:
        return part.words
    return part.item.description.split(",")[0].replace(f"{part.item.family} ", "")


def _settings_words(report: PlanReport) -> str:
    pumps = [
        f"pump {pump.name} to {pump_setting(pump, after)} (now {speed_before(report, pump, before)})"
        for pump, before, after in pump_changes(report)
        if before is None or abs(after - before) > 1e-9
    ]
    valves = len(report.verification.valves)
    told = [*pumps, *([_count(valves, "valve")] if valves else [])]
    return f"Set {' and '.join(told)} as the card says." if told else ""


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'s' if number != 1 else ''}"


def safety_words(report: PlanReport) -> str:
    """Return in a line whether it is safe, what is close to its limit, and what could not be checked."""
    safety = report.verification.safety
    if safety is None or not safety.checks:
        return "Not checked: the file does not describe tanks and drains."
    judged = [check for check in safety.checks if check.why]
    safe = [check for check in judged if check.verdict in (Verdict.SAFE, Verdict.CLOSE)]
    told = [f"{_count(len(safe), 'check')} passed" if len(safe) < len(judged) else f"All {len(safe)} checks passed"]
    unchecked = len([check for check in judged if check.verdict is Verdict.UNCHECKED])
    if unchecked:
        told.append(f"{unchecked} not checked for want of numbers in the file (see the appendix)")
    unsafe = [check for check in judged if check.verdict is Verdict.UNSAFE]
    if unsafe:
        told.append(f"NOT SAFE, as today: {'; '.join(title_of(check) for check in unsafe)}")
    close = [_close_words(check, report.system.units) for check in sorted(safe, key=_share, reverse=True)]
    near = [words for words, check in zip(close, sorted(safe, key=_share, reverse=True), strict=True) if _near(check)]
    if near:
        told.append(f"close to its limit: {'; '.join(near)}")
    told += [_second_words(check, report.system.units) for check in safe if check.needs_two]
    return f"{'; '.join(told)}. {CODES}"


def floor_words(report: PlanReport) -> str:
    """Return the worst that a joint, a drain or the power can do to the floor; nothing where it is not known."""
    known = [one for one in report.mishaps if one.spilled_m3] if is_told(report) else []
    if not known:
        return ""
    worst = max(known, key=lambda one: one.spilled_m3 or 0.0)
    spilled = show_volume(worst.spilled_m3 or 0.0, report.system.units)
    leaks = [one for one in report.leaks if one.water_m3 is not None]
    what = note_words(worst.title, report.system.units)
    return f"At the worst {spilled} on the floor, if {what}. {probe_words(leaks)}".strip()


def _share(check: SafetyCheck) -> float:
    return 0.0 if check.spare is None else 1.0 - check.spare


def _near(check: SafetyCheck) -> bool:
    return check.verdict is Verdict.CLOSE and not check.needs_two


def _second_words(check: SafetyCheck, units: str) -> str:
    after, limit = told_numbers(check, units)[1], shown(check, check.limit, units)
    return f"not safe once a second thing fails: {title_of(check)}, {after} of {limit}"


def _close_words(check: SafetyCheck, units: str) -> str:
    after, limit = told_numbers(check, units)[1], shown(check, check.limit, units)
    return f"{title_of(check)}, {after} of {limit} ({percent(_share(check))} at the upper end of the flow)"


def alternative_words(report: PlanReport, facts: ReportFacts | None = None) -> str:
    """Return the plans next to this one by cost: less where cost against flow was worked out, more where at hand."""
    less, more = _beside(facts)
    told = [_gives_words(point, report) for point in less[-1:]]
    told += [_nearest_words(one, report) for one in report.nearest]
    if not report.nearest:
        told += [_gives_words(point, report) for point in more[:1]]
    return f"{'; '.join(told)}.{_FURTHER if report.nearest else ''}" if told else ""


def _beside(facts: ReportFacts | None) -> tuple[list[FrontierPoint], list[FrontierPoint]]:
    """Return the points of the frontier below and above the plan, by rising cost."""
    own = None if facts is None else facts.chosen
    if facts is None or own is None or own.reach is None:
        return [], []
    points = [point for point in facts.frontier if point.reach is not None]
    less = [point for point in points if point.cost_cents < own.cost_cents]
    return less, [p for p in points if p.cost_cents > own.cost_cents and (p.reach or 0.0) > own.reach]


def _gives_words(point: FrontierPoint, report: PlanReport) -> str:
    cost = money(point.cost_cents, report.bill.currency)
    return f"{cost} in parts gives {reached(point.reach or 0.0)} of the target flows"


def _nearest_words(nearest: Nearest, report: PlanReport) -> str:
    """Return what the next plan by cost gives for its money: `$77.39 in parts ($5.97 more) works in 7 of 10 cases`."""
    more = money(nearest.cost_cents - report.bill.total_cents, report.bill.currency)
    cost = money(nearest.cost_cents, report.bill.currency)
    gives = "gives more flow than asked" if nearest.works is None else f"works in {cases(nearest.works)}"
    cuts = "" if nearest.cuts == report.plan.cuts else f", with {_count(nearest.cuts, 'saw cut')}"
    return f"{cost} in parts ({more} more) {gives}{cuts}"
