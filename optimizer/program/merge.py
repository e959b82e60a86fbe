"""All efficient selections of a tree at once: tables of runs merged from the leaves to the source, without a solver.

For known flows a selection matters by two numbers, its cost and the head that the source must give. The tables of
runs are added along a path, those of branches side by side take the larger head; what another selection beats in both
is dropped.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from optimizer.program.problem import Path, RunChoice, SizingProblem, State, TeeChoice

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class EfficientSelection:
    """One efficient selection: cost in whole cents, head needed at the source in loss units, and the choices."""

    cents: int
    need: int
    run_choice: Mapping[str, int]
    tee_choice: Mapping[str, int]


@dataclass(frozen=True)
class _Front:
    """Selections of a part of the tree, by rising need and falling cost.

    `picks` are the run's or tee's choices; `before` lists, for each part of the tree behind it, that part's front and
    the index of the selection taken there.
    """

    need: Ints
    cents: Ints
    name: str
    picks: Ints
    before: tuple[tuple[_Front, Ints], ...] = ()

    def __len__(self) -> int:
        return len(self.need)

    def choices(self, index: int) -> Iterator[tuple[str, int]]:
        yield self.name, int(self.picks[index])
        for front, indices in self.before:
            yield from front.choices(int(indices[index]))


@dataclass
class _Tree:
    """The problem's tree with one set of packs opened."""

    problem: SizingProblem
    opened: int
    most_need: int
    memo: dict[tuple[str, State], _Front | None] = field(default_factory=dict)
    tee_memo: dict[str, dict[State, _Front]] = field(default_factory=dict)
    outlet: dict[str, str] = field(default_factory=dict)  # run -> tee at its end
    rise: dict[str, int] = field(default_factory=dict)  # demand -> what its path has less head than the best one

    def __post_init__(self) -> None:
        for tee, fittings in self.problem.tees.items():
            for run, at_start in fittings[0].states:
                if not at_start:
                    self.outlet[run] = tee
        best = max(path.head for path in self.problem.paths)
        self.rise = {path.name: best - path.head for path in self.problem.paths}

    def run_front(self, run: str, start: State) -> _Front | None:
        """Return the efficient selections of a run from one start state with all that lies behind it."""
        key = (run, start)
        if key not in self.memo:
            self.memo[key] = self._filtered(self._run_parts(run, start))
        return self.memo[key]

    def _run_parts(self, run: str, start: State) -> Iterator[_Front]:
        by_end: dict[State, list[int]] = {}
        for k, choice in enumerate(self.problem.runs[run]):
            if choice.start == start and not choice.packs & ~self.opened:
                by_end.setdefault(choice.end, []).append(k)
        for end, picks in by_end.items():
            need, cents = _columns([self.problem.runs[run][k] for k in picks])
            own = _Front(need, cents, run, np.array(picks))
            if run in self.outlet:
                behind = self.tee_fronts(self.outlet[run]).get(end)
                if behind is not None:
                    yield _added(own, behind)
            else:
                yield _Front(own.need + self.rise[run], own.cents, run, own.picks)

    def tee_fronts(self, tee: str) -> dict[State, _Front]:
        """Return the efficient selections behind a tee by the state that it gives to the run that feeds it."""
        if tee not in self.tee_memo:
            groups: dict[State, list[_Front]] = {}
            for k, fitting in enumerate(self.problem.tees[tee]):
                front = None if fitting.packs & ~self.opened else self._fitting_front(tee, k, fitting)
                if front is not None:
                    (inlet,) = (end for end in fitting.states if not end[1])
                    groups.setdefault(fitting.states[inlet], []).append(front)
            merged = {state: self._filtered(iter(fronts)) for state, fronts in groups.items()}
            self.tee_memo[tee] = {state: front for state, front in merged.items() if front is not None}
        return self.tee_memo[tee]

    def _fitting_front(self, tee: str, index: int, fitting: TeeChoice) -> _Front | None:
        sides: list[tuple[_Front, Ints]] = []
        entry = 0
        for (run, at_start), state in fitting.states.items():
            if not at_start:
                entry = fitting.losses[run, at_start]
                continue
            front = self.run_front(run, state)
            if front is None:
                return None
            sides.append((front, front.need + fitting.losses[run, at_start]))
        levels = np.unique(np.concatenate([need for _, need in sides]))
        levels = levels[levels >= max(need[0] for _, need in sides)]
        picked = [(front, np.searchsorted(need, levels, side="right") - 1) for front, need in sides]
        cents = sum((front.cents[at] for front, at in picked), np.full(len(levels), fitting.cents))
        return _Front(levels + entry, cents, tee, np.full(len(levels), index), tuple(picked))

    def _filtered(self, fronts: Iterable[_Front]) -> _Front | None:
        """Return the efficient selections of several fronts of the same run or tee; None when there is none."""
        found = [front for front in fronts if len(front)]
        if not found:
            return None
        need = np.concatenate([front.need for front in found])
        cents = np.concatenate([front.cents for front in found])
        order = np.lexsort((cents, need))
        lowest = np.minimum.accumulate(cents[order])
        keep = np.ones(len(order), dtype=bool)
        keep[1:] = cents[order][1:] < lowest[:-1]
        chosen = order[keep & (need[order] <= self.most_need)]
        return _joined(found, chosen) if len(chosen) else None


def _columns(choices: list[RunChoice]) -> tuple[Ints, Ints]:
    return np.array([choice.loss for choice in choices]), np.array([choice.cents for choice in choices])


def _added(own: _Front, behind: _Front) -> _Front:
    """Return every pair of a run's choice and a selection behind it."""
    need = (own.need[:, None] + behind.need[None, :]).ravel()
    cents = (own.cents[:, None] + behind.cents[None, :]).ravel()
    index = np.arange(len(need))
    return _Front(need, cents, own.name, own.picks[index // len(behind)], ((behind, index % len(behind)),))


def _joined(fronts: list[_Front], chosen: Ints) -> _Front:
    """Return the chosen selections out of several fronts laid end to end, each with its own parts behind it."""
    starts = np.cumsum([0, *(len(front) for front in fronts)])
    source = np.searchsorted(starts, chosen, side="right") - 1
    local = chosen - starts[source]
    need = np.array([fronts[s].need[i] for s, i in zip(source, local, strict=True)])
    cents = np.array([fronts[s].cents[i] for s, i in zip(source, local, strict=True)])
    return _Mixed(need, cents, fronts[0].name, local, (), tuple(fronts), source)


@dataclass(frozen=True)
class _Mixed(_Front):
    """A front whose selections come from several others."""

    fronts: tuple[_Front, ...] = ()
    source: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    def choices(self, index: int) -> Iterator[tuple[str, int]]:
        yield from self.fronts[int(self.source[index])].choices(int(self.picks[index]))


def efficient_selections(problem: SizingProblem, most_need: int | None = None) -> tuple[EfficientSelection, ...]:
    """Return all efficient selections of a tree, the cheapest first; equal to the program's optimum at any one head.

    Parameters
    ----------
    problem
        A tree: every tee has one run that ends in it. Path heads count only by their differences.
    most_need
        Selections that need more head at the source (in loss units) than this are of no interest.
    """
    limit = np.iinfo(np.int64).max // 4 if most_need is None else most_need
    found: list[EfficientSelection] = []
    for opened in range(1 << len(problem.packs)):
        opening = sum(price for i, price in enumerate(problem.packs) if opened >> i & 1)
        tree = _Tree(problem, opened, limit)
        source = _source(problem.paths)
        for start in {choice.start for choice in problem.runs[source]}:
            front = tree.run_front(source, start)
            for i in range(0 if front is None else len(front)):
                assert front is not None
                picks = dict(front.choices(i))
                runs = {name: k for name, k in picks.items() if name in problem.runs}
                tees = {name: k for name, k in picks.items() if name in problem.tees}
                found.append(EfficientSelection(int(front.cents[i]) + opening, int(front.need[i]), runs, tees))
    return tuple(_efficient(found))


def _source(paths: tuple[Path, ...]) -> str:
    return paths[0].runs[0]


def _efficient(found: list[EfficientSelection]) -> Iterator[EfficientSelection]:
    least: int | None = None
    for selection in sorted(found, key=lambda selection: (selection.cents, selection.need)):
        if least is None or selection.need < least:
            least = selection.need
            yield selection
