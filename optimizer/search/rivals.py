"""Ways to plumb the same piece of a run → those that no other makes needless, whatever the rest of a plan buys."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import zip_longest

import numpy as np
import numpy.typing as npt

from optimizer.clock import look
from optimizer.model.catalog import CatalogItem, Kind
from optimizer.takeoff.list_price import Pieces, PipeShop, uncovered

_TRIED, _MOST_KEPT = 1000, 0.97  # where of so many hardly any is beaten, the others stay unlooked at
_FINE_M = 1e-9  # what a loss in a draw is told in where ways are compared

Lengths = Mapping[str, tuple[CatalogItem, Pieces]]  # of each pipe


def unbeaten(
    counts: npt.NDArray[np.float64],
    lost: npt.NDArray[np.float64] | None,
    lengths: Sequence[Sequence[Lengths]],
    pipes: PipeShop,
) -> list[int]:
    """Return the places of the ways that no other one beats: of those alike one stays.

    One beats another that has no more of anything, and whose pieces come from those of the other, one from one, or
    cost no more by themselves than it saves.

    Parameters
    ----------
    counts
        What each way loses, costs [cents], and all else that counts, (n_ways, 2 or more).
    lost
        What each loses in every draw, where that counts [m], (n_ways, n_draws).
    lengths
        The pieces of each way, in every case that counts.
    pipes
        What a piece costs by itself.
    """
    told = _pieces(lengths)
    items = {key: item for each in lengths for one in each for key, (item, _) in one.items()}
    single = min((pipes.single_cents(item, 1) for item in items.values()), default=0)
    fine = np.zeros((len(counts), 0)) if lost is None else np.rint(lost / _FINE_M)
    order = np.lexsort((fine.sum(axis=1), *told[::-1], *counts.T[::-1]))  # what beats another stands before it
    kept = np.empty_like(order)
    columns, pieces = np.empty_like(counts.T), np.empty_like(told)  # of those kept
    count = 0
    for at, way in enumerate(order.tolist()):
        look()
        if at == _TRIED and count > _MOST_KEPT * at:
            return sorted([*kept[:count].tolist(), *order[at:].tolist()])
        own, wanted = counts[way], told[:, way]
        no_more = (columns[:, :count] <= own[:, None]).all(axis=0)
        covered = no_more & (pieces[:, :count] <= wanted[:, None]).all(axis=0)
        if (fine[kept[:count][covered]] <= fine[way]).all(axis=1).any():
            continue
        paying = kept[:count][no_more & (columns[1, :count] + single <= own[1])]
        paying = paying[(fine[paying] <= fine[way]).all(axis=1)]
        spare = (own[1] - counts[paying, 1]).tolist()
        if any(_pays(lengths[k], lengths[way], cents, pipes) for k, cents in zip(paying.tolist(), spare, strict=True)):
            continue
        kept[count], columns[:, count], pieces[:, count] = way, own, wanted
        count += 1
    return sorted(kept[:count].tolist())


def _pieces(lengths: Sequence[Sequence[Lengths]]) -> npt.NDArray[np.int64]:
    """Return the pieces of every way of each pipe, the longest first, (n_pieces, n_ways)."""
    columns = list[tuple[int, ...]]()
    for case in zip(*lengths, strict=True):
        for key in sorted({key for one in case for key in one}):
            columns += zip_longest(*(one[key][1] if key in one else () for one in case), fillvalue=0)
    return np.array(columns, dtype=np.int64).reshape(len(columns), len(lengths))


def _pays(ones: Sequence[Lengths], others: Sequence[Lengths], spare_cents: float, pipes: PipeShop) -> bool:
    """Return whether what can not be cut from the pieces of another costs no more than this, in every case."""
    return all(_affords(one, other, spare_cents, pipes) for one, other in zip(ones, others, strict=True))


def _affords(wanted: Lengths, pieces: Lengths, spare_cents: float, pipes: PipeShop) -> bool:
    for key, (item, lengths) in wanted.items():
        for units in uncovered(lengths, pieces[key][1] if key in pieces else ()):
            spare_cents -= pipes.single_cents(item, units)
            if spare_cents < 0 or item.kind is Kind.COUPLING:  # which takes joints as well
                return False
    return True
