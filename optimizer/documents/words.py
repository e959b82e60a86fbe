"""Sentences and phrases that every document shares: how the search ended, what was wanted, steps, money, valves."""

from __future__ import annotations

import math
from collections.abc import Sequence

from optimizer.errors import visible
from optimizer.model.bill import Bill
from optimizer.model.chance import Chance
from optimizer.model.dial import RPM, DialKind
from optimizer.model.network import Part, Pump
from optimizer.model.plan import Forbidden, Plan, Status, Verification
from optimizer.model.system import Target
from optimizer.units import flow_unit, show_flow

_SIGNS = {"USD": "$", "EUR": "€", "GBP": "£"}


def money(cents: int, currency: str) -> str:
    """Return `$1,234.50`, or `1,234.50 CHF` for a currency without a sign that all would read alike."""
    amount, sign = f"{abs(cents) // 100:,}.{abs(cents) % 100:02d}", _SIGNS.get(currency)
    return ("-" if cents < 0 else "") + (f"{sign}{amount}" if sign else f"{amount} {currency}")


def money_number_format(currency: str) -> str:
    """Return the spreadsheet number format that shows a price as `money` does."""
    sign = _SIGNS.get(currency)
    return f'"{sign}"#,##0.00' if sign else f'#,##0.00 "{currency.replace(chr(34), "")}"'


def status_words(plan: Plan) -> str:
    """Return in one sentence how sure it is that no plan is cheaper."""
    if plan.status is Status.OPTIMAL and not _list_is_counted(plan):
        left_out = f" Not considered: {plan.left_out}." if plan.left_out else ""
        told = "Proven least by what it uses, not by its list: another list of whole lengths and packs may cost less."
        return f"{told}{_used(plan)}{left_out}"
    if plan.status is Status.OPTIMAL and plan.left_out:
        return f"Proven cheapest of all plans considered.{_used(plan)} Not considered: {plan.left_out}."
    if plan.status is Status.OPTIMAL:
        return f"Proven cheapest for these parts, prices and rules.{_used(plan)}"
    if plan.status is Status.FEASIBLE:
        return f"This plan meets every target, but it is not proven cheapest. {_gap_words(plan)}{_used(plan)}"
    if plan.status is Status.INFEASIBLE and plan.forbidden is Forbidden.BY_CHECKS:
        return "Proven: no plan that meets every target passes its check."
    if plan.status is Status.INFEASIBLE and plan.forbidden is Forbidden.BY_RULES:
        return "Proven: under these rules no plan meets every target; without one of them there is a plan."
    if plan.status is Status.INFEASIBLE and plan.left_out:
        return f"Proven: none of the plans considered meets every target. Not considered: {plan.left_out}."
    if plan.status is Status.INFEASIBLE:
        return "Proven out of reach: no combination of the parts in this catalog meets every target."
    return "No plan was found, and none is ruled out: more time may help."


def cases_words(share: float) -> str:
    """Return a share as people say it: `about 5 of 10 cases`."""
    if share < 0.055:
        return "fewer than 1 of 10 cases"
    if share >= 0.995:
        return "nearly all cases"
    return f"about {round(100 * share)} of 100 cases" if share > 0.945 else f"about {round(10 * share)} of 10 cases"


def share_words(share: float | None) -> str:
    """Return a share of cases in percent, as short as a column wants it; a dash where it was not worked out."""
    if share is None:
        return "–"
    return "under 1 %" if share < 0.01 else "over 99 %" if share > 0.99 else f"{round(100 * share)} %"


def chance_words(chance: Chance | None) -> tuple[str, ...]:
    """Return what a plan promises, as a sentence; nothing where that was not worked out."""
    if chance is None or chance.as_set is None:
        return ()
    if chance.trimmed is None:
        return (f"Works in {cases_words(chance.as_set)} with valves left as set.",)
    told = f"Works in {cases_words(chance.trimmed)} with valves and pump trimmed by meters"
    if abs(chance.trimmed - chance.as_set) < 0.005:
        return (f"{told}, or left as set.",)
    return (f"{told}, in {cases_words(chance.as_set)} with valves left as set.",)


def _gap_words(plan: Plan) -> str:
    if plan.gap_cents is None:
        return "How much could still be saved is not known."
    return f"A cheaper one could save at most {money(plan.gap_cents, plan.currency)}."


def _list_is_counted(plan: Plan) -> bool:
    """Return whether what the proof counts for parts is what the parts list comes to."""
    if plan.material_cents is None or plan.cost_cents is None:
        return True
    return _material_of_parts(plan) == plan.cost_cents


def _material_of_parts(plan: Plan) -> int:
    beside = plan.energy_cents + plan.effort_cents + plan.topped_up_cents
    return (plan.material_cents or 0) - beside


def _used(plan: Plan) -> str:
    """Return what was made least where that is more than the parts list: electricity and work have a price too."""
    beside = [
        f"{money(cents, plan.currency)} {what}"
        for cents, what in (
            (plan.energy_cents, "for electricity"),
            (plan.effort_cents, "for work"),
            (plan.topped_up_cents, "to reach the minimum order"),
        )
        if cents
    ]
    if plan.material_cents is None or plan.cost_cents is None:
        return ""
    total = money(plan.material_cents, plan.currency)
    parts_cents = _material_of_parts(plan)
    used = "" if _list_is_counted(plan) else " (pipe by its length, one pack of each kind)"
    if beside:
        parts = money(parts_cents, plan.currency)
        return f" The proof counts {total}: {parts} for the parts{used}, {' and '.join(beside)}."
    return f" The proof counts {total}{used}." if used else ""


def spares_words(bill: Bill) -> tuple[str, ...]:
    """Return what the spares would cost, where there are any."""
    if not bill.spares:
        return ()
    return (f"Spare pieces are listed apart: {money(bill.spares_cents, bill.currency)} if you take them all.",)


def steps_of(changes: Sequence[str]) -> list[str]:
    """Return what is done, one thing a line: what comes out and what goes in stand apart."""
    return [clause for change in changes for clause in change.split("; ") if clause] or ["parts only"]


def wanted_words(low_m3_s: float, high_m3_s: float | None, units: str) -> str:
    """Return a target as it was asked for: `at least 1,100 gph`, `250 to 350 gph`."""
    if high_m3_s is None:
        return f"at least {show_flow(low_m3_s, units)}" if low_m3_s > 0 else "any flow"
    if low_m3_s <= 0:
        return f"at most {show_flow(high_m3_s, units)}"
    return flow_span(low_m3_s, high_m3_s, units)


def target_words(targets: Sequence[Target], run: str, units: str) -> str:
    """Return what a run was asked to carry, or nothing."""
    return "; ".join(wanted_words(one.low_m3_s, one.high_m3_s, units) for one in targets if one.run == run)


def reached(share: float) -> str:
    """Return a multiple of the targets, rounded down: `99 %` is not reached, however near it comes."""
    return f"{math.floor(100 * share + 1e-6)} %"


def percent(share: float, decimals: int = 0) -> str:
    """Return `80 %`; a share that is not a number shows as a dash."""
    return f"{share * 100:.{decimals}f} %" if math.isfinite(share) else "–"


def in_mode(title: str, mode: str, between: str = " ") -> str:
    """Return a title with the mode that it is about, where there are modes."""
    return f"{title}{between}in mode '{mode}'" if mode else title


def pump_setting(pump: Pump, speed: float | None = None) -> str:
    """Return `72 %`, or `72 % (90 % of full rpm)` where the dial does not show rpm."""
    fraction = pump.speed if speed is None else speed
    if fraction <= 0.0:
        return "off"
    dial = pump.dial or RPM
    shown = percent(dial.setting(fraction))
    return shown if dial.kind is DialKind.RPM else f"{shown} ({percent(fraction)} of full rpm)"


def flow_words(flow_m3_s: float, units: str) -> str:
    """Return `118 gph`, or `118 gal/h backwards` for a flow against the way in which its run is written down."""
    shown = show_flow(abs(flow_m3_s), units)
    nothing = shown == show_flow(0.0, units)
    return f"{shown} backwards" if flow_m3_s < 0.0 and not nothing else shown


def flow_span(low_m3_s: float, high_m3_s: float, units: str) -> str:
    """Return `1,070 to 1,230 gph`, or `15 backwards to 30 gph` where the low end runs the other way."""
    unit = f" {flow_unit(units)}"
    if math.isinf(high_m3_s):
        return f"at least {flow_words(low_m3_s, units)}"
    if high_m3_s < 0.0:
        return f"{show_flow(-high_m3_s, units).removesuffix(unit)} to {flow_words(low_m3_s, units)}"
    return f"{flow_words(low_m3_s, units).replace(unit, '')} to {show_flow(high_m3_s, units)}"


def part_place(parts: Sequence[Part], index: int) -> str:
    """Return which part of a run is meant, as one counts along the pipe: `3/4 in ball valve, the 2nd of 3`."""
    if not 0 <= index < len(parts):
        return f"part {index + 1}"
    words = _short_words(parts[index])
    same = [place for place, part in enumerate(parts) if _short_words(part) == words]
    return words if len(same) < 2 else f"{words}, the {_ordinal(same.index(index) + 1)} of {len(same)}"


def _short_words(part: Part) -> str:
    return " ".join(word for word in (part.ends[0].size if part.ends else "", part.kind.value, part.name) if word)


def _ordinal(number: int) -> str:
    ending = {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th") if number % 100 not in (11, 12, 13) else "th"
    return f"{number}{ending}"


def verdict_words(verification: Verification) -> str:
    """Return whether the second look at the plan, as a network of its own, bears it out."""
    if verification.passed:
        return "Checked: an independent solution of the whole network meets every target."
    return "CHECK FAILED: the solved network misses a target."


def clean(text: str) -> str:
    """Return the text on one line, with control characters written out: they could move a cursor or split a row."""
    return visible(text)
