"""What a run may lose whatever else is chosen: held against every choice of all other runs and fittings."""

from __future__ import annotations

import random
from itertools import product

import pytest

from optimizer.program.problem import Path, RunChoice, SizingProblem, TeeChoice
from optimizer.search.harmless import harmless_loss

ENDS = {
    "wall": (("riser", False), ("uv", True), ("row", True)),
    "split": (("row", False), ("left", True), ("right", True)),
}


def random_problem(seed: int) -> SizingProblem:
    """Return a riser to a uv line and, behind one more tee, a left and a right outlet."""
    rng = random.Random(f"harmless {seed}")
    runs = {
        run: tuple(RunChoice(0, 0, 0, rng.choice((0, rng.randint(0, 60)))) for _ in range(3))
        for run in ("riser", "uv", "row", "left", "right")
    }
    tees = {
        tee: tuple(
            TeeChoice(0, {end: rng.randint(0, 1) for end in ends}, {end: rng.randint(-10, 20) for end in ends})
            for _ in range(3)
        )
        for tee, ends in ENDS.items()
    }
    wall = (("wall", "riser", False), ("wall", "row", True))
    paths = (
        Path("uv", ("riser", "uv"), (("wall", "riser", False), ("wall", "uv", True)), rng.randint(60, 160)),
        *(
            Path(
                run, ("riser", "row", run), (*wall, ("split", "row", False), ("split", run, True)), rng.randint(40, 90)
            )
            for run in ("left", "right")
        ),
    )
    return SizingProblem(runs, tees, paths)


def lost(problem: SizingProblem, path: Path, runs: dict[str, int], tees: dict[str, int]) -> int:
    along = sum(problem.runs[run][runs[run]].loss for run in path.runs if run in runs)
    return along + sum(problem.tees[tee][tees[tee]].losses[run, start] for tee, run, start in path.tee_ends)


@pytest.mark.parametrize("seed", range(30))
@pytest.mark.parametrize("run", ["uv", "left"])
def test_a_run_that_loses_no_more_never_breaks_a_plan_whose_other_ways_have_their_head(seed: int, run: str) -> None:
    problem = random_problem(seed)
    heads = {path.name: path.head for path in problem.paths}
    tees = {tee: [one.losses for one in found] for tee, found in problem.tees.items()}
    own = next(path for path in problem.paths if path.name == run)
    others = [path for path in problem.paths if path is not own]
    rest = [name for name in problem.runs if name != run]
    for start in (0, 1):
        most = harmless_loss(problem, run, start, heads, tees)
        if most is None:
            continue
        spare = []
        for ks in product(range(3), repeat=len(rest)):
            for fits in product(range(3), repeat=2):
                runs, chosen = dict(zip(rest, ks, strict=True)), dict(zip(ENDS, fits, strict=True))
                given = (problem.tees[tee][k].states.get((run, True), start) for tee, k in chosen.items())
                if set(given) == {start} and all(lost(problem, path, runs, chosen) <= path.head for path in others):
                    spare.append(own.head - lost(problem, own, runs, chosen))
        assert all(most <= one for one in spare)


def test_the_loss_is_what_two_heads_and_their_last_fittings_leave() -> None:
    # By hand: 100 units of head against 60 on the other way. Up to the tee both lose the same; behind it the fitting
    # takes 7 from the one and gives 2 to the other: 100 - 60 - (7 + 2) = 31.
    runs = {run: (RunChoice(0, 0, 0, 0),) for run in ("riser", "uv", "left")}
    ends = {("riser", False): 4, ("uv", True): 7, ("left", True): -2}
    tees = {"wall": (TeeChoice(0, dict.fromkeys(ends, 0), ends),)}
    paths = tuple(
        Path(run, ("riser", run), (("wall", "riser", False), ("wall", run, True)), head)
        for run, head in (("uv", 100), ("left", 60))
    )
    problem = SizingProblem(runs, tees, paths)
    heads = {path.name: path.head for path in paths}

    assert harmless_loss(problem, "uv", 0, heads, {"wall": [ends]}) == 31
    assert harmless_loss(problem, "riser", 0, heads, {"wall": [ends]}) is None
