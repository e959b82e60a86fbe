"""When no plan reaches the targets: which single change of a rule, a size or the pump would free one, for how much."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from optimizer.choices.candidates import LARGER_SIZES
from optimizer.model.catalog import PIPES, Catalog
from optimizer.model.network import Condition
from optimizer.model.plan import Plan
from optimizer.model.system import System
from optimizer.search.cheapest import find_plan
from optimizer.search.few_cuts import fewest_cuts, with_cuts

MORE_CUTS = "more saw cuts (`saw cuts`)"
EVERY_CATALOG = "what your own lists lack (`buy only from: every catalog`)"


@dataclass(frozen=True, slots=True)
class FreeingChange:
    """One thing that the owner could allow, in words, and the cheapest plan that there would be then."""

    words: str
    plan: Plan


def freeing_changes(system: System, catalog: Catalog) -> tuple[FreeingChange, ...]:
    """Return every single relaxation of the rules that makes a plan possible, cheapest first."""
    found = []
    for words, relaxed in relaxations(system, catalog):
        search = find_plan(relaxed, catalog, with_reasons=False)
        if search.plan.found:
            fewest = words == MORE_CUTS
            least = (system.rules.most_cuts or 0) + 1
            plan = fewest_cuts(relaxed, catalog, search, least).plan if fewest else search.plan
            found.append(FreeingChange(change_in_words(words, system, catalog, plan), plan))
    return tuple(sorted(found, key=lambda change: change.plan.cost_cents or 0))


def change_in_words(words: str, system: System, catalog: Catalog, plan: Plan) -> str:
    """Return what the owner would have to allow for a plan, by the words of the relaxation that it was found under."""
    if words == MORE_CUTS:
        return _more_cuts_in_words(system, plan)
    return f"{words}: {_beyond_lists_in_words(catalog, plan)}" if words == EVERY_CATALOG else words


def _beyond_lists_in_words(catalog: Catalog, plan: Plan) -> str:
    """Return what a plan buys that the owner's lists have no price for, in the order of the plan."""
    bought = [purchase for run in plan.runs.values() for purchase in run.purchases]
    bought += [purchase for tee in plan.tees.values() for purchase in tee.purchases]
    items = [purchase.item for purchase in (*bought, *plan.consumables)]
    return ", ".join(dict.fromkeys(item.description for item in items if item.item_id not in catalog.own))


def _more_cuts_in_words(system: System, plan: Plan) -> str:
    """Return how many saw cuts a plan makes beyond the rule, with the rule that would allow it."""
    more = plan.cuts - (system.rules.most_cuts or 0)
    return f"{more} more saw cut{'s' if more > 1 else ''} (`saw cuts: at most {plan.cuts}`)"


def relaxations(system: System, catalog: Catalog) -> Iterator[tuple[str, System]]:
    """Yield in words, and as a system, everything that the rules forbid and an owner could allow."""
    rules, network = system.rules, system.network
    if rules.own_lists_only:
        yield EVERY_CATALOG, replace(system, rules=replace(rules, own_lists_only=False))
    if catalog.pumps and not rules.other_pumps:
        yield "a pump of the catalogs (`other pumps: yes`)", replace(system, rules=replace(rules, other_pumps=True))
    if rules.budget_cents is not None:
        yield "a larger budget (`budget`)", replace(system, rules=replace(rules, budget_cents=None))
    if rules.most_cuts is not None:
        yield MORE_CUTS, with_cuts(system, None)
    if not rules.resize:
        yield "other pipe sizes (`other sizes: yes`)", replace(system, rules=replace(rules, resize=True))
    if math.isfinite(rules.velocity_limit_m_s):
        fast = replace(rules, velocity_limit_m_s=math.inf)
        yield "faster water than the `velocity limit` in new pipe", replace(system, rules=fast)
    every = _every_size(catalog)
    if rules.resize and set(every) - set(rules.sizes) and (rules.sizes or len(every) > LARGER_SIZES):
        yield "every size that the catalogs hold (`sizes`)", replace(system, rules=replace(rules, sizes=every))
    kept = [name for name, run in network.runs.items() if any(_may_be_released(part.condition) for part in run.parts)]
    for name in kept:
        run = network.runs[name]
        parts = tuple(
            replace(part, condition=Condition.MAY_CHANGE)
            if _may_be_released(part.condition) and part.item is not None
            else part
            for part in run.parts
        )
        freed = replace(system, network=network.with_runs({name: replace(run, parts=parts)}))
        yield f"changing the parts that are to stay in run {name!r}", freed


def _may_be_released(condition: Condition) -> bool:
    return condition is Condition.KEEP


def _every_size(catalog: Catalog) -> tuple[str, ...]:
    return tuple(dict.fromkeys(item.ends[0].size for item in catalog.of_kind(*PIPES)))


def with_ways_out(system: System, catalog: Catalog, found: Plan, price: Callable[[Plan], int]) -> Plan:
    """Return a plan that is none with the single changes that would free one among its reasons.

    Where plans exist and safety alone refuses them, the reasons say so already. `price` says what the parts list of a
    plan comes to [cents].
    """
    if find_plan(system, catalog, with_reasons=False).plan.found:
        return found
    ways = [
        f"what would free it: {change.words}; the parts would then cost "
        f"{price(change.plan) / 100:.2f} {change.plan.currency}"
        for change in freeing_changes(system, catalog)
    ]
    ways = ways or [f"no single one of these would free it: {_tried(system)}"]
    if system.rules.budget_cents is not None:
        ways.append("what is the most flow for the budget: `retrofit plan FILE --most-flow`")
    return replace(found, reasons=(*found.reasons, *ways))


def _tried(system: System) -> str:
    """Return what was allowed in vain, one at a time."""
    words = ["another pump of the catalogs", "more sizes", "faster water", "a kept part"]
    words += ["what your own lists lack"] if system.rules.own_lists_only else []
    words += ["more saw cuts"] if system.rules.most_cuts is not None else []
    words += ["a larger budget"] if system.rules.budget_cents is not None else []
    return ", ".join(words)
