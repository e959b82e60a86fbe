"""The cheapest plan with the fewest saw cuts: the least number of cuts with which there is a plan at all."""

from __future__ import annotations

from dataclasses import replace

from optimizer.model.system import System
from optimizer.search.engine import solve
from optimizer.search.question import Answer, Question


def with_cuts(system: System, most_cuts: int | None) -> System:
    """Return the system with at most so many saw cuts into pipe that stands; None: any number."""
    return replace(system, rules=replace(system.rules, most_cuts=most_cuts))


def fewest_cuts(question: Question, found: Answer, least: int = 0) -> tuple[Answer, bool]:
    """Return the cheapest plan with the fewest cuts, and whether it is proved that no plan has fewer.

    Halves between `least` and the cuts of the best plan so far, until fewer are proved to be too few.

    Parameters
    ----------
    question
        As it was asked for `found`; its share of the time is that of each search.
    found
        A plan for the same system, whatever its cuts.
    least
        With fewer cuts than this there is known to be none.
    """
    best, proved = found, True
    while least < best.plan.cuts:
        middle = (least + best.plan.cuts - 1) // 2
        fewer = None
        if not question.clock.over:
            words = f"at most {middle} cuts"
            fewer = solve(replace(question, system=with_cuts(question.system, middle), words=words))
        if fewer is not None and fewer.found:
            best = fewer
        else:
            proved = proved and fewer is not None and fewer.proved_none
            least = middle + 1
    return best, proved
