"""How far the best plan gets, by questions for any plan at one multiple of the targets after another."""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass, replace

from optimizer.choices.scaled import scaled
from optimizer.clock import TimeIsUp, limited
from optimizer.model.catalog import Catalog
from optimizer.model.network import Network
from optimizer.model.note import Note
from optimizer.model.plan import Plan, planned_networks
from optimizer.model.system import System
from optimizer.search.checks import cut_apart
from optimizer.search.engine import solve
from optimizer.search.question import Answer, Question
from optimizer.search.watch import Watch
from optimizer.verify.check import verify_plan
from optimizer.verify.reach import Reach, best_speeds
from optimizer.verify.settings import MOST

STEP = 0.01  # how finely the best that can be reached is told
_FIRST_STEP = 2.0  # upwards, while nothing is known above
_SHARE = 0.34  # of the time left, for one search


@dataclass(frozen=True)
class PlannedReach:
    """A plan with the multiple of the targets that it holds, told by the network."""

    found: Answer
    plan: Plan
    reach: Reach
    networks: tuple[Network, ...]


@dataclass(frozen=True)
class BestReach:
    """The most that some plan reaches. `beyond`: proved that no plan reaches this (infinite: nothing is proved).

    `left_out` are the plans of which that is not proven, as `Plan` has it.
    """

    best: PlannedReach | None
    scale: float
    beyond: float
    left_out: tuple[Note, ...] = ()


def planned_reach(system: System, found: Answer, at: float, watch: Watch) -> PlannedReach:
    """Return what a plan that was found at a multiple reaches, its pumps at the speeds that give the most.

    The plan then has these speeds. It keeps its own where they are the best there are, or the time is over.
    """
    system = cut_apart(system, found.plan)
    networks = planned_networks(system, found.plan)
    reach = Reach(0.0, {}, {})
    with suppress(TimeIsUp), limited(watch.left_s):
        reach = best_speeds(system, networks)
    if reach.scale < at:  # valves or speeds that no start led to again: it reaches what it was found and checked for
        checked = verify_plan(scaled(system, at), found.plan)
        flows = {one.name: one.flows_m3_s for one in checked.settings} or {"": checked.flows_m3_s}
        return PlannedReach(found, found.plan, Reach(at, flows, found.plan.pump_speeds), networks)
    plan = found.plan if system.settings else replace(found.plan, pump_speeds=dict(reach.speeds))
    return PlannedReach(found, plan, reach, planned_networks(system, plan))


def best_reach(system: System, catalog: Catalog, watch: Watch, low: float, high: float, proved: bool) -> BestReach:
    """Return the largest multiple of the targets that some plan reaches, to `STEP`.

    Parameters
    ----------
    low
        A multiple that is reached surely, 0 where none is known.
    high
        The end of what is looked at; with `proved` no plan reaches it.
    """
    beyond = high if proved else math.inf
    best: PlannedReach | None = None
    left_out: tuple[Note, ...] = ()
    while not watch.over and high > max(low * (1 + STEP), STEP):
        at = _next(low, high, beyond)
        words = f"is {at:.0%} within reach"
        found = solve(Question(scaled(system, at), catalog, watch, words, _SHARE, first_will_do=True))
        if found.found:
            there = planned_reach(system, found, at, watch)
            low = at if system.rules.certainty else max(at, there.reach.scale)  # so much of it is not as certain
            best = there
        elif found.proved_none:
            high = beyond = at
            left_out = found.left_out
        else:
            high = at
    return BestReach(best, low, beyond, left_out)


def _next(low: float, high: float, beyond: float) -> float:
    """Return the multiple to look at next: the middle, or well above the best where no end is in sight."""
    if math.isinf(beyond) and low > 0.0:
        return min(_FIRST_STEP * low, 0.5 * (low + high), MOST)
    return 0.5 * (low + high)
