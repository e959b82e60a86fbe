"""Two stores with their price lists → the cheapest plan and where to buy each of its lines, or all of it at one.

Three plans are sought: one from each store alone, and one that takes every part from the store where it costs less. No
plan that is bought at both costs less than that last one with both deliveries, so that the best of the three, its list
split exactly, is often proved; a minimum order that is not reached may leave a gap, and then it is told.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from optimizer.choices.for_sale import for_sale
from optimizer.model.catalog import Catalog
from optimizer.model.note import Note
from optimizer.model.plan import Plan, Status
from optimizer.model.seller import Seller
from optimizer.model.system import System
from optimizer.program.split import Terms, solve_split
from optimizer.search.engine import solve
from optimizer.search.question import Question
from optimizer.search.watch import Watch
from optimizer.takeoff.store_lists import StoreLine, store_lines


@dataclass(frozen=True, slots=True)
class Order:
    """A plan as it is bought: the store of every line, by its place in the two, and what all of it costs [cents].

    `parts_cents` is what the stores charge, deliveries and minimum orders counted; `cents` counts work and electricity
    as well, where the owner gave them a price.
    """

    plan: Plan
    lines: tuple[StoreLine, ...]
    stores: tuple[int, ...]
    parts_cents: int
    cents: int

    def at(self, store: int) -> int:
        """Return what the lines that are bought at a store come to [cents]."""
        return sum(line.cents[store] or 0 for line, own in zip(self.lines, self.stores, strict=True) if own == store)


@dataclass(frozen=True, slots=True)
class Shopping:
    """The best order, those from one store alone (None: no plan from that store), and what none costs less than."""

    sellers: tuple[Seller, ...]
    best: Order | None
    alone: tuple[Order | None, ...]
    bound_cents: int
    reasons: tuple[Note, ...] = ()  # why there is no order at all
    is_proved_none: bool = False  # no order at all, with proof

    @property
    def gap_cents(self) -> int:
        return 0 if self.best is None else max(0, self.best.cents - self.bound_cents)


def shop(system: System, catalogs: Sequence[Catalog], sellers: Sequence[Seller], watch: Watch) -> Shopping:
    """Return the cheapest way to buy a plan at two stores, or all of it at one.

    Parameters
    ----------
    system
        What stands and what is wanted. Its rule `minimum order` is not looked at: each store has its own.
    catalogs
        The catalogs with the price list of each store over them, in one currency.
    sellers
        The stores, in the same order.
    watch
        The clock of all three searches together.

    Raises
    ------
    InputError
        When a price list has no price in it.
    PlanError
        When the targets cannot be posed.
    """
    rules = replace(system.rules, own_lists_only=True, minimum_order_cents=0)
    system = replace(system, rules=rules)
    stores = [for_sale(system, catalog) for catalog in catalogs]
    terms = [Terms(each.minimum_order_cents, each.delivery_cents) for each in sellers]
    both = _cheaper_of(catalogs)
    plans: list[Plan] = []
    for share, catalog in ((1 / 3, both), (1 / 2, catalogs[0]), (1.0, catalogs[1])):
        with watch.part(share) as part:
            plans.append(solve(Question(system, catalog, part, with_reasons=catalog is both)).plan)
    from_both = [_split(system, plan, both, stores, terms) for plan in plans]
    alone = tuple(
        _split(system, plan, both, [store if k == own else _empty(store) for k, store in enumerate(stores)], terms)
        for own, plan in enumerate(plans[1:])
    )
    orders = [order for order in (*from_both, *alone) if order is not None]
    if not orders:
        return Shopping(tuple(sellers), None, alone, 0, plans[0].reasons, plans[0].status is Status.INFEASIBLE)
    best = min(orders, key=lambda order: (order.cents, len(set(order.stores))))  # one trip, where it is as cheap
    told = terms if _buys_for_sure(system) else [Terms() for _ in terms]
    return Shopping(tuple(sellers), best, alone, min(best.cents, _bound(plans, told)))


def _cheaper_of(catalogs: Sequence[Catalog]) -> Catalog:
    """Return one catalog with every row at the price of the store where it costs less."""
    items = dict(catalogs[0].items)
    for catalog in catalogs:
        for key in catalog.own:
            known = [one.items[key] for one in catalogs if key in one.own]
            items[key] = min(known, key=lambda item: item.price_cents)
    return replace(catalogs[0], items=items, own=frozenset().union(*(catalog.own for catalog in catalogs)))


def _empty(store: Catalog) -> Catalog:
    return replace(store, items={}, elsewhere={**store.elsewhere, **store.items})


def _split(
    system: System, plan: Plan, catalog: Catalog, stores: Sequence[Catalog], terms: Sequence[Terms]
) -> Order | None:
    if not plan.found:
        return None
    lines = store_lines(system, plan, catalog, stores)
    split = solve_split([line.cents for line in lines], terms)
    if split is None:
        return None
    return Order(plan, lines, split.stores, split.cents, split.cents + plan.effort_cents + plan.energy_cents)


def _buys_for_sure(system: System) -> bool:
    """Return whether a plan that costs anything buys something: no work and no electricity has a price."""
    rules = system.rules
    return not (rules.labour_cents_per_hour or rules.electricity_cents_per_kwh)


def _bound(plans: Sequence[Plan], terms: Sequence[Terms]) -> int:
    """Return what no order costs less than [cents]: bought at one store, at the other, or at both."""
    both, *alone = (_least(plan) for plan in plans)
    if both <= 0:
        return 0
    least = [
        max(bound, own.least) + own.delivery if bound > 0 else 0.0 for bound, own in zip(alone, terms, strict=True)
    ]
    together = max(both, sum(own.least for own in terms)) + sum(own.delivery for own in terms)
    bound = min(together, *least)
    return 0 if math.isinf(bound) else int(bound)


def _least(plan: Plan) -> float:
    """Return what no plan from the same prices costs less than [cents], endless where there is none.

    Where the proof counts pipe by what is used, it says nothing of lists.
    """
    if plan.status is Status.INFEASIBLE:
        return math.inf
    counted = (plan.cost_cents or 0) + plan.effort_cents + plan.energy_cents
    return float(plan.bound_cents or 0) if plan.found and plan.material_cents == counted else 0.0
