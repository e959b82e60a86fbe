"""What a plan may use only so much of besides money and head: saw cuts, the water in the pipe, money for parts alone.

Every step along a run uses whole grains of each. Labels carry all of a way's uses packed into one whole number, so that
adding a step is one addition however many side resources there are.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from operator import gt

from optimizer.choices.graph import Arc
from optimizer.model.network import Part

_BITS = 40  # for one resource: 10¹² grains, more than any plumbing holds
_MASK = (1 << _BITS) - 1


def _none(_: int) -> int:
    return 0


@dataclass(frozen=True, slots=True)
class SideResource:
    """Something that all runs, fittings and packs together may use only so much of.

    Attributes
    ----------
    words
        What is counted, as it is told to the owner.
    most
        The most units that a plan may use; None: it is weighed here and limited elsewhere, by what flows.
    used_by
        Whole grains that a step along a run uses.
    grains
        How many grains make a unit: fine where steps are rounded up, so that a run's sum is not.
    used_by_fitting
        Whole units that a fitting at a tee of this price [cents] uses: none, unless it is money that is counted.
    packs
        Whole units that the first pack of each shared consumable uses, in their order; empty: none.
    is_cost
        Whether it is what a way costs, which is made least anyhow.
    has_price
        Whether what is used of it has a price, so that labels need not keep apart what uses less of it.
    """

    words: str
    most: int | None
    used_by: Callable[[Arc], int]
    grains: int = 1
    used_by_fitting: Callable[[int], int] = _none
    packs: tuple[int, ...] = ()
    is_cost: bool = False
    has_price: bool = False

    def units(self, grains: int) -> int:
        """Return grains in whole units, rounded up."""
        return -(-grains // self.grains)


@dataclass(frozen=True)
class Sides:
    """The side resources of a search: those counted in few units first, for labels are grouped by them; without a limit
    last, and those that have a price behind them.
    """

    resources: tuple[SideResource, ...] = ()

    @cached_property
    def counted(self) -> tuple[SideResource, ...]:
        """Those that a label counts: all but what is made least anyhow."""
        return tuple(resource for resource in self.resources if not resource.is_cost)

    @cached_property
    def labelled(self) -> tuple[SideResource, ...]:
        """Those by which labels are told apart: what has no price."""
        return tuple(resource for resource in self.counted if not resource.has_price)

    @cached_property
    def priced(self) -> int:
        """Return the index of the first that has a price; StopIteration where none has."""
        return next(i for i, resource in enumerate(self.resources) if resource.has_price)

    @cached_property
    def _priced_place(self) -> int:
        return _BITS * self.counted.index(self.resources[self.priced])

    def priced_grains(self, packed: int) -> int:
        """Return the grains used of what has a price."""
        return packed >> self._priced_place & _MASK

    @cached_property
    def _most_grains(self) -> tuple[float, ...]:
        return tuple(math.inf if each.most is None else each.most * each.grains for each in self.labelled)

    def packed(self, arc: Arc) -> int:
        """Return what a step uses of all that labels count, as one number."""
        counted = self.counted
        return sum(resource.used_by(arc) << _BITS * i for i, resource in enumerate(counted)) if counted else 0

    def split(self, packed: int) -> tuple[int, ...]:
        """Return the grains used of each by which labels are told apart."""
        return self._split(packed, len(self.labelled))

    def amounts(self, packed: int) -> tuple[int, ...]:
        """Return the grains used of each that labels count."""
        return self._split(packed, len(self.counted))

    @staticmethod
    def _split(packed: int, count: int) -> tuple[int, ...]:
        return tuple(packed >> _BITS * i & _MASK for i in range(count))

    @cached_property
    def weighs_money(self) -> bool:
        """Return whether labels keep the money for parts apart from what a way costs."""
        return any(resource.used_by_fitting is not _none for resource in self.counted)

    def exceeded(self, used: tuple[int, ...]) -> bool:
        """Return whether these grains are already more than a whole plan may use."""
        return any(map(gt, used, self._most_grains))

    def units(self, packed: int, cents: int) -> tuple[int, ...]:
        """Return the whole units used of every side resource, rounded up, by a way of this cost [cents]."""
        kept = iter(self._split(packed, len(self.counted)))
        return tuple(cents if each.is_cost else each.units(next(kept)) for each in self.resources)


def saw_cuts(most: int) -> SideResource:
    """Return the saw cuts into pipe that stands."""
    return SideResource("saw cuts", most, lambda arc: arc.cuts)


def water(
    most_m3: float | None, volume_of_part: Callable[[Part], float], grains: int = 1000, has_price: bool = False
) -> SideResource:
    """Return the water that the runs hold, in units of so many µL: mL unless said otherwise; `volume_of_part` in m³."""

    def microlitres(arc: Arc) -> int:
        return math.ceil(sum(map(volume_of_part, arc.parts)) * 1e9 - 1e-6)

    most = None if most_m3 is None else math.floor(most_m3 * 1e9 / grains)
    unit = {1000: "mL", 100: "tenths of a mL"}.get(grains, "µL")
    return SideResource(f"{unit} of water in the runs", most, microlitres, grains, has_price=has_price)


def parts_money(
    most_cents: int,
    cents_of_parts: Callable[[Arc], int],
    pack_cents: tuple[int, ...],
    is_cost: bool,
    unit: int = 1,
) -> SideResource:
    """Return the money for parts alone, in so many units to a cent: no labour, no electricity.

    `is_cost` says that labour has no price, so that a way costs what its parts cost.
    """
    return SideResource(
        "cents for parts",
        most_cents,
        cents_of_parts,
        used_by_fitting=lambda cents: unit * cents,
        packs=pack_cents,
        is_cost=is_cost,
    )
