"""What each change of a plan buys, and at what price of which part another plan would be the cheapest."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace

from optimizer.choices.graph import Arc
from optimizer.hydraulics import conditions_of
from optimizer.model.catalog import PIPES, CatalogItem
from optimizer.model.network import Network, Part
from optimizer.model.plan import Plan, planned_network
from optimizer.program.merge import efficient_selections
from optimizer.search.assemble import sentence_of
from optimizer.search.cheapest import Search
from optimizer.search.posing import options_of, pose
from optimizer.verify.settings import PathLosses

_LAST_OLD = 1  # end states up to this number are open water and a tee that stays
_STEPS = 12  # plans that are looked at for one price; in practice two or three


@dataclass(frozen=True, slots=True)
class ChangeWorth:
    """One change along a run, and what is reached if it alone is left out (None: it can not be left out alone).

    `as_set` says which flow is missed then if the valves are left where the plan puts them, where that was looked at.
    """

    run: str
    words: str
    reach_without: float | None
    as_set: str = ""


@dataclass(frozen=True, slots=True)
class PriceLimit:
    """Up to what price [cents] of a bought part the plan stays the cheapest; None when no plan takes fewer of it.

    Not `settled`: another plan wins at that price at the latest (None: whether one does was not found out).
    """

    item: CatalogItem
    price_cents: int
    turns_at_cents: int | None
    settled: bool = True


def reach_of(found: Search) -> float:
    """Return what multiple of all least flows the whole plan reaches."""
    planned = planned_network(found.options.system.network, found.plan)
    return PathLosses(planned, found.flows, conditions_of(planned)).reach()


def change_worths(found: Search) -> tuple[ChangeWorth, ...]:
    """Return every change of a plan with the reach that is left when only that one is not made."""
    planned = planned_network(found.options.system.network, found.plan)
    return tuple(_worths(found, planned))


def _worths(found: Search, planned: Network) -> Iterator[ChangeWorth]:
    conditions = conditions_of(planned)
    for name, k in found.selection.run_choice.items():
        run = found.options.system.network.runs[name]
        arcs = found.posed.alternatives[name][k].arcs
        choice = found.posed.problem.runs[name][k]
        for first, last in _changes(arcs):
            joins_new_tee = (first == 0 and choice.start > _LAST_OLD) or (last == len(arcs) and choice.end > _LAST_OLD)
            changed = arcs[first:last]
            old = [run.parts[i] for arc in changed for i in arc.removed]
            words = sentence_of(old, [part for arc in changed for part in arc.parts if not part.existing])
            reach = None
            if old and not joins_new_tee:
                parts = _reverted(arcs, first, last, old)
                left_out = planned.with_runs({name: replace(planned.runs[name], parts=parts)})
                reach = PathLosses(left_out, found.flows, conditions).reach()
            yield ChangeWorth(name, words, reach)


def _changes(arcs: tuple[Arc, ...]) -> Iterator[tuple[int, int]]:
    """Yield (first, past last) of every stretch of change, from one kept part to the next or to the run's end."""
    first: int | None = None
    for i, arc in enumerate(arcs):
        fresh = bool(arc.removed or arc.joints) or any(not part.existing for part in arc.parts)
        if fresh and first is None:
            first = i
        kept = any(part.existing for part in arc.parts)
        if first is not None and (kept or i + 1 == len(arcs)):
            yield first, i + 1
            first = None


def _reverted(arcs: tuple[Arc, ...], first: int, last: int, old: list[Part]) -> tuple[Part, ...]:
    before = [part for arc in arcs[:first] for part in arc.parts]
    kept = [part for arc in arcs[first:last] for part in arc.parts if part.existing]
    after = [part for arc in arcs[last:] for part in arc.parts]
    return (*before, *old, *kept, *after)


def price_limits(found: Search) -> tuple[PriceLimit, ...]:
    """Return for every part bought at what price another plan becomes the cheapest, by looking for that plan."""
    counts = bought_counts(found.plan)
    items = found.options.catalog.items
    return tuple(_limit(found, items[key], count) for key, count in counts.items() if key in items)


def bought_counts(plan: Plan) -> Counter[str]:
    """Return how many of each part a plan buys, by catalog id; pipe goes by the length and is left out."""
    purchases = [purchase for run in plan.runs.values() for purchase in run.purchases]
    purchases += [purchase for tee in plan.tees.values() for purchase in tee.purchases]
    return Counter(key for p in purchases if p.item.kind not in PIPES for key in [p.item.item_id] * p.quantity)


def _limit(found: Search, item: CatalogItem, count: int) -> PriceLimit:
    """Walk down from a price at which the part is left out to the one at which the plan first changes.

    The least cost over all plans is concave in a price, and a plan with fewer of the part rises more slowly: each step
    takes the price at which the plan found last would cost the same as the present one.
    """
    assert found.selection.cents is not None
    price = item.price_cents + found.selection.cents + 1
    for _ in range(_STEPS):
        cents, used = _cheapest_at(found, item, price)
        if used >= count:
            return PriceLimit(item, item.price_cents, None if price > found.selection.cents else price)
        there = found.selection.cents + count * (price - item.price_cents)
        lower = price - (there - cents) // (count - used)
        if lower >= price:
            return PriceLimit(item, item.price_cents, price)
        price = lower
    return PriceLimit(item, item.price_cents, price)


def _cheapest_at(found: Search, item: CatalogItem, price_cents: int) -> tuple[int, int]:
    """Return what the cheapest plan costs with a part at another price, and how many of it that plan takes."""
    catalog = found.options.catalog
    system = replace(found.options.system, rules=replace(found.options.system.rules, budget_cents=None))
    dearer = replace(catalog, items={**catalog.items, item.item_id: replace(item, price_cents=price_cents)})
    options = options_of(system, dearer, found.flows.flows_m3_s)
    posed = pose(options, found.flows, found.duty.speed)
    head = max(path.head for path in posed.problem.paths)
    best = next(selection for selection in efficient_selections(posed.problem, head) if selection.need <= head)
    parts = [part for run, k in best.run_choice.items() for part in posed.alternatives[run][k].parts]
    used = sum(not part.existing and part.item is not None and part.item.item_id == item.item_id for part in parts)
    fittings = [posed.tees[tee][k] for tee, k in best.tee_choice.items()]
    used += sum(bool(option.cents) and option.item.item_id == item.item_id for option in fittings)
    return best.cents, used
