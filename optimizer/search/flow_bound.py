"""A quick bound for unknown flows: every run loses at least what it loses at its least flow, valves cost nothing.

Along any way that the water surely takes from one fixed head to another, the losses at the minimum flows must fit into
the head that is there at most. That is a sizing problem of known flows; its reduced costs tell which ways can not be in
any plan below a cost, so that the relaxation over flows needs to see few.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from optimizer.choices.graph import FREE, KEPT, EndState
from optimizer.choices.loss_basis import Floats
from optimizer.model.network import Network
from optimizer.program.merge import MergedTables, greatest_head
from optimizer.program.problem import LOSS_UNIT_M, NO_LIMIT, Path, RunChoice, SizingProblem, TeeChoice
from optimizer.program.reduced import ReducedCosts, reduced_costs
from optimizer.program.through import ANY_COST, Rest, is_tree, rest_costs, through_costs
from optimizer.search.flow_posing import Choice, FlowCase, speed_combos
from optimizer.search.flow_ranges import Range, pump_of
from optimizer.search.posing import limits_of
from optimizer.search.run_curves import CurveTable, limits_of_each, losses_of_each

_MOST_PATHS = 200


@dataclass(frozen=True)
class _Way:
    """A way of the water: its runs in order, from one fixed head to another."""

    runs: tuple[str, ...]


def bound_problem(case: FlowCase, box: Mapping[tuple[str, int], Range], mode: int) -> SizingProblem:
    """Return the sizing problem whose every true plan of the case is a solution, at no more cost."""
    low = {name: box[name, mode][0] for name in case.network.runs}
    numbers: dict[EndState, int] = {FREE: 0, KEPT: 1}

    def number(state: EndState) -> int:
        return numbers.setdefault(state, len(numbers))

    runs = {name: _run_choices(case, name, low[name], number) for name in case.ways}
    tees = {point: _tee_choices(case, point, box, mode, number) for point in case.tees}
    paths = tuple(_path(case, way, low, mode) for way in _ways(case.network, low))
    return SizingProblem(runs, tees, paths, case.packs, limits_of(case.sides))


def _run_choices(
    case: FlowCase, name: str, low_m3_s: float, number: Callable[[EndState], int]
) -> tuple[RunChoice, ...]:
    """Return the ways of a run with what each loses at its least flow."""
    ways = case.ways[name]
    losses = case.tables[name].losses_m(low_m3_s) if low_m3_s > 0.0 else [0.0] * len(ways)
    return tuple(
        RunChoice(
            number(way.alternative.start),
            number(way.alternative.end),
            way.alternative.cents,
            math.floor(float(loss) / LOSS_UNIT_M),
            way.alternative.packs,
            way.alternative.used,
        )
        for way, loss in zip(ways, losses, strict=True)
    )


def _tee_choices(
    case: FlowCase,
    point: str,
    box: Mapping[tuple[str, int], Range],
    mode: int,
    number: Callable[[EndState], int],
) -> tuple[TeeChoice, ...]:
    """Return the fittings of a tee with what each takes from each of its runs at least."""
    ends = list(case.network.runs_at(point))
    least = {
        end: np.floor(losses / LOSS_UNIT_M).tolist()
        for end, losses in _least_tee_losses(case, point, box, mode).items()
    }
    return tuple(
        TeeChoice(
            option.cents,
            {(run.name, start): number(option.states[leg]) for run, leg, start in ends},
            {(run.name, start): int(least[case.key(run.name, mode), start][k]) for run, _, start in ends},
            uses=tuple(resource.used_by_fitting(option.cents) for resource in case.sides.resources),
        )
        for k, option in enumerate(case.tees[point])
    )


def _balanced(network: Network, low: Mapping[str, float]) -> bool:
    """Return whether the least flows of all runs are a flow: in a tree of demands they can then all be at it."""
    for point in network.points.values():
        if not point.is_fixed:
            ends = [(-1.0 if start else 1.0) * low[run.name] for run, _, start in network.runs_at(point.name)]
            if abs(sum(ends)) > 1e-6 * max(map(abs, ends), default=1.0) or min(low.values()) < 0.0:
                return False
    return True


def _least_tee_losses(
    case: FlowCase, point: str, box: Mapping[tuple[str, int], Range], mode: int
) -> dict[tuple[str, bool], Floats]:
    """Return by run end what each fitting of a tee takes from that run at least [m].

    Where every run of a tree can be held to its least flow, that is what it takes there, as for known flows; elsewhere
    the least over all flows in the box.
    """
    low = {name: box[name, mode][0] for name in case.network.runs}
    fittings = [case.tee_curves(point, k, mode) for k in range(len(case.tees[point]))]
    ends = {(case.key(run.name, mode), start): run.name for run, _, start in case.network.runs_at(point)}
    if _balanced(case.network, low):
        return losses_of_each(fittings, ends, {end: np.array(low[name]) for end, name in ends.items()})
    limits = limits_of_each(fittings, {end: box[name, mode] for end, name in ends.items()})
    return {end: least for end, (least, _) in limits.items()}


def _ways(network: Network, low: Mapping[str, float]) -> list[_Way]:
    """Return the ways from fixed heads along runs that surely carry water forwards, up to a number.

    Where water parts at every tee and never meets again all ways are told: what may run back there binds nothing.
    """
    found: list[_Way] = []
    parts = _only_parts(network)
    stack: list[tuple[str, ...]] = [
        (run.name,) for run in network.runs.values() if network.points[run.start.point].is_fixed
    ]
    while stack and len(found) < _MOST_PATHS:
        names = stack.pop()
        run = network.runs[names[-1]]
        if low[run.name] < 0.0 and not parts:
            continue
        if network.points[run.end.point].is_fixed:
            found.append(_Way(names))
            continue
        stack += [
            (*names, after.name)
            for after, _, start in network.runs_at(run.end.point)
            if start and after.name not in names
        ]
    return found


def _only_parts(network: Network) -> bool:
    """Return whether one run alone is written towards every point that is not fixed."""
    inner = [point.name for point in network.points.values() if not point.is_fixed]
    return all(sum(not at_start for _, _, at_start in network.runs_at(point)) == 1 for point in inner)


def _path(case: FlowCase, way: _Way, low: Mapping[str, float], mode: int) -> Path:
    first, last = case.network.runs[way.runs[0]], case.network.runs[way.runs[-1]]
    start, end = case.network.points[first.start.point].head_m, case.network.points[last.end.point].head_m
    head = (start or 0.0) - (end or 0.0)
    for name in way.runs:
        run = case.network.runs[name]
        if pump_of(run) is not None:
            pumps = [part.name for part in run.parts if part.name in case.network.pumps]
            combos = speed_combos(case, name, mode)
            head -= min(case.gain(name, dict(zip(pumps, c, strict=True))).loss_m(max(low[name], 0.0)) for c in combos)
    ends: list[tuple[str, str, bool]] = []
    for name in way.runs:
        run = case.network.runs[name]
        for at_start, point in ((True, run.start.point), (False, run.end.point)):
            if point in case.tees:
                ends.append((point, name, at_start))
    # at rest a check valve or a shut valve may stand against any head: such a way binds nothing
    idle = any(low[name] <= 0.0 for name in way.runs)
    return Path(way.runs[-1], way.runs, tuple(ends), NO_LIMIT if idle else math.ceil(head / LOSS_UNIT_M))


class QuickBound:
    """What plans of a case cost at least in a box, by its busiest setting.

    Plans that cost more than `most_cents` are of no interest: what only they have may be told as never had.
    """

    def __init__(self, case: FlowCase, box: Mapping[tuple[str, int], Range]) -> None:
        mode = busiest(case, box)
        self.low_m3_s = {name: box[name, mode][0] for name in case.network.runs}
        self.problem = bound_problem(case, box, mode)
        self.is_tree = is_tree(self.problem)  # of known ways of the water

    @cached_property
    def _tables(self) -> MergedTables:
        return MergedTables(replace(self.problem, limits=()), greatest_head(self.problem))

    def costs(self, most_cents: float = math.inf) -> ReducedCosts | None:
        """Return what every way and fitting costs at least in a plan; None when nothing serves."""
        if not self.is_tree:
            return reduced_costs(self.problem)
        return through_costs(replace(self.problem, limits=()), self._tables, _whole(most_cents))

    def rests(self, most_cents: float) -> dict[str, Rest]:
        """Return what the rest of a plan costs at least by what a run of a tree loses at its least flow."""
        return rest_costs(self.problem, self._tables, _whole(most_cents))


def reduced(case: FlowCase, box: Mapping[tuple[str, int], Range], most_cents: float = math.inf) -> ReducedCosts | None:
    """Return what every way and fitting costs at least in a plan, as of `QuickBound`."""
    return QuickBound(case, box).costs(most_cents)


def _whole(most_cents: float) -> int:
    return ANY_COST if math.isinf(most_cents) else math.ceil(most_cents) + 1


def busiest(case: FlowCase, box: Mapping[tuple[str, int], Range]) -> int:
    return max(range(len(case.modes)), key=lambda m: sum(max(0.0, box[name, m][0]) for name in case.network.runs))


def least_energy_cents(case: FlowCase) -> int:
    """Return the least that electricity costs at any speed."""
    return sum(
        min(sum(case.energy_cents.get(pump, 0) for pump in speeds.items()) for speeds in mode.speeds)
        for mode in case.modes
    )


def narrowed(case: FlowCase, runs: Mapping[str, Sequence[int]], tees: Mapping[str, Sequence[int]]) -> FlowCase:
    """Return the case with only these ways and fittings."""
    return replace(
        case,
        ways={name: tuple(case.ways[name][k] for k in kept) for name, kept in runs.items()},
        tables={
            name: CurveTable(case.tables[name].rows[list(kept)], case.tables[name].basis) for name, kept in runs.items()
        },
        tees={point: tuple(case.tees[point][k] for k in kept) for point, kept in tees.items()},
        _tee_memo={},
    )


def translated(choice: Choice, source: FlowCase, target: FlowCase) -> Choice | None:
    """Return the same combination in a case with other lists; None where it lacks one of the ways."""
    ways, tees = [], []
    for name, k in zip(source.ways, choice.ways, strict=True):
        at = next((i for i, way in enumerate(target.ways[name]) if way is source.ways[name][k]), None)
        if at is None:
            return None
        ways.append(at)
    for point, k in zip(source.tees, choice.tees, strict=True):
        at = next((i for i, option in enumerate(target.tees[point]) if option is source.tees[point][k]), None)
        if at is None:
            return None
        tees.append(at)
    return Choice(tuple(ways), tuple(tees), choice.speeds)
