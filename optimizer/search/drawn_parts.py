"""Ways where draws count → parts of all lists, by what pipe costs on them, that are proved one by one.

A program that mixes lists of several sizes of pipe thinks that it can have a share of a length of each; by itself each
kind of list has far fewer ways, and pays for whole lengths from the start.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt

from optimizer.program.problem import LOSS_UNIT_M, RunChoice, SizingProblem
from optimizer.program.through import through_costs
from optimizer.search.each_draw import EachDraw
from optimizer.search.list_lower import LowerPrices
from optimizer.search.list_ways import Way
from optimizer.search.posing import LEAST_PER_CENT, PosedProblem

Kept = tuple[Mapping[str, Sequence[int]], Mapping[str, Sequence[int]]]  # ways by run, fittings by tee: their numbers
Between = Mapping[str, tuple[int, float]]  # what a pipe costs at the least and at the most [cents]

_ASKED = 10  # draws, where a plan may fail in none, whose tables are asked which ways are needless
_GAIN = 0.02  # of all ways: a draw that leaves out fewer is not asked again


def parts_by_pipe(
    needless: NeedlessWays, problem: SizingProblem, prices: LowerPrices, most_cents: Callable[[], float]
) -> Iterator[tuple[Kept, Between]]:
    """Yield the ways and fittings of every part that lists up to a price may have, with what pipe costs there.

    Of pipes of which a first length is told apart: nothing, that length, or more. The price is that of the sum of lower
    prices [thousandths of a cent]; it is asked for anew for each part.
    """
    packs = prices.options.packs
    pipes = [pack.method for pack in packs if pack.method in prices.opened]  # behind all others
    seals = (1 << len(packs) - len(pipes)) - 1
    runs = {run: tuple(replace(one, packs=one.packs & seals) for one in some) for run, some in problem.runs.items()}
    alike = replace(problem, runs=runs, packs=problem.packs[: len(packs) - len(pipes)])
    tees = {tee: range(len(some)) for tee, some in problem.tees.items()}
    items, pipe = prices.options.catalog.items, prices.shop.pipes
    costs = {key: _costs([one.price_cents for one in pipe.stock(items[key])]) for key in pipes}
    for used in product((False, True), repeat=len(pipes)):
        bits = sum(1 << i for i, each in enumerate(used) if each) * (seals + 1)
        own = {
            run: [k for k, one in enumerate(some) if one.packs & ~(bits | seals) == 0]
            for run, some in problem.runs.items()
        }
        found: Kept | None = (own, tees) if all(own.values()) else None
        taken = [key for key, is_used in zip(pipes, used, strict=True) if is_used]
        for i, each in enumerate(product(*(costs[key] for key in taken))):
            least = LEAST_PER_CENT * sum(cents for cents, _ in each)
            left = None if found is None else needless.without(alike, found, most_cents() - least)
            found = left if i == 0 else found  # of which the dearer ones have some
            if left is not None:
                yield left, dict(zip(taken, each, strict=True))


def _costs(lengths: Sequence[int]) -> list[tuple[int, float]]:
    """Return what pipe costs on a list that has any: one of the cheapest length [cents], or at the least so much."""
    first, *more = sorted(set(lengths))
    return [(first, first), (min([2 * first, *more]), math.inf)]


class NeedlessWays:
    """Tells which of some ways, and of all fittings, the tables of the draws have in no plan up to a price.

    Of the first draw, and where a plan may fail in none of several more. Losses and heads are rounded down.
    """

    def __init__(self, each: EachDraw, posed: PosedProblem, ways: Mapping[str, Sequence[Way]]) -> None:
        count = 1 if each.may_fail else min(_ASKED, len(each.at))
        every = {tee: range(len(found)) for tee, found in posed.tees.items()}
        self._draws = range(count)
        self._heads = {name: _rounded_down(head) for name, head in each.heads().items()}
        self._tees = each.tees(posed, every)
        self._lost = {
            run: _rounded_down(np.array([way.lost_m[:count] for way in found]).T / LOSS_UNIT_M)
            for run, found in ways.items()
        }

    def without(self, problem: SizingProblem, kept: Kept, most_cents: float) -> Kept | None:
        """Return what is left of the ways and fittings kept; None where there is no such plan.

        `problem` has all ways at their lower prices.
        """
        asked: Sequence[int] = self._draws
        while asked:
            tells = []
            for draw in asked:
                costs = through_costs(self._at(problem, draw, kept), None, math.ceil(most_cents))
                useful = ({}, {}) if costs is None else costs.useful(most_cents)
                if not all(own for group in useful for own in group.values()) or not useful[0]:
                    return None
                before = sum(map(len, kept[0].values()))
                runs, tees = (
                    {name: [group[name][k] for k in own] for name, own in found.items()}
                    for group, found in zip(kept, useful, strict=True)
                )
                kept = runs, tees
                if len(self._draws) > 1 and sum(map(len, runs.values())) < (1.0 - _GAIN) * before:
                    tells.append(draw)
            asked = tells
        return kept

    def _at(self, problem: SizingProblem, draw: int, kept: Kept) -> SizingProblem:
        """Return the problem in a draw with those ways and fittings alone that are kept."""
        runs = {}
        for run, own in kept[0].items():
            lost, some = self._lost[run][draw], problem.runs[run]
            alike = ((some[k], lost[k]) for k in own)
            runs[run] = tuple(
                RunChoice(one.start, one.end, one.cents, loss, one.packs, one.uses) for one, loss in alike
            )
        tees = {}
        for tee, own in kept[1].items():
            each = {k: {end: math.floor(one[draw]) for end, one in self._tees[tee][k].items()} for k in own}
            tees[tee] = tuple(replace(problem.tees[tee][k], losses=each[k]) for k in own)
        paths = tuple(
            replace(path, head=self._heads[path.name][draw]) if path.name in self._heads else path
            for path in problem.paths
        )
        return replace(problem, runs=runs, tees=tees, paths=paths)


def _rounded_down(units: npt.NDArray[np.float64]) -> Any:
    return np.floor(units).astype(np.int64).tolist()
