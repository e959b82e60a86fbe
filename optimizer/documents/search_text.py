"""What the search shows beyond one plan: cost against flow, plans of other kinds, what each change buys."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from optimizer.choices.scaled import can_grow, has_upper_ends
from optimizer.documents.status_words import share_words, status_words
from optimizer.documents.tables import Block, Heading, table
from optimizer.documents.words import pump_setting, reached
from optimizer.model.note import Note
from optimizer.model.system import System
from optimizer.units import show_flow
from optimizer.wording.amounts import money
from optimizer.wording.notes import note_json, note_words, notes_json, notes_words

if TYPE_CHECKING:
    from optimizer.search.studies.frontier import FrontierPlan
    from optimizer.search.studies.kinds import KindOfPlan
    from optimizer.search.studies.worth import ChangeWorth, Explanation, PriceLimit

_LINE = 70  # signs of a change on one line
_GOOD_TO = (
    "Published losses are good to 10 to 30 %, flows to about 8 to 10 %: steps of a few percent are smaller than that."
)
_ANY_REACH = (
    "Percent of target: how far all minimum flows can be met at once, in every mode, with valves set and pumps at "
    "their best speeds; above 100 % is margin."
)
_WORKS = (
    "Works in: the share of cases in which every target is met once valves and pump are trimmed by meters, with "
    "losses, pump, bores and heights as unsure as published."
)
_PRICES = (
    "Each price is for one piece, other prices unchanged. Above it a plan with fewer of that part, or none, costs "
    "less. Up to it this plan is proven to stay the cheapest{by_use}, unless it says at the latest."
)
_BY_USE = " by what it uses, not by its list"
_AS_SET = (
    "Percent of target: how far all minimum flows can be met at once, in every mode, at these pump speeds with valves "
    "set; above 100 % is margin."
)


def frontier_blocks(
    system: System,
    plans: Sequence[FrontierPlan],
    budget: FrontierPlan | None = None,
    notes: Sequence[Note] = (),
) -> list[Block]:
    """Return cost against flow, one line a plan, the cheapest that meets the targets marked.

    `notes` are what the search says of them: what is proved and what is not.
    """
    first = next((plan for plan in plans if plan.meets_targets), None)
    rows = [
        (
            _cost(plan),
            reached(plan.reach),
            share_words(plan.works),
            show_flow(plan.total_m3_s, system.units),
            str(plan.plan.cuts),
            _mark(plan, first, budget),
        )
        for plan in plans
    ]
    titles = ("parts cost", "of target", "works in", "pump flow", "saw cuts", "")
    said = [_ANY_REACH + _windows(system), *([_WORKS] if rows else []), *notes_words(notes, system.units), _GOOD_TO]
    shown = [table(titles, rows, right=(0, 1, 2, 3, 4))] if rows else []
    return [Heading(f"Cost against flow: {system.name}"), *shown, *said]


def _windows(system: System) -> str:
    """Return what reached means where least flows have upper ends."""
    if not has_upper_ends(system):
        return ""
    if not can_grow(system):
        return " Every plan keeps maximum flows and splits, so 100 % is all there is."
    return " Every plan keeps maximum flows and splits; above 100 % only flows without a maximum grow."


def _mark(plan: FrontierPlan, first: FrontierPlan | None, budget: FrontierPlan | None) -> str:
    marks = []
    if plan is first:
        marks.append("the cheapest here that meets every target")
    if plan is budget:
        marks.append("the most flow for the budget")
    if plan.plan.gap_cents:
        marks.append(
            f"a plan up to {money(plan.plan.list_gap_cents or 0, plan.plan.currency)} cheaper is not ruled out"
        )
    return "; ".join(marks)


def _cost(plan: FrontierPlan) -> str:
    return money(plan.plan.cost_cents or 0, plan.plan.currency)


def frontier_json(
    system: System, plans: Sequence[FrontierPlan], budget: FrontierPlan | None, notes: Sequence[Note] = ()
) -> dict[str, Any]:
    """Return cost against flow as data: whole cents, flows in m³/s."""
    return {
        "system": system.name,
        "notes": notes_json(notes, system.units),
        "plans": [
            {
                "cost_cents": plan.plan.cost_cents,
                "material_cents": plan.plan.material_cents,
                "currency": plan.plan.currency,
                "reach": plan.reach,
                "works_in_share_of_cases": plan.works,
                "status": plan.plan.status.value,
                "may_cost_less_cents": plan.plan.list_gap_cents,
                "counts_its_list": plan.plan.counts_its_list,
                "pump_flow_m3_s": plan.total_m3_s,
                "cuts": plan.plan.cuts,
                "minutes": plan.plan.minutes,
                "meets_targets": plan.meets_targets,
                "most_for_budget": plan is budget,
                "changes": {one.run: notes_json(one.changes, "") for one in plan.plan.runs.values() if one.changes},
            }
            for plan in plans
        ],
    }


def kinds_blocks(system: System, kinds: Sequence[KindOfPlan]) -> list[Block]:
    """Return plans of different kinds side by side."""
    rows = []
    for kind in kinds:
        words = note_words(kind.kind, system.units)
        if kind.plan is None:
            none = "no such plan" if kind.settled else "none found yet"
            nothing = kind.reach is not None and kind.reach <= 0.0
            rows.append((words, none if nothing else "", "", "", "" if nothing else _reached(kind.reach), "", "", ""))
            continue
        plan = kind.plan
        hours = f"{plan.minutes // 60} h {plan.minutes % 60:02d} min"
        pumps = {**system.network.pumps, **plan.new_pumps}
        speeds = ", ".join(f"{name} {pump_setting(pumps[name], speed)}" for name, speed in plan.pump_speeds.items())
        cost = money(plan.cost_cents or 0, plan.currency)
        works = share_words(kind.works)
        rows.append((words, cost, str(plan.cuts), hours, _reached(kind.reach), works, speeds, _proof(kind)))
    titles = ("kind of plan", "parts cost", "saw cuts", "work", "of target", "works in", "pump", "proof")
    said = [f"{_AS_SET}{_windows(system)}", _WORKS, *_sensible(kinds)]
    if kinds and kinds[0].plan is None and kinds[0].reasons:
        said.append("Why there is no plan: " + "; ".join(notes_words(kinds[0].reasons, system.units)) + ".")
    return [Heading(f"Kinds of plan: {system.name}"), table(titles, rows, right=(1, 2, 3, 4, 5)), *said]


def _reached(share: float | None) -> str:
    return "–" if share is None else reached(share)


def _sensible(kinds: Sequence[KindOfPlan]) -> Iterator[str]:
    """Yield in one line what the sensible plan is, and what it costs more than the cheapest."""
    from optimizer.search.studies.kinds import SENSIBLE

    plan = next((kind.plan for kind in kinds if kind.kind == SENSIBLE), None)
    cheapest = kinds[0].plan
    if plan is None or cheapest is None:
        return
    more = (plan.cost_cents or 0) - (cheapest.cost_cents or 0)
    cost = (
        f"costs {money(more, plan.currency)} more than the cheapest" if more > 0 else "costs no more than the cheapest"
    )
    yield (
        f"The sensible one {cost}: it works in at least 8 of 10 cases, nothing that carries more than before is noisy, "
        "and whole legs are built in one size, opened up from the pump on, with pipe of two sizes at most."
    )


def _proof(kind: KindOfPlan) -> str:
    """Return what is proved of a way."""
    if kind.settled:
        plain = kind.plan is None or kind.plan.counts_its_list
        told = "cheapest of its kind" if plain else f"least{_BY_USE}"
        return f"{told}, of those considered" if kind.plan is not None and kind.plan.left_out else told
    gap = None if kind.plan is None else kind.plan.list_gap_cents
    if kind.plan is None or not gap:
        return "not settled"
    return f"up to {money(gap, kind.plan.currency)} less is not ruled out"


def kinds_json(system: System, kinds: Sequence[KindOfPlan]) -> dict[str, Any]:
    """Return the same as data."""
    return {
        "system": system.name,
        "ways": [
            {
                "way": note_json(kind.kind, system.units),
                "reach": kind.reach,
                "works_in_share_of_cases": kind.works,
                "settled": kind.settled,
                "counts_its_list": None if kind.plan is None else kind.plan.counts_its_list,
                "cost_cents": None if kind.plan is None else kind.plan.cost_cents,
                "cuts": None if kind.plan is None else kind.plan.cuts,
                "minutes": None if kind.plan is None else kind.plan.minutes,
            }
            for kind in kinds
        ],
    }


def worth_blocks(system: System, told: Explanation) -> list[Block]:
    """Return what each change buys, and at what price of a part the plan would be another."""
    titles = ("where", "change", "of target without it", "missed most, valves left as set")
    currency = told.plan.currency
    rows = [
        (worth.run if i == 0 else "", line, *((_without(worth), _as_set(worth)) if i == 0 else ("", "")))
        for worth in told.worths
        for i, line in enumerate(textwrap.wrap(_change(worth), _LINE, subsequent_indent="    "))
    ]
    prices = [
        (
            limit.item.description,
            money(limit.price_cents, currency),
            _turn(limit, currency),
        )
        for limit in told.limits
    ]
    return [
        Heading(f"What each change buys: {system.name}"),
        status_words(told.plan),
        f"With all of them the plan gives {reached(told.reach)} of the target flows."
        if told.worths
        else "No part is changed, so there is nothing to leave out.",
        *([table(titles, rows, right=(2,))] if rows else []),
        *([Heading("When another plan would be cheaper")] if prices else []),
        *([table(("part", "price now", "another plan is cheaper"), prices, right=(1, 2))] if prices else []),
        f"{_AS_SET}{_windows(system)}",
        *([_PRICES.format(by_use="" if told.plan.counts_its_list else _BY_USE)] if prices else []),
    ]


def _change(worth: ChangeWorth) -> str:
    return "; ".join(notes_words(worth.change, ""))


def _turn(limit: PriceLimit, currency: str) -> str:
    if limit.turns_at_cents is None:
        return "at no price" if limit.settled else "not settled"
    above = f"above {money(limit.turns_at_cents, currency)}"
    return above if limit.settled else f"at the latest {above}"


def _without(worth: ChangeWorth) -> str:
    return "required" if worth.reach_without is None else reached(worth.reach_without)


def _as_set(worth: ChangeWorth) -> str:
    """Return what is missed with the valves as set, and what is unsafe then."""
    if worth.reach_without is None:
        return ""
    unsafe = f"unsafe: {notes_words(worth.unsafe[:1], '')[0]}" if worth.unsafe else ""
    return "; ".join(filter(None, (worth.as_set, unsafe))) or "all is met"


def worth_json(system: System, told: Explanation) -> dict[str, Any]:
    """Return the same as data."""
    return {
        "system": system.name,
        "reach": told.reach,
        "cost_cents": told.plan.cost_cents,
        "status": told.plan.status.value,
        "changes": [
            {
                "run": worth.run,
                "change": notes_json(worth.change, ""),
                "reach_without": worth.reach_without,
                "with_valves_as_set": worth.as_set if worth.reach_without is None else worth.as_set or "all is met",
                "unsafe": notes_json(worth.unsafe, ""),
            }
            for worth in told.worths
        ],
        "prices": [
            {
                "item_id": limit.item.item_id,
                "cents": limit.price_cents,
                "another_plan_above_cents": limit.turns_at_cents,
                "settled": limit.settled,
            }
            for limit in told.limits
        ],
    }
