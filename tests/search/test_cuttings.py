"""What pieces of pipe of one list cost together is told once: later programs start from it, and it is true of them."""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest
from small_trees import random_tree, small_catalog

from optimizer import pipeline
from optimizer.program.list_program import ListProblem, PipeCut
from optimizer.search.cheapest import find_plan
from optimizer.search.list_pick import Pick

# Two outlets and a feed of some ten pieces: pieces of several runs are cut from one length. Invented.
FORK = """
system: Two outlets above a basement
units: US
surfaces: {sump: 0 ft, display: 12 ft}
pumps: {p: {curve: [0 gph at 32 ft, 1200 gph at 28 ft, 2400 gph at 18 ft, 3600 gph at 0 ft], ports: 1 in socket}}
runs:
  riser:
    from: sump
    to: split
    size: 1 in sch 40 PVC
    parts: [pump p, pipe 4 in, union, pipe 4 in, ball valve, elbow, pipe 8 ft, elbow, pipe 5 ft, elbow, pipe 2 ft]
  left: {from: split, to: display, size: 1 in sch 40 PVC, parts: [pipe 4 ft, elbow, ball valve, pipe 6 in]}
  right: {from: split branch, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 3 ft, elbow, ball valve, pipe 6 in]}
targets: {left: at least 780 gph, right: at least 720 gph}
rules: {sizes: [3/4 in, 1 in, 1-1/4 in]}
"""


@pytest.fixture
def programs(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Pick, ListProblem]]:
    """Return every program of a search, as it is made."""
    made: list[tuple[Pick, ListProblem]] = []
    problem_of = Pick.problem

    def told(pick: Pick) -> ListProblem:
        made.append((pick, problem_of(pick)))
        return made[-1][1]

    monkeypatch.setattr(Pick, "problem", told)
    return made


def choices(pick: Pick, cut: PipeCut, draw: random.Random) -> Iterator[Mapping[str, int]]:
    """Yield a few ways of the runs that a cut names."""
    for _ in range(20):
        yield {run: draw.choice(ks) for run, ks in cut.runs.items()}


def pipe_cents(pick: Pick, item_id: str, ways: Mapping[str, int]) -> int:
    """Return what the pieces of a pipe in these ways cost together, at the least over all fittings at their ends."""
    found, item = [], None
    for run, k in ways.items():
        every = [one[item_id] for one in pick.ways[run][k].pieces.values() if item_id in one]
        item, pieces = min(every, key=lambda one: sum(one[1]))
        found += pieces
    assert item is not None
    return pick.shop.pipes.cents(item, tuple(sorted(found, reverse=True)))


@pytest.mark.long
def test_what_a_later_program_is_told_of_pipe_holds_whatever_is_chosen(
    programs: list[tuple[Pick, ListProblem]], tmp_path: Path
) -> None:
    (tmp_path / "fork.yaml").write_text(FORK, encoding="utf-8")
    checked, draw = 0, random.Random(1)
    systems = [(random_tree(seed, small_catalog()), small_catalog()) for seed in (1, 3, 10)]
    for system, catalog in [pipeline.read(tmp_path / "fork.yaml"), *systems]:
        find_plan(system, catalog)
    for pick, problem in programs:
        for cut in problem.cuts:
            if cut.tees:
                continue  # only with these fittings
            for ways in choices(pick, cut, draw):
                assert pipe_cents(pick, cut.item, ways) >= cut.cents
                checked += 1
    assert checked > 100


def test_the_first_program_of_a_search_is_told_nothing_and_a_later_one_something(
    programs: list[tuple[Pick, ListProblem]],
) -> None:
    find_plan(random_tree(1, small_catalog()), small_catalog())

    assert not programs[0][1].cuts
    assert programs[-1][1].cuts
