"""All efficient selections of trees at once: tables of runs merged from the leaves to the source, without a solver.

For known flows a selection matters by its cost, the head that the source must give, and what it uses of limited things
that are counted in few units (saw cuts). The tables of runs are added along a path, those of branches side by side take
the larger head; what another selection beats in all of these is dropped. Trees that get their water from elsewhere than
the pump have their own head: of them only the cheapest selection within it counts. What is limited in many units (water
in mL) is not carried along: of that only the whole selection is looked at.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import product
from operator import attrgetter
from typing import Any

import numpy as np
import numpy.typing as npt

from optimizer.clock import look
from optimizer.program.problem import RunChoice, SizingProblem, State, TeeChoice, exceeded

_ANY_NEED = np.iinfo(np.int64).max // 4
_NO_NEED = -_ANY_NEED  # of selections that take nothing of the pump's head
_WHOLE = ""  # all trees side by side
FEW_UNITS = 64  # a limit of at most so many is carried through the tables
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


@dataclass(frozen=True, slots=True)
class EfficientSelection:
    """One efficient selection: cost in whole cents, head needed at the source in loss units; its choices when asked."""

    cents: int
    need: int
    problem: SizingProblem
    front: Front
    index: int

    @property
    def run_choice(self) -> Mapping[str, int]:
        return {name: k for name, k in self.front.choices(self.index) if name in self.problem.runs}

    @property
    def tee_choice(self) -> Mapping[str, int]:
        return {name: k for name, k in self.front.choices(self.index) if name in self.problem.tees}


@dataclass(frozen=True)
class Columns:
    """The choices of a run as columns of numbers, a row for each; `used` has a column for every limit carried."""

    start: Ints
    end: Ints
    loss: Ints
    cents: Ints
    packs: Ints
    used: Ints

    @classmethod
    def of(cls, choices: Sequence[RunChoice], carried: Sequence[int]) -> Columns:
        numbers = np.array(list(map(_NUMBERS, choices)), dtype=np.int64).reshape(len(choices), 5).T
        used = np.array([[each.use(i) for i in carried] for each in choices if carried], dtype=np.int64)
        start, end, loss, cents, packs = numbers
        return cls(start, end, loss, cents, packs, used.reshape(len(choices), len(carried)))


_NUMBERS = attrgetter("start", "end", "loss", "cents", "packs")


@dataclass
class Tree:
    """The problem's trees with one set of packs opened. `best` is the head that needs count against.

    What was merged is kept by the packs opened that anything there or behind may open: trees have it in common.
    """

    problem: SizingProblem
    opened: int
    most_need: int
    memo: dict[tuple[str, State, int], Front | None] = field(default_factory=dict)
    tee_memo: dict[tuple[str, int], dict[State, Front]] = field(default_factory=dict)
    opens: Mapping[str, int] = field(default_factory=dict)  # run or, with its colon, tee -> packs there or behind it
    outlet: dict[str, str] = field(default_factory=dict)  # run -> tee at its end
    rise: dict[str, int] = field(default_factory=dict)  # demand -> what its path has less head than the best one
    carried: list[int] = field(default_factory=list)  # indices of the limits that the tables carry
    columns: dict[str, Columns] = field(default_factory=dict)  # of runs and tees; the same for every set of packs
    best: int = 0
    moving: dict[str, bool] = field(default_factory=dict)  # source run -> whether its head goes with the pump's

    def __post_init__(self) -> None:
        self.carried = carried(self.problem)
        opened = [self.problem.limits[i].with_opened(self.opened) for i in self.carried]
        self.most_used = np.array([limit.most for limit in opened], dtype=np.int64)
        for tee, fittings in self.problem.tees.items():
            for run, at_start in fittings[0].states:
                if not at_start:
                    self.outlet[run] = tee
        self.best = greatest_head(self.problem)
        self.rise = {path.name: self.best - path.head for path in self.problem.paths}
        for path in self.problem.paths:
            self.moving.setdefault(path.runs[0], path.moves)

    def fronts(self) -> list[Front]:
        """Return the efficient selections of all trees together."""
        if len(self.moving) == 1 and all(self.moving.values()):
            (source,) = self.moving
            return self._source_fronts(source)
        sides = [self.source_front(source) for source in self.moving]
        found = [side for side in sides if side is not None]
        if len(found) < len(sides):
            return []
        own = np.zeros(len(self.carried), dtype=np.int64)
        whole = self._filtered(self._combined(_WHOLE, 0, 0, 0, own, [(front, front.need) for front in found]))
        return [] if whole is None else [whole]

    def source_front(self, source: str) -> Front | None:
        """Return the efficient selections of one tree; with a head of its own, those within it, as needing nothing."""
        fronts = self._source_fronts(source)
        if self.moving[source]:
            return self._filtered(fronts)
        within = [front.within(self.best) for front in fronts]
        return self._filtered(replace(front, need=np.full(len(front), _NO_NEED)) for front in within)

    def _source_fronts(self, source: str) -> list[Front]:
        starts = sorted({choice.start for choice in self.problem.runs[source]})
        found = [self.run_front(source, start) for start in starts]
        return [front for front in found if front is not None]

    def run_front(self, run: str, start: State) -> Front | None:
        """Return the efficient selections of a run from one start state with all that lies behind it."""
        key = (run, start, self._opened(run))
        if key not in self.memo:
            for tee in self._behind(run):  # the farthest first, so that no call goes deep
                self.tee_fronts(tee)
            self.memo[key] = self._filtered(self._run_parts(run, start))
        return self.memo[key]

    def _behind(self, run: str) -> list[str]:
        """Return the tees behind a run that have no fronts yet, the farthest first."""
        found: list[str] = []
        waiting = [self.outlet[run]] if run in self.outlet else []
        while waiting:
            tee = waiting.pop()
            if (tee, self._opened(tee_key(tee))) not in self.tee_memo and self.problem.tees[tee]:
                found.append(tee)
                leaving = [name for name, at_start in self.problem.tees[tee][0].states if at_start]
                waiting += [self.outlet[name] for name in leaving if name in self.outlet]
        return found[::-1]

    def _opened(self, key: str) -> int:
        """Return which of the packs opened matter there; all, where what is limited goes by them."""
        return self.opened if self.carried else self.opened & self.opens.get(key, -1)

    def _run_parts(self, run: str, start: State) -> Iterator[Front]:
        columns = self.columns_of(run)
        usable = (columns.start == start) & (columns.packs & ~self.opened == 0)
        for end in dict.fromkeys(columns.end[usable].tolist()):
            picks = np.flatnonzero(usable & (columns.end == end))
            own = Front(columns.loss[picks], columns.cents[picks], columns.used[picks], run, picks)
            if run in self.outlet:
                behind = self.tee_fronts(self.outlet[run]).get(end)
                if behind is not None:
                    yield added(own, behind)
            else:
                yield replace(own, need=own.need + self.rise[run])

    def columns_of(self, run: str) -> Columns:
        """Return the numbers of a run's choices as columns."""
        if run not in self.columns:
            self.columns[run] = Columns.of(self.problem.runs[run], self.carried)
        return self.columns[run]

    def tee_fronts(self, tee: str) -> dict[State, Front]:
        """Return the efficient selections behind a tee by the state that it gives to the run that feeds it."""
        key = (tee, self._opened(tee_key(tee)))
        if key not in self.tee_memo:
            groups: dict[State, list[Front]] = {}
            for k, fitting in enumerate(self.problem.tees[tee]):
                if fitting.packs & ~self.opened:
                    continue
                (inlet,) = (end for end in fitting.states if not end[1])
                groups.setdefault(fitting.states[inlet], []).extend(self._fitting_fronts(tee, k, fitting))
            merged = {state: self._filtered(iter(fronts)) for state, fronts in groups.items()}
            self.tee_memo[key] = {state: front for state, front in merged.items() if front is not None}
        return self.tee_memo[key]

    def _fitting_fronts(self, tee: str, index: int, fitting: TeeChoice) -> Iterator[Front]:
        """Yield the selections behind one fitting, those that use the same together."""
        sides: list[tuple[Front, Ints]] = []
        entry = 0
        for (run, at_start), state in fitting.states.items():
            if not at_start:
                entry = fitting.losses[run, at_start]
                continue
            front = self.run_front(run, state)
            if front is None:
                return
            sides.append((front, front.need + fitting.losses[run, at_start]))
        own = np.array([fitting.use(i) for i in self.carried], dtype=np.int64)
        yield from self._combined(tee, index, fitting.cents, entry, own, sides)

    def _combined(
        self, name: str, index: int, cents: int, entry: int, own: Ints, sides: list[tuple[Front, Ints]]
    ) -> Iterator[Front]:
        """Yield what is side by side, those that use the same together."""
        for groups in product(*(front.alike() for front, _ in sides)):
            used = sum((uses for uses, _ in groups), own)
            if (used <= self.most_used).all():
                yield self._side_by_side(name, index, cents, entry, used, sides, [at for _, at in groups])

    def _side_by_side(
        self,
        name: str,
        index: int,
        cents: int,
        entry: int,
        used: Ints,
        sides: list[tuple[Front, Ints]],
        groups: list[Ints],
    ) -> Front:
        """Return the cheapest selections of branches side by side at every head that one of them needs."""
        needs = [need[at] for (_, need), at in zip(sides, groups, strict=True)]
        levels = np.unique(np.concatenate(needs))
        levels = levels[levels >= max(need[0] for need in needs)]
        picked = [
            (front, at[np.searchsorted(need, levels, side="right") - 1])
            for (front, _), need, at in zip(sides, needs, groups, strict=True)
        ]
        total = sum((front.cents[at] for front, at in picked), np.full(len(levels), cents))
        rows = np.broadcast_to(used, (len(levels), len(used)))
        return Front(levels + entry, total, rows, name, np.full(len(levels), index), tuple(picked))

    def _filtered(self, fronts: Iterable[Front]) -> Front | None:
        """Return the efficient selections of several fronts of the same run or tee; None when there is none."""
        look()
        found = [front for front in fronts if len(front)]
        if not found:
            return None
        need = np.concatenate([front.need for front in found])
        cents = np.concatenate([front.cents for front in found])
        used = np.concatenate([front.used for front in found])
        possible = np.flatnonzero((need <= self.most_need) & (used <= self.most_used).all(axis=1))
        chosen = possible[best_of(need[possible], cents[possible], used[possible])]
        return joined(found, chosen) if len(chosen) else None


@dataclass
class MergedTables:
    """The merged tables of a tree for every set of packs that may be opened, each made when first asked for.

    Parameters
    ----------
    problem
        Trees: every tee has one run that ends in it. Path heads that move count only by their differences.
    most_need
        Selections that need more head at the source (in loss units) than this are of no interest.
    """

    problem: SizingProblem
    most_need: int = _ANY_NEED
    _trees: dict[int, Tree] = field(default_factory=dict)
    _columns: dict[str, Columns] = field(default_factory=dict)
    _memo: dict[tuple[str, State, int], Front | None] = field(default_factory=dict)
    _tee_memo: dict[tuple[str, int], dict[State, Front]] = field(default_factory=dict)
    _selections: tuple[EfficientSelection, ...] | None = None

    def tree(self, opened: int) -> Tree:
        """Return the tables with these packs (bits) opened."""
        if opened not in self._trees:
            known = self._memo, self._tee_memo, self._opens
            self._trees[opened] = Tree(self.problem, opened, self.most_need, *known, columns=self._columns)
        return self._trees[opened]

    @cached_property
    def _opens(self) -> dict[str, int]:
        """Return the packs that runs and tees, and all behind them, may open (bits); see `Tree.opens`."""
        own = {run: _either(choices) for run, choices in self.problem.runs.items()}
        own |= {tee_key(tee): _either(fittings) for tee, fittings in self.problem.tees.items()}
        found: dict[str, int] = {}
        for path in self.problem.paths:
            before = {run: tee_key(tee) for tee, run, at_start in path.tee_ends if at_start}
            opens = 0
            for run in reversed(path.runs):
                for key in (run, before[run]) if run in before else (run,):
                    opens |= own[key]
                    found[key] = found.get(key, 0) | opens
        return found

    def selections(self) -> tuple[EfficientSelection, ...]:
        """Return all efficient selections, the cheapest first; equal to the program's optimum at any one head.

        They keep within the limits that are carried; of the others a selection that would be cheaper may exceed one, so
        where there are such limits (`all_carried` is off) the first that keeps within all need not be the cheapest.
        """
        if self._selections is None:
            found = self._all()
            if len(carried(self.problem)) < len(self.problem.limits):
                found = [each for each in found if not exceeded(self.problem, each.run_choice, each.tee_choice)]
            self._selections = tuple(_efficient(found))
        return self._selections

    def _all(self) -> list[EfficientSelection]:
        """Return what is efficient with some set of packs opened."""
        found: list[EfficientSelection] = []
        for opened in range(1 << len(self.problem.packs)):
            opening = sum(price for i, price in enumerate(self.problem.packs) if opened >> i & 1)
            for front in self.tree(opened).fronts():
                pairs = enumerate(zip((front.cents + opening).tolist(), front.need.tolist(), strict=True))
                found += [EfficientSelection(*pair, self.problem, front, i) for i, pair in pairs]
        return found

    def at(self, problem: SizingProblem) -> MergedTables:
        """Return the tables of the same choices at other heads: these, where all heads that move do so by the same."""
        if problem.runs is not self.problem.runs or problem.tees is not self.problem.tees:
            return MergedTables(problem, greatest_head(problem))
        pairs = list(zip(problem.paths, self.problem.paths, strict=True))
        moved = {new.head - old.head for new, old in pairs if new.moves and (new.is_limited or old.is_limited)}
        given = all(new.head == old.head for new, old in pairs if not new.moves)
        fits = len(moved) <= 1 and given and greatest_head(problem) <= self.most_need
        return self if fits else MergedTables(problem, greatest_head(problem), _columns=self._columns)

    def told_again(self, problem: SizingProblem, run: str) -> MergedTables:
        """Return the tables of the same problem with other choices for a run: what lies beside or behind it stays."""
        if problem.limits != self.problem.limits:
            return MergedTables(problem, greatest_head(problem))
        ways = [path.runs[: path.runs.index(run) + 1] for path in problem.paths if run in path.runs]
        changed = {each for way in ways for each in way}
        tees = {tee for path in problem.paths for tee, each, at_start in path.tee_ends if at_start and each in changed}
        return MergedTables(
            problem,
            self.most_need,
            _columns={name: own for name, own in self._columns.items() if name != run},
            _memo={key: front for key, front in self._memo.items() if key[0] not in changed},
            _tee_memo={key: fronts for key, fronts in self._tee_memo.items() if key[0] not in tees},
        )


def tee_key(tee: str) -> str:
    """Return what tells a tee from a run of the same name."""
    return f"{tee}:"


def _either(choices: Iterable[RunChoice | TeeChoice]) -> int:
    found = 0
    for packs in {choice.packs for choice in choices}:
        found |= packs
    return found


def greatest_head(problem: SizingProblem) -> int:
    """Return the head of the path that has the most, in loss units: what a selection's need is held against.

    Of paths whose head goes with the pump's and is limited; 0 where there are none.
    """
    return max((path.head for path in problem.paths if path.moves and path.is_limited), default=0)


def efficient_selections(problem: SizingProblem, most_need: int = _ANY_NEED) -> tuple[EfficientSelection, ...]:
    """Return all efficient selections of a tree, the cheapest first, as `MergedTables` has them."""
    return MergedTables(problem, most_need).selections()


def cheapest_within(problem: SizingProblem) -> EfficientSelection | None:
    """Return the cheapest selection of a tree within its heads and the limits that are carried; None where none is."""
    head = greatest_head(problem)
    found = efficient_selections(problem, head) if all(problem.runs.values()) else ()
    return next((each for each in found if each.need <= head), None)


def carried(problem: SizingProblem) -> list[int]:
    """Return the indices of the limits that the tables carry."""
    return [i for i, limit in enumerate(problem.limits) if limit.most <= FEW_UNITS and not limit.is_cost]


def all_carried(problem: SizingProblem) -> bool:
    """Return whether the tables know of every limit, so that they hold the optimum at every head.

    Of a limit on the cost itself they need to know nothing: what costs least keeps to it if anything does.
    """
    return all(limit.is_cost or limit.most <= FEW_UNITS for limit in problem.limits)


def _efficient(found: list[EfficientSelection]) -> Iterator[EfficientSelection]:
    least: int | None = None
    for selection in sorted(found, key=lambda selection: (selection.cents, selection.need)):
        if least is None or selection.need < least:
            least = selection.need
            yield selection
