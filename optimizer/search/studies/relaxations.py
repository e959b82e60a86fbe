"""What an owner could allow: each change of a rule, a size, a kept part or the pump, in words and as a system."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from optimizer.choices.candidates import LARGER_SIZES
from optimizer.model.catalog import PIPES, Catalog
from optimizer.model.network import Condition
from optimizer.model.plan import Plan
from optimizer.model.system import System
from optimizer.search.studies.cuts import with_cuts

MORE_CUTS = "more saw cuts (`saw cuts`)"
EVERY_CATALOG = "what your own lists lack (`buy only from: every catalog`)"


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
