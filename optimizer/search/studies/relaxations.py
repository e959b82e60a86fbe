"""What an owner could allow: each change of a rule, a size, a kept part or the pump, in words and as a system."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from optimizer.joints.closing import tied
from optimizer.model.catalog import PIPES, Catalog
from optimizer.model.network import Condition
from optimizer.model.plan import Plan
from optimizer.model.rules import RULES, Sold
from optimizer.model.system import System

MORE_CUTS = RULES["saw cuts"].relaxed
EVERY_CATALOG = RULES["buy only from"].relaxed


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
    network = system.network
    sold = Sold(
        tuple(dict.fromkeys(item.ends[0].size for item in catalog.of_kind(*PIPES))),
        bool(catalog.pumps),
        _is_held(system),
    )
    for row in RULES.values():
        relaxed = None if row.relax is None else row.relax(system.rules, sold)
        if relaxed is not None:
            yield row.relaxed, replace(system, rules=relaxed)
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


def _is_held(system: System) -> bool:
    """Return whether any run that is planned is held at both its ends."""
    network = system.network
    return any(any(tied(network, network.runs[name])) for part in system.planned_parts for name in part)


def _may_be_released(condition: Condition) -> bool:
    return condition is Condition.KEEP
