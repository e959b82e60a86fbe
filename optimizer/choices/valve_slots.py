"""Runs without a valve, with one cut into their longest pipe or hose: it is put in only where the split needs it."""

from __future__ import annotations

from dataclasses import replace

from optimizer.choices.candidates import Shelf
from optimizer.joints.chains import new_part
from optimizer.model.catalog import PIPES, Catalog, CatalogItem, Kind
from optimizer.model.network import Condition, Run
from optimizer.model.system import Rules
from optimizer.model.throttling import behind_pumps, may_be_throttled

VALVE_KINDS = (Kind.BALL_VALVE, Kind.TRUE_UNION_BALL_VALVE)  # the cheapest of these in each size


def with_valve_slots(run: Run, catalog: Catalog, rules: Rules) -> tuple[Run, ...]:
    """Return the run with a new valve in the middle of its longest pipe or hose, once for every size that it may have.

    None for a run that has one, that leads to a pump, or whose pipes behind its pump must all stay. The halves of the
    pipe may be kept (the saw then takes out what the valve needs, and it goes straight on to them) or replaced like any
    other pipe.
    """
    if run.feeds_pump or may_be_throttled(run):
        return ()
    behind = range(behind_pumps(run.parts), len(run.parts))
    pipes = [i for i in behind if run.parts[i].kind in PIPES and run.parts[i].condition is not Condition.KEEP]
    if not pipes:
        return ()
    at = max(pipes, key=lambda i: run.parts[i].length_m)
    whole = run.parts[at]
    half = replace(whole, length_m=whole.length_m / 2)
    shelf = Shelf(catalog, run, rules).at(run.parts, at)
    found = []
    for size in shelf.sizes:
        rows = _valves(shelf, size)
        if rows:
            item = min(rows, key=lambda item: (item.price_cents, item.item_id))
            if sum(item.take_outs_m) >= whole.length_m:
                continue  # longer than the pipe that it would stand in
            valve = replace(new_part(item), condition=Condition.KEEP)
            found.append(replace(run, parts=(*run.parts[:at], half, valve, half, *run.parts[at + 1 :])))
    return tuple(found)


def _valves(shelf: Shelf, size: str) -> list[CatalogItem]:
    """Return the valves of a size that go onto what the run is made of: into hose and tube by their own ends."""
    rows = [item for kind in VALVE_KINDS for item in shelf.items(kind, size)]
    pipe = shelf.pipe(size)
    if rows or pipe is None or pipe.kind is Kind.PIPE:
        return rows
    return [item for item in shelf.catalog.of_kind(*VALVE_KINDS) if shelf.goes_onto(item, pipe)]


def cheapest_valve_cents(catalog: Catalog) -> int:
    """Return the price of the cheapest valve that a slot may get: what any plan with one pays more, at least."""
    return min((item.price_cents for item in catalog.of_kind(*VALVE_KINDS)), default=0)
