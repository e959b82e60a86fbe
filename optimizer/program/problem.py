"""The choice of one alternative for every run and tee, in whole numbers: what a solver is given and gives back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

State = int  # an end state of a run at a tee, numbered per tee opening
LOSS_UNIT_M = 1e-5  # one loss unit is 0.01 mm of head
NO_LIMIT = 10**8  # the head of a path that may lose whatever it likes, in loss units: a kilometre


@dataclass(frozen=True, slots=True)
class RunChoice:
    """One alternative of a run: whole cents, whole loss units (rounded up), packs opened (bits), end states."""

    start: State
    end: State
    cents: int
    loss: int
    packs: int = 0
    uses: tuple[int, ...] = ()  # whole units of each thing that the problem limits; what is left out: none

    def use(self, i: int) -> int:
        """Return how many units of the i-th limited thing it uses."""
        return self.uses[i] if i < len(self.uses) else 0


@dataclass(frozen=True, slots=True)
class TeeChoice:
    """One fitting for a tee: cents, and for every run end in it the state there and the loss it adds to that run."""

    cents: int
    states: Mapping[tuple[str, bool], State]  # (run, at its start)
    losses: Mapping[tuple[str, bool], int]
    packs: int = 0
    uses: tuple[int, ...] = ()  # as of a run

    def use(self, i: int) -> int:
        """Return how many units of the i-th limited thing it uses."""
        return self.uses[i] if i < len(self.uses) else 0


@dataclass(frozen=True, slots=True)
class Path:
    """A way from a source to a demand: what is lost along `runs` and `tee_ends` may not exceed `head` loss units.

    `moves`: the head goes up and down with the pump's; else it is given (house water, a tank above).
    """

    name: str
    runs: tuple[str, ...]
    tee_ends: tuple[tuple[str, str, bool], ...]  # (tee, run, at its start)
    head: int  # rounded down; `NO_LIMIT`: any
    moves: bool = True

    @property
    def is_limited(self) -> bool:
        return self.head < NO_LIMIT


@dataclass(frozen=True, slots=True)
class Limit:
    """A plan may use at most so many whole units of something besides money and head: saw cuts, mL of water.

    `packs` are the units that each opened pack uses; empty: none. `is_cost` says that it is the cost itself.
    """

    words: str
    most: int
    packs: tuple[int, ...] = ()
    is_cost: bool = False

    def with_opened(self, packs: int) -> Limit:
        """Return what is left to use once these packs (bits) are opened, with none to open any more."""
        used = sum(units for k, units in enumerate(self.packs) if packs >> k & 1)
        return Limit(self.words, self.most - used, (), self.is_cost)


@dataclass(frozen=True)
class SizingProblem:
    """Pick one choice per run and tee so that ends agree and every path keeps within its head, at the least cost.

    `packs` are the cents for the first use of each consumable; `limits` what all choices together may use only so much
    of, in the order of their `uses`.
    """

    runs: Mapping[str, tuple[RunChoice, ...]]
    tees: Mapping[str, tuple[TeeChoice, ...]]
    paths: tuple[Path, ...]
    packs: tuple[int, ...] = ()
    limits: tuple[Limit, ...] = ()


class Outcome(StrEnum):
    OPTIMAL = "optimal"
    FEASIBLE = "feasible"
    INFEASIBLE = "infeasible"
    NO_PLAN_FOUND = "none found"


@dataclass(frozen=True, slots=True)
class Selection:
    """What the solver chose: the index of every run's and tee's choice, its cost, the proved lower bound in cents."""

    outcome: Outcome
    run_choice: Mapping[str, int]
    tee_choice: Mapping[str, int]
    cents: int | None
    bound_cents: int | None
    solver: str


def cost_of(problem: SizingProblem, run_choice: Mapping[str, int], tee_choice: Mapping[str, int]) -> int:
    """Return the cost in whole cents of a selection, worked out from the data alone."""
    chosen = [problem.runs[run][k] for run, k in run_choice.items()]
    fittings = [problem.tees[tee][k] for tee, k in tee_choice.items()]
    cents = sum(c.cents for c in chosen) + sum(c.cents for c in fittings)
    opened = 0
    for packs in [*(c.packs for c in chosen), *(c.packs for c in fittings)]:
        opened |= packs
    return cents + sum(price for i, price in enumerate(problem.packs) if opened >> i & 1)


def excess_of(problem: SizingProblem, run_choice: Mapping[str, int], tee_choice: Mapping[str, int]) -> int:
    """Return by how many loss units the worst path exceeds its head (negative: how much is left)."""
    worst = None
    for path in (path for path in problem.paths if path.is_limited):
        lost = sum(problem.runs[run][run_choice[run]].loss for run in path.runs)
        lost += sum(problem.tees[tee][tee_choice[tee]].losses[run, start] for tee, run, start in path.tee_ends)
        worst = lost - path.head if worst is None else max(worst, lost - path.head)
    return worst if worst is not None else 0


def used_of(problem: SizingProblem, run_choice: Mapping[str, int], tee_choice: Mapping[str, int]) -> tuple[int, ...]:
    """Return how many units of each limited thing a selection uses, packs included, from the data alone."""
    if not problem.limits:
        return ()
    chosen: list[RunChoice | TeeChoice] = [problem.runs[run][k] for run, k in run_choice.items()]
    chosen += [problem.tees[tee][k] for tee, k in tee_choice.items()]
    opened = 0
    for choice in chosen:
        opened |= choice.packs
    return tuple(
        sum(choice.use(i) for choice in chosen) + sum(units for k, units in enumerate(limit.packs) if opened >> k & 1)
        for i, limit in enumerate(problem.limits)
    )


def exceeded(problem: SizingProblem, run_choice: Mapping[str, int], tee_choice: Mapping[str, int]) -> tuple[str, ...]:
    """Return in words which limits a selection exceeds, and by how much; nothing where it keeps within all."""
    used = used_of(problem, run_choice, tee_choice)
    return tuple(
        f"{units - limit.most} {limit.words} too many"
        for units, limit in zip(used, problem.limits, strict=True)
        if units > limit.most
    )
