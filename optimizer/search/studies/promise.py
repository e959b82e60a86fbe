"""What a plan among others promises: in what share of all cases it meets the targets, its valves trimmed.

Of plans next to one by cost that pass every check: what a little more money buys.
"""

from __future__ import annotations

from collections.abc import Iterable

from optimizer.choices.demands import flows_if_known
from optimizer.errors import NetworkError
from optimizer.hydraulics.chance import least_share
from optimizer.model.catalog import Catalog
from optimizer.model.outcome import Nearest
from optimizer.model.plan import Plan, planned_network
from optimizer.model.system import System
from optimizer.search.checks import cut_apart, verdicts
from optimizer.search.watch import Watch
from optimizer.verify.chance import DRAWS, Cases, chance_of, works_known
from optimizer.verify.check import verify_plan

_LOOKED_AT = 2  # each takes a solution of the network
_A_LITTLE = 1.25  # of what the plan costs, for fewer saw cuts


def works_in(system: System, plan: Plan, watch: Watch) -> float | None:
    """Return the share of draws in which a plan meets every target of a system, valves trimmed; None: not worked out.

    Where flows are not known beforehand that takes a trimming for each draw, so it is left out once the time is over.
    """
    told = promise_of(system, plan, watch)
    return None if told is None else told[0]


def promise_of(system: System, plan: Plan, watch: Watch) -> tuple[float, float] | None:
    """Return the share of `works_in`, and the lower end of its one-sided 95 % confidence interval."""
    there = cut_apart(system, plan)
    known = None if set(plan.new_pumps) - set(there.network.pumps) else flows_if_known(there)
    try:
        if known is not None:
            works = works_known(Cases.of(there, DRAWS), known, planned_network(there.network, plan))
            return float(works.mean()), least_share(int(works.sum()), len(works))
        if watch.over:
            return None
        chance = chance_of(there, plan, verify_plan(there, plan))
        return None if chance.trimmed is None else (chance.trimmed, chance.least[0])
    except NetworkError:
        return None


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
