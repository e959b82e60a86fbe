"""What a plan among others promises: in what share of all cases it meets the targets, its valves trimmed."""

from __future__ import annotations

from optimizer.choices.demands import flows_if_known
from optimizer.errors import NetworkError
from optimizer.hydraulics.chance import least_share
from optimizer.model.plan import Plan, planned_network
from optimizer.model.system import System
from optimizer.search.checks import cut_apart
from optimizer.search.watch import Watch
from optimizer.verify.chance import DRAWS, Cases, chance_of, works_known
from optimizer.verify.check import verify_plan


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
