"""What is said of a plan as a whole: how the search ended, what the check found, what it promises, what spares cost."""

from __future__ import annotations

from optimizer.model.bill import Bill
from optimizer.model.chance import Chance
from optimizer.model.plan import Forbidden, Plan, Status, Verification
from optimizer.wording.amounts import cases, money
from optimizer.wording.notes import notes_words


def status_words(plan: Plan) -> str:
    """Return in one sentence how sure it is that no plan is cheaper."""
    words = "; ".join(notes_words(plan.left_out, ""))
    if plan.status is Status.OPTIMAL and not plan.counts_its_list:
        left_out = f" Not considered: {words}." if words else ""
        told = "Proven least by what it uses, not by its list: another list of whole lengths and packs may cost less"
        by = f", by {money(plan.list_gap_cents, plan.currency)} at the most" if plan.list_gap_cents else ""
        return f"{told}{by}.{_used(plan)}{left_out}"
    if plan.status is Status.OPTIMAL and plan.left_out:
        return f"Proven cheapest of all plans considered.{_used(plan)} Not considered: {words}."
    if plan.status is Status.OPTIMAL:
        return f"Proven cheapest for these parts, prices and rules.{_used(plan)}"
    if plan.status is Status.FEASIBLE:
        return f"This plan meets every target, but it is not proven cheapest. {_gap_words(plan)}{_used(plan)}"
    if plan.status is Status.INFEASIBLE and plan.forbidden is Forbidden.BY_CHECKS:
        return "Proven: no plan that meets every target passes its check."
    if plan.status is Status.INFEASIBLE and plan.forbidden is Forbidden.BY_RULES:
        return "Proven: under these rules no plan meets every target; without one of them there is a plan."
    if plan.status is Status.INFEASIBLE and plan.left_out:
        return f"Proven: none of the plans considered meets every target. Not considered: {words}."
    if plan.status is Status.INFEASIBLE:
        return "Proven out of reach: under these rules no combination of the parts in this catalog meets every target."
    return "No plan was found, and none is ruled out: more time may help."


def _gap_words(plan: Plan) -> str:
    if plan.list_gap_cents is None:
        return "How much could still be saved is not known."
    return f"A cheaper one could save at most {money(plan.list_gap_cents, plan.currency)}."


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
    used = "" if plan.counts_its_list else " (pipe by its length, one pack of each kind)"
    if beside:
        parts = money(parts_cents, plan.currency)
        return f" The proof counts {total}: {parts} for the parts{used}, {' and '.join(beside)}."
    return f" The proof counts {total}{used}." if used else ""


def verdict_words(verification: Verification) -> str:
    """Return whether the second look at the plan, as a network of its own, bears it out."""
    if verification.passed:
        return "Checked: an independent solution of the whole network meets every target."
    return "CHECK FAILED: the solved network misses a target."


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
        return (f"Works in {cases(chance.as_set)} with valves left as set.",)
    told = f"Works in {cases(chance.trimmed)} with valves and pump trimmed by meters"
    if abs(chance.trimmed - chance.as_set) < 0.005 or cases(chance.trimmed) == cases(chance.as_set):
        return (f"{told}, or left as set.",)
    return (f"{told}, in {cases(chance.as_set)} with valves left as set.",)


def spares_words(bill: Bill) -> tuple[str, ...]:
    """Return what the spares would cost, where there are any."""
    if not bill.spares:
        return ()
    return (f"Spare pieces are listed apart: {money(bill.spares_cents, bill.currency)} if you take them all.",)
