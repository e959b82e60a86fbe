"""The limits of the worst path's excess, against every selection of small random problems."""

from __future__ import annotations

import random
from itertools import product

import pytest

from optimizer.program.problem import Path, RunChoice, SizingProblem, TeeChoice, excess_of
from optimizer.program.solve import excess_range


def problem(seed: int) -> SizingProblem:
    """Return a riser that feeds two branches over a tee, each with a few ways to be plumbed."""
    rng = random.Random(seed)
    runs = {name: tuple(RunChoice(0, 0, 0, rng.randrange(9), 0) for _ in range(3)) for name in ("riser", "a", "b")}
    ends = [("riser", False), ("a", True), ("b", True)]
    tees = tuple(TeeChoice(0, dict.fromkeys(ends, 0), {end: rng.randrange(-4, 5) for end in ends}) for _ in range(2))
    paths = tuple(
        Path(name, ("riser", name), (("tee", "riser", False), ("tee", name, True)), rng.randrange(20)) for name in "ab"
    )
    return SizingProblem(runs, {"tee": tees}, paths)


@pytest.mark.parametrize("seed", range(20))
def test_no_selection_exceeds_its_range_and_its_upper_end_is_no_loose_number(seed: int) -> None:
    posed = problem(seed)
    least, most = excess_range(posed)
    all_of = [
        excess_of(posed, dict(zip(posed.runs, ways, strict=True)), {"tee": tee})
        for ways in product(range(3), repeat=3)
        for tee in range(2)
    ]
    assert least <= min(all_of)
    assert max(all_of) <= most <= max(all_of) + 16  # at most what the two ends of one tee can not have at once


def test_without_a_limited_path_there_is_no_excess() -> None:
    posed = problem(0)
    assert excess_range(SizingProblem(posed.runs, posed.tees, ())) == (0, 0)
