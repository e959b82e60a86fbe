"""The most flow that the rules allow, a budget among them: the largest multiple of all least flows of any plan."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from optimizer.choices.scaled import scaled
from optimizer.model.catalog import Catalog
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.search.engine import solve
from optimizer.search.question import Question
from optimizer.search.studies.ways_out import present_share
from optimizer.search.watch import Watch
from optimizer.verify.reach import most_scale

_LOOK_SHARE = 0.25  # of the time left, for a look at one multiple
_KEPT = 0.4  # of the time, for the cheapest plan at the largest multiple found
STEP = 0.01  # how finely the most is told
_GROWTH = 1.25
_SURELY = 0.999  # of what is reached today: losses are rounded up

Look = Callable[[System], Plan]


@dataclass(frozen=True, slots=True)
class MostFlow:
    """A plan gives `scale` times the least flows; that none gives `beyond` times is proved (infinite: nothing is)."""

    scale: float
    beyond: float


def most_flow(system: System, look: Look, low: float, step: float = STEP, high: float = math.inf) -> MostFlow:
    """Return the largest multiple of the minimum flows at which a plan is found, to `step`.

    Parameters
    ----------
    system
        Least flows without an upper end may grow beyond 1, the others only shrink below it.
    look
        Searches for a plan of a system, any plan.
    low
        A multiple that is surely reached; 0 where none is known.
    high
        A multiple at which no plan was found; infinite where there is none.
    """
    top = most_scale(system)
    low, beyond = min(low, top), math.inf
    while min(high, top) > max(low * (1 + step), step):
        at = _next(low, high, top)
        found = look(scaled(system, at))
        if found.found:
            low = at
        else:
            high = at
            beyond = at if found.status is Status.INFEASIBLE else beyond
    return MostFlow(low, beyond)


def _next(low: float, high: float, top: float) -> float:
    """Return the multiple to look at next: first the targets themselves, then ever more, then between the two."""
    if math.isfinite(high):
        return 0.5 * (low + high)
    return 1.0 if low < 1.0 else min(top, low * _GROWTH)


def any_plan_of(system: System, catalog: Catalog, watch: Watch) -> tuple[float, Look]:
    """Return a multiple that the plumbing reaches as it stands, and how to look for any plan of the system.

    Each look takes a share of the time that is left.
    """

    kept_s = _KEPT * watch.left_s

    def look(wanted: System) -> Plan:
        if watch.over or watch.left_s < kept_s:
            return Plan(Status.NO_PLAN_FOUND, None, None, catalog.currency, {}, {}, {}, reasons=(watch.why_over,))
        return solve(Question(wanted, catalog, watch, first_will_do=True, share=_LOOK_SHARE)).plan

    return _SURELY * present_share(system, watch), look
