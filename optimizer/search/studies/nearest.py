"""A plan → others next to it by cost that pass every check, with what they promise: what a little more money buys."""

from __future__ import annotations

from collections.abc import Iterable

from optimizer.model.catalog import Catalog
from optimizer.model.outcome import Nearest
from optimizer.model.plan import Plan
from optimizer.model.system import System
from optimizer.search.checks import verdicts
from optimizer.search.studies.promise import works_in
from optimizer.search.watch import Watch

_LOOKED_AT = 2  # each takes a solution of the network
_A_LITTLE = 1.25  # of what the plan costs, for fewer saw cuts


def nearest_beyond(system: System, plan: Plan, catalog: Catalog, watch: Watch) -> tuple[Nearest, ...]:
    """Return of the plans that the search had at hand the one next by cost, and the next one with fewer saw cuts.

    Both pass every check and keep the budget. Neither need be the cheapest of its kind. Empty where the search had none
    at hand (flows that are not known, several pumps, nothing to buy).
    """
    most = system.rules.budget_cents
    at_hand = [one for one in plan.beyond if most is None or _cents(one) <= most]
    near = _first_sound(system, at_hand, catalog)
    least = plan.cuts if near is None else min(plan.cuts, near.cuts)
    little = [one for one in at_hand if one.cuts < least and _cents(one) <= _A_LITTLE * _cents(plan)]
    found = [one for one in (near, _first_sound(system, little, catalog)) if one is not None]
    return tuple(Nearest(_cents(one), one.cuts, works_in(system, one, watch)) for one in found)


def _first_sound(system: System, plans: Iterable[Plan], catalog: Catalog) -> Plan | None:
    looked_at = list(plans)[:_LOOKED_AT]
    return next((one for one in looked_at if not verdicts(system, one, catalog).failures), None)


def _cents(plan: Plan) -> int:
    return plan.cost_cents or 0
