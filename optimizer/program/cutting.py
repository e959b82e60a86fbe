"""The cutting-stock program: which sticks to take and what to cut from each, at the least cost, proved.

All patterns are listed and an integer program picks among them; where they are too many, a program that assigns pieces
to sticks takes its place. Whole numbers only; the answer is counted again without the solver.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from optimizer.errors import SolverError
from optimizer.program.answers import answer_of, first_answer, is_optimal

MOST_PATTERNS = 50_000  # above this many the patterns are not listed
_TIDY_PATTERNS = 600  # above this many, equally cheap answers are not weighed against each other: it can take minutes
_SOLVERS = ("HIGHS", "GSCIP")
_MANY_LENGTHS = 60
_HAIR_CENTS = 1e-6  # of sums of rates, so that rounding leaves nothing out


@dataclass(frozen=True, slots=True)
class CuttingProblem:
    """Lengths in one small unit, money in cents. Every piece fits at least one stick.

    `sizes` and `counts` are the pieces wanted; `stock` (length, cents) can be had in any number; `owned` (length, how
    many) costs nothing. A saw cut takes `kerf`; a stick is cut once less than it has pieces when they end flush.
    """

    sizes: tuple[int, ...]
    counts: tuple[int, ...]
    stock: tuple[tuple[int, int], ...]
    owned: tuple[tuple[int, int], ...] = ()
    kerf: int = 0

    @property
    def kinds(self) -> tuple[tuple[int, int, int | None], ...]:
        """(length, cents, how many there are) of every kind of stick, the owned ones first."""
        bought = tuple((length, cents, None) for length, cents in self.stock)
        return tuple((length, 0, count) for length, count in self.owned) + bought


@dataclass(frozen=True, slots=True)
class CutStick:
    """One stick: which of the problem's kinds it is, and how many pieces of each size come from it."""

    kind: int
    pieces: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class CuttingAnswer:
    """Sticks that give every piece once. No way of cutting costs less than `bound_cents`."""

    sticks: tuple[CutStick, ...]
    cents: int
    bound_cents: int

    @property
    def proved(self) -> bool:
        return self.bound_cents >= self.cents


@dataclass(frozen=True, slots=True)
class _Pattern:
    kind: int
    pieces: tuple[int, ...]


@dataclass
class _PatternModel:
    """The MathOpt model with the variables that are read back."""

    model: Any
    use: list[Any] = field(default_factory=list)


def solve_cutting(
    problem: CuttingProblem, *, most_patterns: int = MOST_PATTERNS, time_limit_s: float = 20.0, tidy: bool = True
) -> CuttingAnswer:
    """Return the cheapest way of cutting; of equally cheap ones, where patterns are few, the least length bought.

    Without `tidy` any of them: where only its cost is of interest.

    Parameters
    ----------
    problem
        Whole numbers; every piece fits a stick, and what is owned may run out but bought sticks do not.
    most_patterns
        How many patterns may be listed before pieces are assigned to sticks instead.
    time_limit_s
        Wall time for each solve [s]; when it ends first, the bound says how much cheaper a way might still be.

    Raises
    ------
    SolverError
        When no solver answers, or an answer breaks the problem's own rows.
    """
    if not sum(problem.counts):
        return CuttingAnswer((), 0, 0)
    patterns = _all_patterns(problem, most_patterns)
    answer = _assign(problem, time_limit_s) if patterns is None else _pick(problem, patterns, time_limit_s, tidy)
    _check(problem, answer)
    return answer


def cents_of_few(pieces: Sequence[int], stock: Sequence[tuple[int, int]], kerf: int) -> int:
    """Return what a few pieces cost at the least, without a solver: by the sets of pieces that one stick gives.

    The work grows threefold with each piece. Every piece fits a stick of the stock, which has (length, cents).
    """
    sets = 1 << len(pieces)
    total = [0] * sets
    for pieces_in in range(1, sets):
        first = pieces_in & -pieces_in
        total[pieces_in] = total[pieces_in ^ first] + pieces[first.bit_length() - 1] + kerf
    one = [min((cents for length, cents in stock if length + kerf >= each), default=math.inf) for each in total]
    best: list[float] = [0.0] * sets
    for pieces_in in range(1, sets):
        first = pieces_in & -pieces_in
        others = beside = pieces_in ^ first
        least = one[pieces_in]
        while beside:  # all sets of the others, that of all of them apart
            beside = (beside - 1) & others
            least = min(least, one[beside | first] + best[others ^ beside])
        best[pieces_in] = least
    return int(best[-1])


def cents_if_filled(pieces: Sequence[int], stock: Sequence[tuple[int, int]], kerf: int) -> tuple[int, bool]:
    """Return what lengths cost at the least that are together as long as all pieces; and whether these go in.

    Then nothing is cheaper, and no solver is needed. The pieces are laid in the longest first, each into the length
    that it leaves least of. Where that would take very many lengths, what all pieces cost by the cheapest rate.
    """
    rooms = sorted(((length + kerf, cents) for length, cents in stock), reverse=True)
    wanted = sorted((piece + kerf for piece in pieces), reverse=True)
    rates = [min(cents / room for room, cents in rooms[kind:]) for kind in range(len(rooms))]
    if sum(wanted) > _MANY_LENGTHS * rooms[0][0]:
        return math.floor(rates[0] * sum(wanted)), False
    least, cheapest = math.inf, list[tuple[int, ...]]()
    waiting: list[tuple[int, int, int, tuple[int, ...]]] = [(0, sum(wanted), 0, ())]
    while waiting:
        kind, rest, cents, taken = waiting.pop()
        if rest <= 0:
            if cents <= least:
                cheapest = [taken] if cents < least else [*cheapest, taken]
                least = cents
            continue
        if kind == len(rooms) or cents + rates[kind] * rest > least + _HAIR_CENTS:
            continue
        room, price = rooms[kind]
        most = -(-rest // room)
        for count in range(most + 1):  # the most is looked at first: it soon tells what is too dear
            waiting.append((kind + 1, rest - count * room, cents + count * price, (*taken, *[room] * count)))
    return int(least), any(_go_in(wanted, taken) for taken in cheapest)


def _go_in(wanted: Sequence[int], rooms: Sequence[int]) -> bool:
    left = list(rooms)
    for piece in wanted:
        fits = [i for i, room in enumerate(left) if room >= piece]
        if not fits:
            return False
        left[min(fits, key=left.__getitem__)] -= piece
    return True


def _all_patterns(problem: CuttingProblem, most: int) -> list[_Pattern] | None:
    """Return every way to fill each kind of stick so that no further piece fits; None when they are too many."""
    found: list[_Pattern] = []
    for kind, (length, _, _) in enumerate(problem.kinds):
        for pieces in full_patterns(length, problem.sizes, problem.counts, problem.kerf):
            found.append(_Pattern(kind, pieces))
            if len(found) > most:
                return None
    return found


def full_patterns(length: int, sizes: Sequence[int], counts: Sequence[int], kerf: int) -> Iterator[tuple[int, ...]]:
    """Yield every combination of pieces that fits a stick and leaves no room for another piece that is wanted."""
    order = sorted(range(len(sizes)), key=lambda i: -sizes[i])

    def fill(place: int, room: int, taken: dict[int, int]) -> Iterator[tuple[int, ...]]:
        if place == len(order):
            if taken and not any(taken.get(i, 0) < counts[i] and sizes[i] + kerf <= room for i in order):
                yield tuple(taken.get(i, 0) for i in range(len(sizes)))
            return
        i = order[place]
        for number in range(min(counts[i], room // (sizes[i] + kerf)), -1, -1):
            chosen = {**taken, i: number} if number else taken
            yield from fill(place + 1, room - number * (sizes[i] + kerf), chosen)

    yield from fill(0, length + kerf, {})  # the last piece needs no cut behind it


def build_pattern_model(problem: CuttingProblem, patterns: Sequence[_Pattern], most_cents: int | None) -> _PatternModel:
    """Build the program that picks how often each pattern is cut (P. C. Gilmore, R. E. Gomory, Oper. Res. 9, 1961).

    Sets        i in sizes, k in kinds of stick, p in patterns, each of one kind
    Parameters  count[i], pieces[p,i], cents[k], length[k], have[k] (owned kinds only)
    Variables   use[p] >= 0, whole

    min   sum_p cents[k(p)] use[p]
    s.t.  sum_p pieces[p,i] use[p] >= count[i]     for each size         (all_pieces)
          sum_{p of k} use[p] <= have[k]           for each owned kind   (owned_limit)

    With `most_cents` the cost is held there and the length bought is made least, one unit more for every stick.
    """
    from ortools.math_opt.python import mathopt

    built = _PatternModel(mathopt.Model(name="cutting"))
    most = sum(problem.counts)
    built.use = [built.model.add_integer_variable(lb=0, ub=most) for _ in patterns]
    for i, count in enumerate(problem.counts):
        given = [p.pieces[i] * use for p, use in zip(patterns, built.use, strict=True) if p.pieces[i]]
        built.model.add_linear_constraint(sum(given) >= count)
    for kind, (_, _, have) in enumerate(problem.kinds):
        if have is not None:
            of_kind = [use for p, use in zip(patterns, built.use, strict=True) if p.kind == kind]
            if of_kind:
                built.model.add_linear_constraint(sum(of_kind) <= have)
    cents = sum(problem.kinds[p.kind][1] * use for p, use in zip(patterns, built.use, strict=True))
    if most_cents is None:
        built.model.minimize(cents)
    else:
        built.model.add_linear_constraint(cents <= most_cents)
        bought = [1 + (problem.kinds[p.kind][0] if problem.kinds[p.kind][2] is None else 0) for p in patterns]
        built.model.minimize(sum(b * use for b, use in zip(bought, built.use, strict=True)))
    return built


def _pick(problem: CuttingProblem, patterns: Sequence[_Pattern], time_limit_s: float, tidy: bool) -> CuttingAnswer:
    first = build_pattern_model(problem, patterns, None)
    result = _solve(first, time_limit_s)
    used = _read(first, result)
    cents = _cents(problem, patterns, used)
    bound = cents if is_optimal(result) else max(0, -int(-(result.dual_bound() - 1e-6) // 1))
    if tidy and len(patterns) <= _TIDY_PATTERNS:
        used = _tidied(problem, patterns, cents, used, time_limit_s)
    return CuttingAnswer(_trimmed(problem, [patterns[p] for p, n in enumerate(used) for _ in range(n)]), cents, bound)


def _tidied(
    problem: CuttingProblem, patterns: Sequence[_Pattern], cents: int, used: list[int], time_limit_s: float
) -> list[int]:
    """Return an answer as cheap as the one found that buys the least length and opens the fewest sticks."""
    built = build_pattern_model(problem, patterns, cents)
    tidy = _read(built, _solve(built, time_limit_s))
    return tidy if _cents(problem, patterns, tidy) <= cents else used


def _solve(built: _PatternModel, time_limit_s: float) -> Any:
    def ask(name: str) -> Any:
        answer = answer_of(built.model, name, time_limit_s)
        if answer.ended is not None:
            raise SolverError(f"ended with {answer.ended}")
        return answer.result

    return first_answer(_SOLVERS, ask, "no solver cut the pieces")


def _read(built: _PatternModel, result: Any) -> list[int]:
    values = result.variable_values()
    return [round(values[use]) for use in built.use]


def _cents(problem: CuttingProblem, patterns: Sequence[_Pattern], used: Sequence[int]) -> int:
    return sum(problem.kinds[p.kind][1] * times for p, times in zip(patterns, used, strict=True))


def _trimmed(problem: CuttingProblem, sticks: Sequence[_Pattern]) -> tuple[CutStick, ...]:
    """Return the sticks without pieces beyond what is wanted, the long ones filled first."""
    left = list(problem.counts)
    found = []
    for stick in sorted(sticks, key=lambda p: (p.kind, [-number for number in p.pieces])):
        pieces = tuple(min(number, left[i]) for i, number in enumerate(stick.pieces))
        left = [rest - number for rest, number in zip(left, pieces, strict=True)]
        if any(pieces):
            found.append(CutStick(stick.kind, pieces))
    return tuple(found)


def _assign(problem: CuttingProblem, time_limit_s: float) -> CuttingAnswer:
    """Solve by putting pieces into sticks one by one.

    Sets        i in sizes, s in sticks: the owned ones and as many of each length as could be of use
    Variables   put[i,s] >= 0, whole; open[s] in {0, 1}

    min   sum_s cents[s] open[s]
    s.t.  sum_s put[i,s] = count[i]                                      for each size   (all_pieces)
          sum_i (size[i] + kerf) put[i,s] <= (length[s] + kerf) open[s]  for each stick  (fits)
          load[s] >= load[s + 1]                                         for two of a kind side by side (order)
    """
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    sticks = [kind for kind in range(len(problem.kinds)) for _ in range(_useful(problem, kind))]
    put = [[model.new_int_var(0, count, "") for _ in sticks] for count in problem.counts]
    opened = [model.new_bool_var("") for _ in sticks]
    loads = []
    for s, kind in enumerate(sticks):
        loads.append(sum((size + problem.kerf) * put[i][s] for i, size in enumerate(problem.sizes)))
        model.add(loads[s] <= (problem.kinds[kind][0] + problem.kerf) * opened[s])
        if s and sticks[s - 1] == kind:
            model.add(loads[s - 1] >= loads[s])
    for row, count in zip(put, problem.counts, strict=True):
        model.add(sum(row) == count)
    model.minimize(sum(problem.kinds[kind][1] * opened[s] for s, kind in enumerate(sticks)))
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = time_limit_s
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        raise SolverError(f"no way of cutting was found in {time_limit_s:g} s: {solver.status_name(status)}")
    cut = [CutStick(kind, tuple(solver.value(row[s]) for row in put)) for s, kind in enumerate(sticks)]
    cut = [stick for stick in cut if any(stick.pieces)]
    cents = sum(problem.kinds[stick.kind][1] for stick in cut)
    return CuttingAnswer(tuple(cut), cents, min(cents, -int(-(solver.best_objective_bound - 1e-6) // 1)))


def _useful(problem: CuttingProblem, kind: int) -> int:
    """Return how many sticks of a kind could be of use: those there are, or what the pieces fill one after another."""
    length, _, have = problem.kinds[kind]
    sizes = [s for s, count in zip(problem.sizes, problem.counts, strict=True) if s <= length for _ in range(count)]
    rooms: list[int] = []
    for size in sorted(sizes, reverse=True):  # first fit, longest first
        fits = next((r for r, room in enumerate(rooms) if size + problem.kerf <= room), None)
        if fits is None:
            rooms.append(length - size)
        else:
            rooms[fits] -= size + problem.kerf
    return len(rooms) if have is None else min(have, len(sizes))


def _check(problem: CuttingProblem, answer: CuttingAnswer) -> None:
    """Raise when the sticks do not give every piece once, hold too much, or are more than are owned."""
    given = [sum(stick.pieces[i] for stick in answer.sticks) for i in range(len(problem.sizes))]
    if tuple(given) != problem.counts:
        raise SolverError(f"the answer cuts {given} pieces, wanted are {list(problem.counts)}")
    for stick in answer.sticks:
        length = problem.kinds[stick.kind][0]
        load = sum((size + problem.kerf) * n for size, n in zip(problem.sizes, stick.pieces, strict=True))
        if load > length + problem.kerf:
            raise SolverError(f"the answer cuts {load - problem.kerf} from a stick of {length}")
    for kind, (_, _, have) in enumerate(problem.kinds):
        if have is not None and sum(stick.kind == kind for stick in answer.sticks) > have:
            raise SolverError("the answer uses more owned pipe than there is")
    cents = sum(problem.kinds[stick.kind][1] for stick in answer.sticks)
    if cents > answer.cents:
        raise SolverError(f"the answer costs {cents} cents, the solver said {answer.cents}")
