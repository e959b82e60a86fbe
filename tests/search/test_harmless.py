"""What a run may lose whatever else is chosen, and which ways no plan needs: held against every choice of all."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from itertools import product
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from optimizer.program.problem import LOSS_UNIT_M, Path, RunChoice, SizingProblem, TeeChoice
from optimizer.search.drawn_parts import Between, Kept, NeedlessWays, parts_by_pipe
from optimizer.search.harmless import harmless_draws, harmless_loss

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


@dataclass
class TwoSteps:
    """A graph of a run of two steps, each one of three; `lost` is what they lose, draw by draw, by their ids."""

    seed: str
    draws: int = 4

    def __post_init__(self) -> None:
        rng = np.random.default_rng(list(self.seed.encode()))
        self.arcs = [[SimpleNamespace(head=node + 1) for _ in range(3)] for node in range(2)] + [[]]
        self.nodes, self.starts, self.ends = [0, 1, 2], {"start": 0}, {"end": 2}
        self.lost = {id(arc): rng.integers(0, 25, self.draws) for arcs in self.arcs for arc in arcs}
        self.lost[id(self.arcs[0][0])] = np.full(self.draws, np.inf)  # a rule forbids it

    def ways(self) -> list[Any]:
        return [sum(self.lost[id(arc)] for arc in way) for way in product(self.arcs[0][1:], self.arcs[1])]


def test_in_draws_that_are_told_harmless_no_way_of_the_run_breaks_a_plan_whose_other_ways_have_their_head() -> None:
    told = 0
    for seed in range(30):
        each = [random_problem(1000 * seed + draw) for draw in range(4)]
        problem, heads = (
            each[0],
            {p.name: np.array([one.paths[i].head for one in each]) for i, p in enumerate(each[0].paths)},
        )
        tees = {
            tee: [
                {end: np.array([one.tees[tee][k].losses[end] for one in each]) for end in ENDS[tee]} for k in range(3)
            ]
            for tee in ENDS
        }
        graph = TwoSteps(f"{seed}")
        graph.run = SimpleNamespace(name="uv")  # type: ignore[attr-defined]
        free = harmless_draws(problem, {"start": 1}, graph, graph.lost, heads, tees)  # type: ignore[arg-type, dict-item]
        told += int(free.sum())
        worst = np.max(graph.ways(), axis=0)
        for draw in np.flatnonzero(free):
            one = replace(
                each[draw], tees={t: tuple(map(with_states, each[draw].tees[t], problem.tees[t])) for t in ENDS}
            )
            own, others = one.paths[0], one.paths[1:]
            for ks in product(range(3), repeat=4):
                for fits in product(range(3), repeat=2):
                    runs, chosen = dict(zip(REST, ks, strict=True)), dict(zip(ENDS, fits, strict=True))
                    if problem.tees["wall"][chosen["wall"]].states["uv", True] != 1:
                        continue
                    if all(lost(one, path, runs, chosen) <= path.head for path in others):
                        assert lost(one, own, runs, chosen) + worst[draw] <= own.head
    assert told >= 10


def with_states(own: TeeChoice, other: TeeChoice) -> TeeChoice:
    return replace(own, states=other.states)


REST = ("riser", "row", "left", "right")


def needed_and_kept(seed: int, may_fail: int) -> tuple[set[tuple[str, int]], set[tuple[str, int]]]:
    """Return what plans have that work in all of some draws, or in the first, and what is kept; up to a price."""
    dice, problem, draws, most = np.random.default_rng(seed), random_problem(seed), 3, 70
    cents = {name: dice.integers(0, 30, 3).tolist() for name in (*problem.runs, *problem.tees)}
    runs = {run: tuple(replace(some[k], cents=cents[run][k]) for k in range(3)) for run, some in problem.runs.items()}
    tees = {
        tee: tuple(replace(some[k], cents=cents[tee][k], states=dict.fromkeys(some[k].states, 0)) for k in range(3))
        for tee, some in problem.tees.items()
    }
    problem = replace(problem, runs=runs, tees=tees)
    along = {run: [dice.uniform(0.0, 60.0, draws) for _ in range(3)] for run in runs}
    across = {
        tee: [{end: dice.uniform(-10.0, 20.0, draws) for end in one.states} for one in some]
        for tee, some in tees.items()
    }
    heads = {path.name: dice.uniform(90.0, 170.0, draws) for path in problem.paths}
    each: Any = SimpleNamespace(
        may_fail=may_fail, at=range(draws), heads=lambda: heads, tees=lambda posed, numbers: across
    )
    ways: Any = {run: [SimpleNamespace(lost_m=one * LOSS_UNIT_M) for one in some] for run, some in along.items()}
    posed: Any = SimpleNamespace(tees=tees)
    all_there = {run: range(3) for run in runs}, {tee: range(3) for tee in tees}
    kept = NeedlessWays(each, posed, ways).without(problem, all_there, most)

    needed = set()
    for numbers in product(range(3), repeat=len(cents)):
        plan = dict(zip(cents, numbers, strict=True))
        works = np.ones(draws, dtype=bool)
        for path in problem.paths:
            lost = sum(along[run][plan[run]] for run in path.runs)
            lost = lost + sum(across[tee][plan[tee]][run, start] for tee, run, start in path.tee_ends)
            works &= lost <= heads[path.name]
        if sum(cents[name][k] for name, k in plan.items()) <= most and (works[0] if may_fail else works.all()):
            needed |= set(plan.items())
    return needed, {(name, k) for group in kept or () for name, own in group.items() for k in own}


@pytest.mark.parametrize("may_fail", [0, 1])
def test_what_the_tables_of_draws_leave_out_is_in_no_plan_that_works_in_these(may_fail: int) -> None:
    told = [needed_and_kept(seed, may_fail) for seed in range(5)]

    assert all(needed <= kept for needed, kept in told)
    assert any(needed for needed, _ in told)
    assert sum(len(kept) for _, kept in told) < 0.8 * 5 * 21


def test_every_list_is_in_one_part_by_what_its_pipe_costs() -> None:
    # a packet of cement, and two pipes of which lengths of 100 or 130 and of 70 cents are sold
    packs = [SimpleNamespace(method=one) for one in ("cement", "narrow", "wide")]
    stock = {"narrow": (100, 130), "wide": (70,)}
    prices: Any = SimpleNamespace(
        options=SimpleNamespace(packs=packs, catalog=SimpleNamespace(items={key: key for key in stock})),
        opened={"narrow": 100, "wide": 70},
        shop=SimpleNamespace(
            pipes=SimpleNamespace(stock=lambda key: [SimpleNamespace(price_cents=one) for one in stock[key]])
        ),
    )
    runs = {run: tuple(RunChoice(0, 0, 0, 0, packs) for packs in range(8)) for run in ("riser", "outlet")}
    asked: list[float] = []

    def without(problem: SizingProblem, kept: Kept, most_cents: float) -> Kept:
        asked.append(most_cents)
        return kept

    all_kept: Any = SimpleNamespace(without=without)
    found: list[tuple[Kept, Between]] = list(
        parts_by_pipe(all_kept, SizingProblem(runs, {}, (), (5, 100, 70)), prices, lambda: 1e6)
    )

    assert asked == [1e6 - 1000 * sum(least for least, _ in between.values()) for _, between in found]
    for riser, outlet in product(range(8), repeat=2):
        taken = [key for i, key in ((1, "narrow"), (2, "wide")) if (riser | outlet) >> i & 1]
        for costs in product(*({"narrow": (100, 130, 200, 230), "wide": (70, 140, 210)}[key] for key in taken)):
            at = [
                between
                for kept, between in found
                if riser in kept[0]["riser"] and outlet in kept[0]["outlet"] and between.keys() == set(taken)
                if all(between[key][0] <= cents <= between[key][1] for key, cents in zip(taken, costs, strict=True))
            ]
            assert len(at) == 1
