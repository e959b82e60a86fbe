"""A plan that was found → everything that the store and the workbench need of it, in one value."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from optimizer.choices.for_sale import for_sale
from optimizer.model.bill import Bill
from optimizer.model.catalog import Catalog, CatalogItem
from optimizer.model.cure import CureTime
from optimizer.model.plan import Plan, Verification
from optimizer.model.stock import StickRule, sticks_of
from optimizer.model.system import System
from optimizer.read.cure_times import load_cure_times
from optimizer.read.stock_lengths import load_stick_rules
from optimizer.takeoff.bill import bill_of
from optimizer.takeoff.consumables import not_on_the_lists
from optimizer.takeoff.cut_list import CutList, cut_list
from optimizer.takeoff.ports import PortWays, ways_at_ports
from optimizer.takeoff.spares import spares_for
from optimizer.takeoff.work_order import RunWork, work_order
from optimizer.units import show_length

_ANY_M = 1000.0  # a stick that every piece fits: for the lengths of the pieces alone


@dataclass(frozen=True, slots=True)
class Store:
    """What is known of the store and of cement, beside the catalogs."""

    sticks: tuple[StickRule, ...]
    cure: Mapping[str, CureTime]
    quoted_cents: Mapping[str, int] = field(default_factory=dict)  # what it asks for a stick, by its `stick_id`

    @classmethod
    def shipped(cls, quoted_cents: Mapping[str, int] | None = None) -> Store:
        """Return what the shipped tables say of sticks and cement, with the prices that a store asked."""
        return cls(load_stick_rules(), load_cure_times(), quoted_cents or {})


@dataclass(frozen=True, slots=True)
class TakeOff:
    """Bill, cut list, ways at threaded ports and work order of one plan; `notes` say what a person must know."""

    bill: Bill
    cuts: CutList
    ports: tuple[PortWays, ...]
    work: tuple[RunWork, ...]
    notes: tuple[str, ...] = ()


def take_off(
    system: System,
    plan: Plan,
    verification: Verification,
    catalog: Catalog,
    store: Store,
    flows_m3_s: Mapping[str, float],
    *,
    spares: bool = True,
    ports: bool = True,
) -> TakeOff:
    """Return what a plan takes: parts, pieces of pipe, sticks, joints and the work.

    Parameters
    ----------
    system, plan, verification
        What stands, what becomes of it, and how its valves are set.
    catalog, store
        What can be bought, and how.
    flows_m3_s
        What flows in each run now [m³/s], for the ways at threaded ports.
    spares
        Whether a few spare pieces are listed, apart from the plan's cost.
    ports
        Whether the ways at threaded ports are looked for.
    """
    catalog = for_sale(system, catalog)
    cuts, bill, too_long = priced(system, plan, catalog, store, spares=spares)
    work = work_order(system.network, plan, verification, catalog, cuts, store.cure, system.units)
    ways = ways_at_ports(system, catalog, flows_m3_s) if ports else ()
    unused = ("owned pipe is left out of account where pipe is bought by length",)
    notes = (
        *not_on_the_lists(plan, catalog),
        *too_long,
        *(unused if system.owned_m and not system.rules.pipe_in_sticks else ()),
    )
    return TakeOff(bill, cuts, ways, work, notes)


def priced(
    system: System, plan: Plan, catalog: Catalog, store: Store, *, spares: bool = False
) -> tuple[CutList, Bill, tuple[str, ...]]:
    """Return the cut list and the parts list of a plan, and notes on pipe that no stick is long enough for."""
    rules, too_long = _rules_for(system, plan, catalog, store)
    owned_m = system.owned_m if system.rules.pipe_in_sticks else {}
    name = system.rules.store
    cuts = cut_list(system.network, plan, catalog, rules, owned_m=owned_m, store=name, quoted_cents=store.quoted_cents)
    bill = bill_of(
        system,
        plan,
        catalog=catalog,
        cuts=cuts if system.rules.pipe_in_sticks else None,
        spares=spares_for(plan, catalog) if spares else (),
    )
    return cuts, bill, too_long


def _rules_for(
    system: System, plan: Plan, catalog: Catalog, store: Store
) -> tuple[tuple[StickRule, ...], tuple[str, ...]]:
    """Return the rules, with a length cut to order where a piece is longer than every stick, and notes that say so."""
    systems = dict.fromkeys(rule.system for rule in store.sticks)
    wide = tuple(StickRule("", system_of, _ANY_M, default=True) for system_of in systems)
    lengths: dict[str, float] = {}
    items: dict[str, CatalogItem] = {}
    for pipes in cut_list(system.network, plan, catalog, wide or _wide_for(plan)).pipes:
        items[pipes.item.item_id] = pipes.item
        lengths[pipes.item.item_id] = max(piece.cut_m for piece in pipes.pieces)
    rules, notes = list(store.sticks), []
    for item_id, longest_m in lengths.items():
        item = items[item_id]
        if longest_m > max(stick.length_m for stick in sticks_of(item, tuple(rules), system.rules.store)):
            order_m = math.ceil(longest_m / item.sale_length_m - 1e-9) * item.sale_length_m
            rules += _to_order(rules, item, order_m, system.rules.store)
            notes.append(
                f"a piece of {show_length(longest_m, system.units)} of {item.description} is longer than the sticks of "
                "this store: have one cut to order, or join two with a coupling"
            )
    return tuple(rules), tuple(notes)


def _to_order(rules: Sequence[StickRule], item: CatalogItem, length_m: float, store: str) -> list[StickRule]:
    """Return a rule for a length cut to order, at the store that counts for this pipe."""
    own = [rule for rule in rules if rule.system == item.ends[0].system]
    like = next((rule for rule in own if rule.store == store), None) or next((r for r in own if r.default), None)
    if like is None:
        return [StickRule(store, item.ends[0].system, length_m, default=True)]
    return [replace(like, length_m=length_m)]


def _wide_for(plan: Plan) -> tuple[StickRule, ...]:
    systems = {
        part.item.ends[0].system for one in plan.runs.values() for part in one.parts if part.item and part.item.ends
    }
    return tuple(StickRule("", one, _ANY_M, default=True) for one in systems)
