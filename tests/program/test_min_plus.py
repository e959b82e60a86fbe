"""Sums of costs over head cells, all made at once, are those that loops over every pair of cells make."""

from __future__ import annotations

import math

import numpy as np
import pytest

from optimizer.program import min_plus
from optimizer.program.min_plus import added, between, least_over, taken

Floats = min_plus.Floats
SIZES = (1, 2, 7, 40)
EMPTY = (0.0, 0.5, 0.95, 1.0)  # share of the cells that nothing is in


def costs(rng: np.random.Generator, size: int, empty: float) -> Floats:
    values = rng.integers(0, 100, size).astype(float)
    values[rng.random(size) < empty] = math.inf
    return values


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("empty", EMPTY)
@pytest.mark.parametrize("at_once", [0, 1000])
def test_sums_are_the_least_of_all_pairs(
    size: int, empty: float, at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(min_plus, "_AT_ONCE", at_once)
    rng = np.random.default_rng(size)
    row, other, lifts = costs(rng, size, empty), costs(rng, size, empty), costs(rng, 2 * size + 1, empty)
    cells, offsets = range(size), range(-size, size + 1)

    def at(values: Floats, j: int) -> float:
        return float(values[j]) if 0 <= j < size else math.inf

    assert added(row, lifts).tolist() == [min(at(row, j - o) + lifts[o + size] for o in offsets) for j in cells]
    assert taken(row, lifts).tolist() == [min(at(row, j + o) + lifts[o + size] for o in offsets) for j in cells]
    assert between(row, other).tolist() == [min(at(row, j + o) + other[j] for j in cells) for o in offsets]


@pytest.mark.parametrize("size", SIZES)
def test_windows_leave_in_every_cell_the_least_of_those_that_hold_it(size: int) -> None:
    rng = np.random.default_rng(size)
    first = rng.integers(-5, size + 5, 60)
    last = first + rng.integers(-3, size, 60)
    values = rng.integers(0, 100, 60).astype(float)
    for some in (slice(0, 0), slice(0, 3), slice(0, 60)):
        windows = list(zip(first[some].tolist(), last[some].tolist(), values[some].tolist(), strict=True))
        least = [min((v for a, b, v in windows if a <= cell <= b), default=math.inf) for cell in range(size)]
        assert least_over(values[some], first[some], last[some], size).tolist() == least
