"""The cheapest plan with the fewest saw cuts: the least number of cuts with which there is a plan at all."""

from __future__ import annotations

from dataclasses import replace

from optimizer.model.catalog import Catalog
from optimizer.model.system import System
from optimizer.search.cheapest import Search, find_plan


def with_cuts(system: System, most_cuts: int | None) -> System:
    """Return the system with at most so many saw cuts into pipe that stands; None: any number."""
    return replace(system, rules=replace(system.rules, most_cuts=most_cuts))


def fewest_cuts(system: System, catalog: Catalog, found: Search, least: int = 0) -> Search:
    """Return the cheapest plan with the fewest cuts.

    Parameters
    ----------
    system, catalog
        As for `find_plan`.
    found
        A plan for the same system, whatever its cuts.
    least
        With fewer cuts than this there is known to be none.
    """
    best = found
    while least < best.plan.cuts:
        middle = (least + best.plan.cuts - 1) // 2
        fewer = find_plan(with_cuts(system, middle), catalog, with_reasons=False)
        if fewer.plan.found:
            best = fewer
        else:
            least = middle + 1
    return best
