"""Pipe that is longer than the longest length of the store → the pieces that it is made of, with couplings between.

As a plumber does it: whole lengths one behind the other as far as they go, and a last piece for the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cache

from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.ends import End, Form
from optimizer.model.rules import Rules
from optimizer.model.stock import StickRule, sticks_of
from optimizer.read.stock_lengths import load_stick_rules

LEAST_PIECE_M = 0.15  # the shortest piece that is weighed on either side of a cut: common practice, no source
_TINY_M = 1e-9


@cache
def shipped_sticks() -> tuple[StickRule, ...]:
    """Return the shipped table of the lengths in which pipe is sold."""
    return load_stick_rules()


@dataclass
class Lengths:
    """How long the pipe of a store is at the most, and what couples two lengths of it."""

    catalog: Catalog
    rules: Rules
    sticks: tuple[StickRule, ...] = field(default_factory=shipped_sticks)
    _longest: dict[str, float] = field(default_factory=dict)
    _couplings: dict[str, CatalogItem | None] = field(default_factory=dict)

    def longest_m(self, item: CatalogItem) -> float:
        """Return the longest length of a pipe that the store sells [m]; endless where it is cut off a coil, or told by
        the foot."""
        if item.kind is not Kind.PIPE or not self.rules.pipe_in_sticks:
            return math.inf
        if item.item_id not in self._longest:
            sold = sticks_of(item, self.sticks, self.rules.store)
            self._longest[item.item_id] = max(one.length_m for one in sold)
        return self._longest[item.item_id]

    def coupling(self, item: CatalogItem) -> CatalogItem | None:
        """Return the cheapest coupling of a pipe's own class and size; None where none is for sale."""
        if item.item_id not in self._couplings:
            socket = End(Form.SOCKET, item.ends[0].size, item.ends[0].system)
            rows = self.catalog.by_ends(Kind.COUPLING, (socket, socket), item.family)
            wet = [row for row in rows if row.reef_safe or self.rules.allow_unsafe_metals]
            self._couplings[item.item_id] = wet[0] if wet else None
        return self._couplings[item.item_id]

    def can_be_made(self, item: CatalogItem, length_m: float) -> bool:
        """Return whether a piece of this length at the saw [m] can be had: in one length, or coupled."""
        return length_m <= self.longest_m(item) + _TINY_M or self.coupling(item) is not None

    def couplings(self, item: CatalogItem, length_m: float) -> int:
        """Return how many couplings a piece of this length at the saw [m] takes; 0 where none is for sale."""
        longest_m = self.longest_m(item)
        coupling = self.coupling(item) if length_m > longest_m + _TINY_M else None
        if coupling is None:
            return 0
        more_m = longest_m + sum(coupling.take_outs_m)  # what each coupling with a length behind it adds
        return math.ceil((length_m - longest_m - _TINY_M) / more_m)

    def pieces_m(self, item: CatalogItem, length_m: float) -> tuple[float, ...]:
        """Return the lengths at the saw [m] of the pieces that a piece of pipe is made of, in order; itself if it fits.

        Together with what the couplings take up they are as long as it. Where next to nothing would be left for the
        last one, the one before it is cut for it.
        """
        count = self.couplings(item, length_m)
        coupling = self.coupling(item) if count else None
        if coupling is None:
            return (length_m,)
        whole_m = self.longest_m(item)
        rest_m = length_m - count * (whole_m + sum(coupling.take_outs_m))
        short_m = max(0.0, min(LEAST_PIECE_M, whole_m / 2) - rest_m)
        return (*[whole_m] * (count - 1), whole_m - short_m, rest_m + short_m)
