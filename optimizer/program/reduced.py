"""Which alternatives can still be in a plan below a given cost: reduced costs of the linear relaxation."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from optimizer.program.branches import TOLERANCE_CENTS, pack_branches
from optimizer.program.problem import SizingProblem


@dataclass(frozen=True)
class ReducedCosts:
    """What a plan costs at least [cents] if it uses an alternative: by run or tee and index; endless if none can."""

    bound: float
    runs: Mapping[str, list[float]]
    tees: Mapping[str, list[float]]

    def useful(self, most_cents: float) -> tuple[dict[str, list[int]], dict[str, list[int]]]:
        """Return the indices of what can be in a plan of at most this cost."""

        def kept(group: Mapping[str, list[float]]) -> dict[str, list[int]]:
            limit = most_cents + TOLERANCE_CENTS
            return {name: [i for i, least in enumerate(costs) if least <= limit] for name, costs in group.items()}

        return kept(self.runs), kept(self.tees)

    @property
    def count(self) -> int:
        """Return how many alternatives can be in a plan at all."""
        groups = (self.runs, self.tees)
        return sum(math.isfinite(cost) for group in groups for costs in group.values() for cost in costs)

    def within(self, most_cents: float) -> int:
        """Return how many alternatives can be in a plan of at most this cost."""
        groups = (self.runs, self.tees)
        return sum(cost <= most_cents + TOLERANCE_CENTS for group in groups for each in group.values() for cost in each)

    def cheapest(self, count: int) -> float:
        """Return the cost up to which about so many alternatives are useful."""
        costs = sorted(cost for group in (self.runs, self.tees) for each in group.values() for cost in each)
        finite = [cost for cost in costs if math.isfinite(cost)]
        return finite[min(count, len(finite)) - 1] if finite else math.inf


def reduced_costs(problem: SizingProblem) -> ReducedCosts | None:
    """Return the bound of the relaxation and, for every alternative, the bound with it; None when nothing serves.

    Over all sets of packs that a plan may open; within a set the bound of an alternative is that of the relaxation
    and its reduced cost.
    """
    runs = {run: [math.inf] * len(choices) for run, choices in problem.runs.items()}
    tees = {tee: [math.inf] * len(choices) for tee, choices in problem.tees.items()}
    bound = math.inf
    for branch in pack_branches(problem):
        bound = min(bound, branch.bound)
        for all_costs, kept, costs in (
            (runs, branch.runs, branch.run_costs),
            (tees, branch.tees, branch.tee_costs),
        ):
            for name, indices in kept.items():
                for i, cost in zip(indices, costs[name], strict=True):
                    all_costs[name][i] = min(all_costs[name][i], branch.bound + max(cost, 0.0))
    return ReducedCosts(bound, runs, tees) if math.isfinite(bound) else None
