"""Tables of efficient selections: each row one selection of a part of a tree, with where it came from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Front:
    """Selections of a part of the tree, by rising need, of those that use the same by falling cost.

    `used` has a column for every limit that is carried. `picks` are the run's or tee's choices; `before` lists, for
    each part of the tree behind it, that part's front and the index of the selection taken there.
    """

    need: Ints
    cents: Ints
    used: Ints
    name: str
    picks: Ints
    before: tuple[tuple[Front, Ints], ...] = ()

    def __len__(self) -> int:
        return len(self.need)

    def alike(self) -> list[tuple[Ints, Ints]]:
        """Return (uses, indices) of the selections that use the same, each group by rising need and falling cost."""
        if not self.used.shape[1]:
            return [(np.zeros(0, dtype=np.int64), np.arange(len(self)))]
        groups, which = np.unique(self.used, axis=0, return_inverse=True)
        return [(uses, np.flatnonzero(which.ravel() == g)) for g, uses in enumerate(groups)]

    def within(self, need: int) -> Front:
        """Return the selections that need no more than this."""
        return joined([self], np.flatnonzero(self.need <= need))

    def choices(self, index: int) -> Iterator[tuple[str, int]]:
        """Yield the choice of every run and tee of a selection, one after the other however deep the tree is."""
        waiting: list[tuple[Front, int]] = [(self, index)]
        while waiting:
            front, at = waiting.pop()
            front, at = front.own(at)
            yield front.name, int(front.picks[at])
            waiting += [(behind, int(indices[at])) for behind, indices in front.before]

    def own(self, index: int) -> tuple[Front, int]:
        """Return the front that a selection was made in, and its place there."""
        return self, index


def best_of(need: Ints, cents: Ints, used: Ints) -> Ints:
    """Return the indices of what nothing beats in need, cost and all uses, by rising need."""
    if not used.shape[1]:
        return stairs(need, cents)
    kept = []
    for uses in np.unique(used, axis=0):
        rivals = np.flatnonzero((used <= uses).all(axis=1))
        best = rivals[stairs(need[rivals], cents[rivals])]
        kept.append(best[(used[best] == uses).all(axis=1)])
    found = np.concatenate([np.zeros(0, dtype=np.int64), *kept])
    return found[np.argsort(need[found], kind="stable")]


def stairs(need: Any, cents: Any) -> Ints:
    """Return the indices of what nothing beats in need and cost, by rising need and falling cost.

    What comes in rising runs is sorted fastest by one of the two alone; of those that need the same, each that is kept
    costs less than those before.
    """
    if not len(need):
        return np.zeros(0, dtype=np.int64)
    order = np.argsort(need, kind="stable")
    spent = cents[order]
    keep = np.ones(len(order), dtype=bool)
    keep[1:] = spent[1:] < np.minimum.accumulate(spent)[:-1]
    found = order[keep]
    needed = need[found]
    last: Ints = found[np.append(needed[1:] != needed[:-1], True)]
    return last


def added(own: Front, behind: Front) -> Front:
    """Return every pair of a run's choice and a selection behind it."""
    need = (own.need[:, None] + behind.need[None, :]).ravel()
    cents = (own.cents[:, None] + behind.cents[None, :]).ravel()
    used = (own.used[:, None, :] + behind.used[None, :, :]).reshape(len(need), -1)
    index = np.arange(len(need))
    return Front(need, cents, used, own.name, own.picks[index // len(behind)], ((behind, index % len(behind)),))


def joined(fronts: list[Front], chosen: Ints) -> Front:
    """Return the chosen selections out of several fronts laid end to end, each with its own parts behind it."""
    starts = np.cumsum([0, *(len(front) for front in fronts)])
    source = np.searchsorted(starts, chosen, side="right") - 1
    local = chosen - starts[source]
    need = np.concatenate([front.need for front in fronts])[chosen]
    cents = np.concatenate([front.cents for front in fronts])[chosen]
    used = np.concatenate([front.used for front in fronts])[chosen]
    return _Mixed(need, cents, used, fronts[0].name, local, (), tuple(fronts), source)


@dataclass(frozen=True)
class _Mixed(Front):
    """A front whose selections come from several others."""

    fronts: tuple[Front, ...] = ()
    source: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    def own(self, index: int) -> tuple[Front, int]:
        return self.fronts[int(self.source[index])].own(int(self.picks[index]))
