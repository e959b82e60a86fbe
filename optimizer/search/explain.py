"""What each change of a plan buys, and at what price of which part another plan would be the cheapest."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from optimizer.choices.graph import Arc
from optimizer.hydraulics import conditions_of
from optimizer.model.catalog import PIPES, CatalogItem
from optimizer.model.network import Network, Part
from optimizer.model.plan import planned_network
from optimizer.program.problem import RunChoice, TeeChoice
from optimizer.program.solve import solve_sizing
from optimizer.search.assemble import sentence_of
from optimizer.search.cheapest import Search
from optimizer.search.posing import at_speed
from optimizer.verify.settings import PathLosses


@dataclass(frozen=True, slots=True)
class ChangeWorth:
    """One change along a run, and what is reached if it alone is left out (None: it can not be left out alone)."""

    run: str
    words: str
    reach_without: float | None


@dataclass(frozen=True, slots=True)
class PriceLimit:
    """Up to what price [cents] a bought part is in a cheapest plan; None when no plan does without it."""

    item: CatalogItem
    price_cents: int
    turns_at_cents: int | None


def change_worths(found: Search) -> tuple[ChangeWorth, ...]:
    """Return every change of a plan with the reach that is left when only that one is not made."""
    planned = planned_network(found.options.system.network, found.plan)
    return tuple(_worths(found, planned))


def _worths(found: Search, planned: Network) -> Iterator[ChangeWorth]:
    conditions = conditions_of(planned)
    for name, k in found.selection.run_choice.items():
        run = found.options.system.network.runs[name]
        arcs = found.posed.alternatives[name][k].arcs
        for first, last, alone in _changes(arcs):
            changed = arcs[first:last]
            old = [run.parts[i] for arc in changed for i in arc.removed]
            words = sentence_of(old, [part for arc in changed for part in arc.parts if not part.existing])
            reach = None
            if alone and old:
                parts = _reverted(arcs, first, last, old)
                left_out = planned.with_runs({name: replace(planned.runs[name], parts=parts)})
                reach = PathLosses(left_out, found.flows, conditions).reach()
            yield ChangeWorth(name, words, reach)


def _changes(arcs: tuple[Arc, ...]) -> Iterator[tuple[int, int, bool]]:
    """Yield (first, past last, whether kept parts stand on both sides) of every stretch of change."""
    first: int | None = None
    for i, arc in enumerate(arcs):
        fresh = bool(arc.removed) or any(not part.existing for part in arc.parts)
        if fresh and first is None:
            first = i
        kept = any(part.existing for part in arc.parts)
        if first is not None and (kept or i + 1 == len(arcs)):
            yield first, i + 1, kept or not arc.joints
            first = None


def _reverted(arcs: tuple[Arc, ...], first: int, last: int, old: list[Part]) -> tuple[Part, ...]:
    before = [part for arc in arcs[:first] for part in arc.parts]
    kept = [part for arc in arcs[first:last] for part in arc.parts if part.existing]
    after = [part for arc in arcs[last:] for part in arc.parts]
    return (*before, *old, *kept, *after)


def price_limits(found: Search) -> tuple[PriceLimit, ...]:
    """Return for every part bought at what price a plan without it becomes cheaper, by looking for that plan."""
    bought: dict[str, tuple[CatalogItem, int]] = {}
    purchases = [purchase for run in found.plan.runs.values() for purchase in run.purchases]
    purchases += [purchase for tee in found.plan.tees.values() for purchase in tee.purchases]
    for purchase in purchases:
        if purchase.item.kind not in PIPES:
            count = bought.get(purchase.item.item_id, (purchase.item, 0))[1]
            bought[purchase.item.item_id] = (purchase.item, count + purchase.quantity)
    return tuple(_limit(found, item, count) for item, count in bought.values())


def _limit(found: Search, item: CatalogItem, count: int) -> PriceLimit:
    assert found.selection.cents is not None
    problem = at_speed(found.posed, found.options.system.network, found.flows, found.duty.speed)

    def run_uses(run: str, k: int) -> bool:
        return any(part.item is item and not part.existing for part in found.posed.alternatives[run][k].parts)

    runs: dict[str, tuple[RunChoice, ...]] = {
        run: tuple(choice for k, choice in enumerate(choices) if not run_uses(run, k))
        for run, choices in problem.runs.items()
    }
    tees: dict[str, tuple[TeeChoice, ...]] = {}
    for tee, choices in problem.tees.items():
        options = found.posed.tees[tee]
        tees[tee] = tuple(
            choice
            for choice, option in zip(choices, options, strict=True)
            if option.cents == 0 or option.item is not item
        )
    without = solve_sizing(replace(problem, runs=runs, tees=tees))
    turns = None
    if without.cents is not None:
        turns = item.price_cents + (without.cents - found.selection.cents) // count
    return PriceLimit(item, item.price_cents, turns)
