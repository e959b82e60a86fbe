"""Runs without a valve, with one cut into their longest pipe or hose: it is put in only where the split needs it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from optimizer.choices.candidates import Shelf
from optimizer.choices.graph import Arc
from optimizer.joints.chains import new_part
from optimizer.model.catalog import PIPES, Catalog, CatalogItem, Kind
from optimizer.model.network import Condition, Part, Run
from optimizer.model.system import Rules
from optimizer.model.throttling import behind_pumps, may_be_throttled

VALVE_KINDS = (Kind.BALL_VALVE, Kind.TRUE_UNION_BALL_VALVE)  # the cheapest of these in each size


@dataclass(frozen=True)
class ValveSlot:
    """A run with a valve cut in, at a place; and the valves, one of each size, of which one comes there."""

    run: Run
    at: int
    valves: tuple[Part, ...]

    def run_of(self, arcs: Iterable[Arc]) -> Run:
        """Return the run with the valve that is on a way."""
        known = set(map(id, self.valves))
        valve = next(part for arc in arcs for part in arc.parts if id(part) in known)
        return replace(self.run, parts=(*self.run.parts[: self.at], valve, *self.run.parts[self.at + 1 :]))


def valve_slot(run: Run, catalog: Catalog, rules: Rules) -> ValveSlot | None:
    """Return the run with a slot for a new valve in the middle of its longest pipe or hose.

    None for a run that has one, that leads to a pump, or whose pipes behind its pump must all stay. The halves of the
    pipe may be kept (the saw then takes out what the valve needs, and it goes straight on to them) or replaced like any
    other pipe.
    """
    if run.feeds_pump or may_be_throttled(run):
        return None
    behind = range(behind_pumps(run.parts), len(run.parts))
    pipes = [i for i in behind if run.parts[i].kind in PIPES and run.parts[i].condition is not Condition.KEEP]
    if not pipes:
        return None
    at = max(pipes, key=lambda i: run.parts[i].length_m)
    whole = run.parts[at]
    half = replace(whole, length_m=whole.length_m / 2)
    shelf = Shelf(catalog, run, rules).at(run.parts, at)
    rows = [min(each, key=_by_price) for size in shelf.sizes if (each := _valves(shelf, size))]
    fitting = [item for item in rows if sum(item.take_outs_m) < whole.length_m]  # else longer than where it would stand
    valves = tuple(replace(new_part(item), condition=Condition.KEEP) for item in fitting)
    if not valves:
        return None
    return ValveSlot(replace(run, parts=(*run.parts[:at], half, valves[0], half, *run.parts[at + 1 :])), at + 1, valves)


def _by_price(item: CatalogItem) -> tuple[int, str]:
    return item.price_cents, item.item_id


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
