"""Pieces of pipe and the sticks of a store → which sticks to buy and what to cut from each, at the least cost."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from optimizer.errors import PlanError
from optimizer.model.stock import StockLength
from optimizer.program.cutting import MOST_PATTERNS, CutStick, CuttingProblem, solve_cutting

UNIT_M = 1e-4  # pieces and saw cuts are rounded up to this, sticks down: a saw is no finer
_TINY = 1e-6


@dataclass(frozen=True, slots=True)
class Stick:
    """One stick and what is cut from it. The pieces, the saw cuts and the offcut are together as long as the stick.

    `cuts` are places in the list of pieces that was asked for; `pieces_m` their lengths.
    """

    length_m: float
    owned: bool
    price_cents: int
    cuts: tuple[int, ...]
    pieces_m: tuple[float, ...]
    offcut_m: float

    @property
    def saw_m(self) -> float:
        """What the saw turns to dust [m]."""
        return self.length_m - sum(self.pieces_m) - self.offcut_m


@dataclass(frozen=True, slots=True)
class CutPlan:
    """Sticks for all pieces of one pipe, in cents of the stock's prices. Nothing costs less than `bound_cents`."""

    sticks: tuple[Stick, ...]
    cost_cents: int
    bound_cents: int

    @property
    def proved(self) -> bool:
        """Whether it is proved that no way of cutting costs less."""
        return self.bound_cents >= self.cost_cents

    @property
    def bought(self) -> tuple[tuple[float, int], ...]:
        """(length [m], how many) of the sticks to buy, longest first."""
        lengths = [stick.length_m for stick in self.sticks if not stick.owned]
        return tuple((length_m, lengths.count(length_m)) for length_m in sorted(set(lengths), reverse=True))


def cut_sticks(
    pieces_m: Sequence[float],
    stock: Sequence[StockLength],
    kerf_m: float,
    owned_m: Sequence[float] = (),
    *,
    most_patterns: int = MOST_PATTERNS,
    time_limit_s: float = 20.0,
    tidy: bool = True,
) -> CutPlan:
    """Return the cheapest way to cut all pieces, owned pipe costing nothing; of equal ones the least length bought.

    Parameters
    ----------
    pieces_m
        The cut lengths [m], each above 0.
    stock
        What can be bought, in any number.
    kerf_m
        What one saw cut takes [m].
    owned_m
        Lengths that are there already [m], each once; what is shorter than every piece is left alone.
    most_patterns, time_limit_s, tidy
        As of `solve_cutting`.

    Returns
    -------
    CutPlan
        `proved` says that nothing is cheaper; lengths are exact to 0.1 mm, rounded to the safe side.

    Raises
    ------
    PlanError
        When a piece is not above 0, or longer than the longest length that can be bought.
    """
    _check_pieces(pieces_m, stock)
    lengths = [_up(length_m) for length_m in pieces_m]
    sizes = sorted(set(lengths), reverse=True)
    shelf = _useful_stock(stock)
    owned = sorted((length_m for length_m in owned_m if sizes and _down(length_m) >= sizes[-1]), reverse=True)
    problem = CuttingProblem(
        sizes=tuple(sizes),
        counts=tuple(lengths.count(size) for size in sizes),
        stock=tuple((_down(one.length_m), one.price_cents) for one in shelf),
        owned=tuple((_down(length_m), 1) for length_m in owned),
        kerf=_up(kerf_m),
    )
    answer = solve_cutting(problem, most_patterns=most_patterns, time_limit_s=time_limit_s, tidy=tidy)
    waiting = {size: [place for place, length in enumerate(lengths) if length == size] for size in sizes}
    sources = [(length_m, True, 0) for length_m in owned] + [(one.length_m, False, one.price_cents) for one in shelf]
    sticks = [_stick(cut, sources[cut.kind], sizes, waiting, pieces_m, kerf_m) for cut in answer.sticks]
    return CutPlan(tuple(sticks), answer.cents, answer.bound_cents)


def _stick(
    cut: CutStick,
    source: tuple[float, bool, int],
    sizes: Sequence[int],
    waiting: dict[int, list[int]],
    pieces_m: Sequence[float],
    kerf_m: float,
) -> Stick:
    """Return a stick with the pieces that are still waiting for their length, longest first."""
    length_m, owned, cents = source
    cuts = [waiting[size].pop(0) for size, number in zip(sizes, cut.pieces, strict=True) for _ in range(number)]
    used_m = sum(pieces_m[place] for place in cuts)
    offcut_m = max(0.0, length_m - used_m - len(cuts) * kerf_m)
    return Stick(length_m, owned, cents, tuple(cuts), tuple(pieces_m[place] for place in cuts), offcut_m)


def _useful_stock(stock: Sequence[StockLength]) -> list[StockLength]:
    """Return the cheapest offer of each length, without sticks that a longer one undercuts."""
    kept: list[StockLength] = []
    for one in sorted(stock, key=lambda one: (-one.length_m, one.price_cents)):
        if not any(other.price_cents <= one.price_cents for other in kept):
            kept.append(one)
    return kept


def _check_pieces(pieces_m: Sequence[float], stock: Sequence[StockLength]) -> None:
    longest_m = max([one.length_m for one in stock], default=0.0)
    for length_m in pieces_m:
        if not length_m > 0:
            raise PlanError(f"a piece of pipe is {length_m} m long; it must be above 0")
        if length_m > longest_m + UNIT_M * _TINY:
            raise PlanError(
                f"a piece of {length_m:.3f} m is longer than the longest length that can be bought, {longest_m:.3f} m: "
                "join two with a coupling, or name a store with longer lengths"
            )


def _up(length_m: float) -> int:
    return math.ceil(length_m / UNIT_M - _TINY)


def _down(length_m: float) -> int:
    return math.floor(length_m / UNIT_M + _TINY)
