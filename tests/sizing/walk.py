"""Good designs of a network quickly: many cooled walks side by side, then descent; no proof, but every head is kept."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sizing.networks import Floats, Ints, SizedNetworks

_WALKS = 48
_CULL_EVERY = 50
_PENALTIES = (0.2, 0.05)  # of the largest design's cost per metre of missing head, at the end and at first
_HEAT, _COOLING = 0.02, 7.0  # of the largest design's cost, at first; its exponent at the end


def good_design(
    networks: SizedNetworks, *, tries: int = 3, steps: int | None = None, time_limit_s: float = 60.0
) -> Ints | None:
    """Return the cheapest design found that keeps every least head, as a row of size indices; None if there is none.

    Many walks, half of them from the largest sizes, change one or two pipes at a time, take what is cheaper and, less
    and less often, what is dearer; designs that miss a head pay for every metre. The best is then brought down by
    changes of one pipe or two at once for as long as that saves. The same every time, unless time runs out.

    Parameters
    ----------
    tries
        How often all is done at most, from other dice; two that agree on the best cost are enough.
    steps
        How many changes each walk tries; 60 for every pipe unless stated.
    time_limit_s
        Wall time for all [s].
    """
    until = time.monotonic() + time_limit_s
    found: list[Ints] = []
    for seed in range(1, tries + 1):
        best = _walk(networks, steps or 60 * len(networks.names), until, seed)
        if best is not None:
            found.append(descend(networks, best, until))
        costs = [int(networks.cost(row)) for row in found]
        if time.monotonic() > until or costs.count(min(costs, default=0)) > 1:
            break
    return min(found, key=lambda row: int(networks.cost(row)), default=None)


@dataclass
class _Walks:
    """Where many walks stand: designs (n_walks, n_pipes), their flows, what the worst point lacks [m], costs."""

    designs: Ints
    flows: Floats
    missing: Floats
    cost: Ints

    def take(self, there: NDArray[np.bool_] | Ints, other: _Walks, here: NDArray[np.bool_] | Ints) -> None:
        self.designs[there], self.flows[there] = other.designs[here], other.flows[here]
        self.missing[there], self.cost[there] = other.missing[here], other.cost[here]


def _walk(networks: SizedNetworks, steps: int, until: float, seed: int) -> Ints | None:
    dice = np.random.default_rng(seed)
    walks = _begin(networks, dice)
    scale = float(networks.cost(networks.counts - 1))
    best, least = None, np.inf
    for step in range(steps):
        if time.monotonic() > until:
            break
        kept = np.where(walks.missing <= 0.0, walks.cost, np.inf)
        at = int(np.argmin(kept))
        if kept[at] < least:
            best, least = walks.designs[at].copy(), float(kept[at])
        share = step / steps
        energy = _energy(walks, scale, share)
        if step % _CULL_EVERY == 0:  # the worst quarter goes on from where the best one is
            order = np.argsort(energy)
            walks.take(order[-(_WALKS // 4) :], walks, order[: _WALKS // 4])
            continue
        trial = _solved(networks, _changed(walks.designs, dice, networks.counts), walks.flows)
        rise = _energy(trial, scale, share) - energy
        heat = _HEAT * scale * np.exp(-_COOLING * share)
        taken = np.log(dice.random(_WALKS)) < -np.nan_to_num(rise, nan=np.inf) / heat
        walks.take(taken, trial, taken)
    return best


def _begin(networks: SizedNetworks, dice: np.random.Generator) -> _Walks:
    """Half of the walks start from the largest sizes, half from anywhere."""
    designs = np.tile(networks.counts - 1, (_WALKS, 1))
    designs[1::2] = dice.integers(0, networks.counts, size=designs[1::2].shape)
    return _solved(networks, designs, None)


def _solved(networks: SizedNetworks, designs: Ints, guess_m3_s: Floats | None) -> _Walks:
    solved = networks.solve(designs, guess_m3_s)
    return _Walks(designs, solved.flows_m3_s, solved.shortfall_m, networks.cost(designs))


def _energy(walks: _Walks, scale: float, share: float) -> Floats:
    penalty = scale * (_PENALTIES[0] * share + _PENALTIES[1] * (1.0 - share))
    energy: Floats = walks.cost + penalty * np.maximum(walks.missing, 0.0)
    return energy


def _changed(designs: Ints, dice: np.random.Generator, counts: Ints) -> Ints:
    """Move one pipe of every design by a size or to any size, half of the time a second one as well."""
    trial, rows = designs.copy(), np.arange(len(designs))
    for turn in range(2):
        pipe = dice.integers(0, designs.shape[1], size=len(designs))
        step = dice.choice((-1, 1), size=len(designs))
        anywhere = dice.random(len(designs)) < 0.2
        size = np.where(anywhere, dice.integers(0, counts[pipe]), trial[rows, pipe] + step)
        moved = np.clip(size, 0, counts[pipe] - 1)
        takes = rows if turn == 0 else rows[dice.random(len(designs)) < 0.5]
        trial[takes, pipe[takes]] = moved[takes]
    return trial


def descend(networks: SizedNetworks, design: Ints, until: float) -> Ints:
    """Return a design that no change of one pipe, or of two at once, makes cheaper while every head is kept."""
    better: Ints | None = design
    while better is not None and time.monotonic() < until:
        design = better
        better = _cheaper_neighbour(networks, design, until)
    return design


def _cheaper_neighbour(networks: SizedNetworks, design: Ints, until: float) -> Ints | None:
    """Return the cheapest neighbour that keeps every head, if it saves anything."""
    moves = [(i, k) for i in range(len(design)) for k in range(networks.counts[i]) if k != design[i]]
    deltas = np.array([networks.cents[i, k] - networks.cents[i, design[i]] for i, k in moves])
    singles = [(deltas[a], (a,)) for a in range(len(moves)) if deltas[a] < 0]
    first, second = np.nonzero((deltas[:, None] + deltas[None, :] < 0) & (deltas[:, None] < 0) & (deltas[None, :] > 0))
    pairs = [(deltas[a] + deltas[b], (int(a), int(b))) for a, b in zip(first, second, strict=True)]
    ordered = sorted([*singles, *(pair for pair in pairs if moves[pair[1][0]][0] != moves[pair[1][1]][0])])
    for begin in range(0, len(ordered), 512):
        if time.monotonic() > until:
            return None
        group = [change for _, change in ordered[begin : begin + 512]]
        trial = np.tile(design, (len(group), 1))
        for row, change in enumerate(group):
            for a in change:
                trial[row, moves[a][0]] = moves[a][1]
        good = np.flatnonzero(networks.solve(trial).shortfall_m <= 0.0)
        if len(good):
            found: Ints = trial[good[0]]
            return found
    return None
