"""What the package is asked in these tests: the one place that knows its interface."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from random_systems import Small

from optimizer import pipeline
from optimizer.choices.velocity import with_carried
from optimizer.model.catalog import THROTTLES, Catalog, Kind
from optimizer.model.plan import Plan
from optimizer.model.system import System
from optimizer.search.unknown_pumps import find_any


def read(small: Small, folder: Path) -> tuple[System, Catalog]:
    """Return a system by its file, with its own price list."""
    path, prices = small.write(folder)
    return pipeline.read(path, [prices])


def plan(small: Small, folder: Path) -> Plan:
    """Return what the search says of a system."""
    return answer(*read(small, folder))


def plan_by_use(small: Small, folder: Path) -> Plan:
    """Return the plan of a network that is proved by what it uses, before the lists of what uses more are looked at.

    Its list is no cheaper than that of the answer.
    """
    system, catalog = read(small, folder)
    told = answer(system, catalog)
    if told.status.value != "optimal" or told.material_cents != told.total_cents:
        return told
    found = find_any(with_carried(system), catalog).plan
    assert found.total_cents is not None
    assert told.total_cents is not None
    assert told.total_cents <= found.total_cents
    return found


def is_by_list(found: Plan) -> bool:
    """Return whether it is the parts list that is proved least."""
    return found.material_cents == found.total_cents


def answer(system: System, catalog: Catalog) -> Plan:
    """Return what the search says of a system that was read."""
    return pipeline.search(system, catalog)


def last_pipe_in_two(system: System, name: str) -> System:
    """Return the system with the last pipe of a run as two of half the length, end to end: the same plumbing."""
    run = system.network.runs[name]
    at = max(i for i, part in enumerate(run.parts) if part.kind is Kind.PIPE)
    half = replace(run.parts[at], length_m=run.parts[at].length_m / 2)
    cut = replace(run, parts=(*run.parts[:at], half, half, *run.parts[at + 1 :]))
    return replace(system, network=system.network.with_runs({name: cut}))


def keeps_a_middle_piece(found: Plan) -> bool:
    """Return whether a pipe stays of which both ends are cut free."""
    for run in found.runs.values():
        for before, part, after in zip(run.parts, run.parts[1:], run.parts[2:], strict=False):
            if part.kind is Kind.PIPE and part.existing and not before.existing and not after.existing:
                return True
    return False


def is_open(found: Plan) -> bool:
    """Return whether the time came before a proof."""
    return found.status.value not in ("optimal", "infeasible")


def proved_cents(found: Plan) -> int | None:
    """Return the cost that is proved least; None where it is proved that there is no plan."""
    if found.status.value == "infeasible":
        return None
    assert found.status.value == "optimal", (found.status, found.reasons)
    return found.material_cents


def adds_a_valve(found: Plan) -> bool:
    """Return whether a run that had no valve gets one."""
    for run in found.runs.values():
        valves = [part for part in run.parts if part.kind in THROTTLES]
        stood = [*run.removed, *(part for part in run.parts if part.existing)]
        if valves and not any(part.kind in THROTTLES for part in stood):
            return True
    return False


def bought(found: Plan) -> set[str]:
    """Return the item numbers of what a plan buys."""
    runs = [purchase for run in found.runs.values() for purchase in run.purchases]
    tees = [purchase for tee in found.tees.values() for purchase in tee.purchases]
    return {purchase.item.item_id for purchase in (*runs, *tees, *found.consumables)}
