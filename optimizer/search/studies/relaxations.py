"""What an owner could allow: each change of a rule, a size, a kept part or the pump, in words and as a system."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from optimizer.joints.closing import tied
from optimizer.model.catalog import PIPES, Catalog
from optimizer.model.network import Condition
from optimizer.model.note import Note, note
from optimizer.model.plan import Plan
from optimizer.model.rules import RULES, Sold
from optimizer.model.system import System

MORE_CUTS, EVERY_CATALOG = (note("relaxed", rule=key, text=RULES[key].relaxed) for key in ("saw cuts", "buy only from"))


def change_for(change: Note, system: System, catalog: Catalog, plan: Plan) -> Note:
    """Return what the owner would have to allow for a plan, by the relaxation that it was found under."""
    if change == MORE_CUTS:
        more = plan.cuts - (system.rules.most_cuts or 0)
        return note("more cuts" if more > 1 else "one more cut", more=more, cuts=plan.cuts)
    return (
        note("beyond the lists", change=change, items=_beyond_lists(catalog, plan))
        if change == EVERY_CATALOG
        else change
    )


def _beyond_lists(catalog: Catalog, plan: Plan) -> tuple[str, ...]:
    """Return what a plan buys that the owner's lists have no price for, in the order of the plan."""
    bought = [purchase for run in plan.runs.values() for purchase in run.purchases]
    bought += [purchase for tee in plan.tees.values() for purchase in tee.purchases]
    items = [purchase.item for purchase in (*bought, *plan.consumables)]
    return tuple(dict.fromkeys(item.description for item in items if item.item_id not in catalog.own))


def relaxations(system: System, catalog: Catalog) -> Iterator[tuple[Note, System]]:
    """Yield as a note, and as a system, everything that the rules forbid and an owner could allow."""
    network = system.network
    sold = Sold(
        tuple(dict.fromkeys(item.ends[0].size for item in catalog.of_kind(*PIPES))),
        bool(catalog.pumps),
        _is_held(system),
    )
    for key, row in RULES.items():
        relaxed = None if row.relax is None else row.relax(system.rules, sold)
        if relaxed is not None:
            yield note("relaxed", rule=key, text=row.relaxed), replace(system, rules=relaxed)
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
        yield note("kept parts may change", run=name), freed


def _is_held(system: System) -> bool:
    """Return whether any run that is planned is held at both its ends."""
    network = system.network
    return any(any(tied(network, network.runs[name])) for part in system.planned_parts for name in part)


def _may_be_released(condition: Condition) -> bool:
    return condition is Condition.KEEP
