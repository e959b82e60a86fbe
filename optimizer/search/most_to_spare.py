"""A plan where flows are not known beforehand → of those that cost the same the one that exceeds its targets the most.

The targets are raised a little beyond what the plan reaches, and again beyond what comes of that, as long as a plan
whose list costs no more is found soon. The pumps run as they do in the plan: a faster one is no better plan.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

from optimizer.choices.scaled import can_grow, with_margin
from optimizer.clock import TimeIsUp
from optimizer.errors import NetworkError
from optimizer.model.plan import Plan, planned_networks
from optimizer.model.system import System
from optimizer.search.checks import verdicts
from optimizer.search.question import Question
from optimizer.search.unknown_flows import UnknownSearch
from optimizer.verify.reach import reach_of

_CLEARLY = 0.002  # of the targets: less of a gain is not looked for
_SHARE, _TIME_S = 0.1, 1.5  # of the time left, and at the most
_TIMES = 4
Find = Callable[[System, int, float], UnknownSearch]  # below a cost [cents], in so many seconds


def with_most_to_spare(question: Question, found: UnknownSearch, lasting: int, find: Find) -> UnknownSearch:
    """Return a plan of the same cost that exceeds its targets by more, where one is found soon; else the one found.

    `lasting` is what is unsafe with the plan: no more may be so with another one.
    """
    system, total = question.system, found.plan.total_cents
    if not total or not can_grow(system) or system.rules.other_pumps or not question.with_reasons:
        return found
    held, until, best = _at_speeds(system, found.plan), time.monotonic() + min(_TIME_S, _SHARE * question.time_s), found
    try:
        reached = _reached(held, best.plan)
        for _ in range(_TIMES):
            left_s = until - time.monotonic()
            if left_s <= 0.0 or reached < 1.0:
                break
            other = find(with_margin(held, reached * (1.0 + _CLEARLY) - 1.0), total + 1, left_s)
            if not other.plan.found or other.plan.total_cents != total or other.by_hand:
                break
            then = verdicts(system, other.plan, question.catalog)
            further = _reached(held, other.plan)
            if then.failures or then.lasting > lasting or further <= reached:
                break
            best, reached = other, further
    except (TimeIsUp, NetworkError):
        pass
    if best is found:
        return found
    plan = replace(best.plan, status=found.plan.status, bound_cents=found.plan.bound_cents, notes=found.plan.notes)
    plan = replace(plan, material_cents=found.plan.material_cents, left_out=found.plan.left_out)
    return replace(best, plan=plan, bound_cents=found.bound_cents, cents=found.cents)


def _at_speeds(system: System, plan: Plan) -> System:
    if system.settings:
        return system
    network = system.network
    pumps = {
        name: replace(pump, speed=plan.pump_speeds.get(name, pump.speed), speeds=())
        for name, pump in network.pumps.items()
    }
    return replace(system, network=replace(network, pumps=pumps))


def _reached(system: System, plan: Plan) -> float:
    return reach_of(system, planned_networks(system, plan)).scale
