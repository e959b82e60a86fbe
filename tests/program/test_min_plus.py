"""The least of costs within windows of head cells is what loops over every cell of them find."""

from __future__ import annotations

import math

import numpy as np
import pytest

from optimizer.program.min_plus import Floats, Ints, least_in, least_over, lower, slid

SIZES = (1, 2, 7, 40)
ROWS = 3


def costs(rng: np.random.Generator, size: int, empty: float = 0.5) -> Floats:
    values = rng.integers(0, 100, (ROWS, size)).astype(float)
    values[rng.random((ROWS, size)) < empty] = math.inf
    return values


def windows(rng: np.random.Generator, size: int, least: int) -> tuple[Ints, Ints, Ints]:
    first = rng.integers(-size - 3, size + 3, 60)
    return rng.integers(0, ROWS, 60), first, first + rng.integers(least, 2 * size + 1, 60)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("count", [1, 5, 50])
@pytest.mark.parametrize("empty", [0.0, 0.5, 1.0])
def test_a_window_slides_along_a_row(size: int, count: int, empty: float) -> None:
    rng = np.random.default_rng(size)
    rows, (at, first, last) = costs(rng, size, empty), windows(rng, size, 0)
    for some in (slice(0, 0), slice(0, 60)):
        found = slid(rows, at[some], first[some], last[some], count)
        assert found.shape == (len(at[some]), count)
        for k, row in enumerate(found.tolist()):
            for h, least in enumerate(row):
                within = [rows[at[k], x] for x in range(h + first[k], h + last[k] + 1) if 0 <= x < size]
                assert least == min(within, default=math.inf)


@pytest.mark.parametrize("size", SIZES)
def test_the_least_in_a_window_is_that_of_its_cells_and_none_where_it_is_empty(size: int) -> None:
    rng = np.random.default_rng(size)
    rows, (at, first, last) = costs(rng, size), windows(rng, size, -2)
    for k, least in enumerate(least_in(rows, at, first, last).tolist()):
        assert least == min((rows[at[k], x] for x in range(first[k], last[k] + 1) if 0 <= x < size), default=math.inf)


@pytest.mark.parametrize("size", SIZES)
def test_windows_leave_in_every_cell_the_least_of_those_that_hold_it(size: int) -> None:
    rng = np.random.default_rng(size)
    at, first, last = windows(rng, size, -2)
    values = rng.integers(0, 100, 60).astype(float)
    for some in (slice(0, 0), slice(0, 3), slice(0, 60)):
        told = list(zip(*(column[some].tolist() for column in (at, first, last, values)), strict=True))
        for row, found in enumerate(least_over(values[some], at[some], first[some], last[some], (ROWS, size)).tolist()):
            least = [min((v for r, a, b, v in told if r == row and a <= x <= b), default=math.inf) for x in range(size)]
            assert found == least


def test_rows_are_lowered_to_the_least_of_what_is_put_there() -> None:
    table = np.array([[5.0, math.inf], [1.0, 9.0], [2.0, 2.0]])
    lower(table, np.array([0, 0, 1]), np.array([[7.0, 8.0], [4.0, 9.0], [3.0, 6.0]]))
    assert table.tolist() == [[4.0, 8.0], [1.0, 6.0], [2.0, 2.0]]
    lower(table, np.zeros(0, dtype=int), np.zeros((0, 2)))
    assert table.tolist() == [[4.0, 8.0], [1.0, 6.0], [2.0, 2.0]]
