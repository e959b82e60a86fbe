"""Cut a flow problem into cells: one alternative of one stage of a run in one bin of its flow, with enclosing lines."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from optimizer.clock import look
from optimizer.program.flow_problem import (
    RUN,
    SETTING,
    TEE,
    Envelope,
    FlowAlternative,
    FlowProblem,
    FlowRun,
    FlowTee,
    Line,
    LossCurve,
    Range,
    RunEndKey,
)

_NOTHING = Envelope((Line(0.0, 0.0),), (Line(0.0, 0.0),))
_SPARE_M = 1e-6
ENDLESS_M = 1e3  # what a valve may take: more than any pump of this trade gives


@dataclass(frozen=True, slots=True)
class Cell:
    """An alternative in a bin: its flows there, lines around its loss, its curve (None: a tee).

    With a valve in it, `open` has the lines around the loss with the valve open.
    """

    alternative: int
    bin: int
    low_m3_s: float
    high_m3_s: float
    envelope: Envelope
    curve: LossCurve | None
    open: Envelope | None = None


@dataclass(frozen=True, slots=True)
class Stage:
    """One of the choices in series in a run: which picks it belongs to, how many alternatives, its cells."""

    kind: str
    name: str
    count: int
    cells: tuple[Cell, ...]


def cells_of(run: FlowRun, bins: Mapping[str, Sequence[float]]) -> list[tuple[float, float, bool]]:
    """Return the bins of a run as (low, high, held at rest by its check valve), in the order of flow.

    The inner edges given are kept as far as they lie in the run's range; without any, the range is cut at rest.
    """
    low, high = run.flow_range_m3_s
    if run.one_way:
        low = max(low, 0.0)
    edges = sorted({low, high, *(edge for edge in bins.get(run.name, (0.0,)) if low < edge < high)})
    found = [(a, b, False) for a, b in pairwise(edges)] or [(low, high, False)]
    if run.one_way and low <= 0.0:
        found.append((0.0, 0.0, True))
    return found


def heads_of(problem: FlowProblem) -> dict[str, Range]:
    """Return finite bounds on every head: those given, else what the losses and gains of all runs together leave."""
    fixed = [node.head_m for node in problem.nodes.values() if node.head_m is not None]
    reach = sum(_reach(run) for run in problem.runs.values()) + 1.0
    # water runs downhill but for pumps: where none is put in, no head exceeds the highest source and all gains
    put_in = any(node.demand_m3_s < 0.0 for node in problem.nodes.values())
    rise = reach if put_in else sum(_gain(run) for run in problem.runs.values())
    low, high = min(fixed, default=0.0) - reach, max(fixed, default=0.0) + rise
    found = {}
    for node in problem.nodes.values():
        least, most = node.head_range_m
        found[node.name] = (max(least, low), min(most, high)) if node.head_m is None else (least, most)
    return found


def _gain(run: FlowRun) -> float:
    """Return the most head that the run adds at rest [m], in either direction: no flow gets more from a rising loss."""
    groups = [group for group in (run.alternatives, run.settings) if group]
    at_rest = [[alternative.curve.loss_m(0.0) for alternative in group] for group in groups]
    return max(0.0, -sum(map(min, at_rest)), sum(map(max, at_rest)))


def _reach(run: FlowRun) -> float:
    """Return the most that a run can raise or lower the head [m]; valves take no more than there is."""
    total = 0.0
    for group in (run.alternatives, run.settings):
        at_ends = [0.0]
        for alternative in group:
            low, high = _overlap(run.flow_range_m3_s, alternative.flow_range_m3_s)
            if low <= high:
                at_ends += [abs(alternative.curve.loss_m(q)) for q in (low, high)]
        total += max(at_ends)
    return total


def _overlap(a: Range, b: Range) -> Range:
    return max(a[0], b[0]), min(a[1], b[1])


def stages_of(
    problem: FlowProblem, run: FlowRun, bins: Mapping[str, Sequence[float]], heads: Mapping[str, Range]
) -> list[Stage]:
    """Return the stages of a run with their cells; cells that no flow can reach are left out."""
    cells = cells_of(run, bins)
    tees = [(key, problem.tees[point]) for key, point in _ends(run) if point in problem.tees]
    tees = [(key, tee) for key, tee in tees if any(choice.loss is not None for choice in tee.alternatives)]
    alone = not run.settings and not tees and not run.one_way
    drop = (heads[run.start][0] - heads[run.end][1], heads[run.start][1] - heads[run.end][0]) if alone else None
    found = [_stage(RUN, run, run.alternatives, cells, drop)]
    if run.settings:
        found.append(_stage(SETTING, run, run.settings, cells, None))
    found += [_tee_stage(problem, tee, key, cells) for key, tee in tees]
    return found


def _ends(run: FlowRun) -> tuple[tuple[RunEndKey, str], tuple[RunEndKey, str]]:
    return ((run.name, True), run.start), ((run.name, False), run.end)


def _stage(
    kind: str,
    run: FlowRun,
    group: tuple[FlowAlternative, ...],
    bins: list[tuple[float, float, bool]],
    drop_m: Range | None,
) -> Stage:
    cells = []
    for k, alternative in enumerate(group):
        look()
        reach = alternative.flow_range_m3_s
        if drop_m is not None and reach[0] <= reach[1] and not alternative.throttled:
            reach = _overlap(reach, flow_range_at(alternative.curve, drop_m, run.flow_range_m3_s))
        for b, (bin_low, bin_high, _) in enumerate(bins):
            low, high = _overlap((bin_low, bin_high), reach)
            if low <= high:
                envelope = alternative.curve.envelope(low, high)
                with_valve = _throttled(envelope, low, high) if alternative.throttled else envelope
                cells.append(
                    Cell(k, b, low, high, with_valve, alternative.curve, envelope if alternative.throttled else None)
                )
    return Stage(kind, run.name, len(group), tuple(cells))


def _throttled(envelope: Envelope, low: float, high: float) -> Envelope:
    """Return the lines around what a run loses when a valve may take any head in the direction of the flow."""
    below = (Line(0.0, -ENDLESS_M),) if low < 0.0 or low == high == 0.0 else envelope.below
    above = (Line(0.0, ENDLESS_M),) if high >= 0.0 else envelope.above
    return Envelope(below, above)


def _tee_stage(problem: FlowProblem, tee: FlowTee, key: RunEndKey, bins: list[tuple[float, float, bool]]) -> Stage:
    ends = list(tee.alternatives[0].states)
    others = {end: problem.runs[end[0]].flow_range_m3_s for end in ends if end != key}
    cells = []
    for k, fitting in enumerate(tee.alternatives):
        for b, (low, high, _) in enumerate(bins):
            envelope = _NOTHING if fitting.loss is None else fitting.loss.envelope(key, (low, high), others)
            cells.append(Cell(k, b, low, high, envelope, None))
    return Stage(TEE, tee.point, len(tee.alternatives), tuple(cells))


def flow_range_at(curve: LossCurve, drop_m: Range, flow_range_m3_s: Range) -> Range:
    """Return the flows in a range at which a rising curve loses what is in `drop_m`, a hair wider; none: low > high."""
    low, high = flow_range_m3_s
    if curve.loss_m(high) < drop_m[0] - _SPARE_M or curve.loss_m(low) > drop_m[1] + _SPARE_M:
        return math.inf, -math.inf
    least = _flow_at(curve, drop_m[0] - _SPARE_M, low, high)[0]
    most = _flow_at(curve, drop_m[1] + _SPARE_M, low, high)[1]
    return least, most


def _flow_at(curve: LossCurve, loss_m: float, low: float, high: float) -> Range:
    """Enclose the flow of a loss by halving; both ends where it lies outside."""
    if curve.loss_m(low) >= loss_m:
        return low, low
    if curve.loss_m(high) <= loss_m:
        return high, high
    for _ in range(40):
        middle = 0.5 * (low + high)
        if curve.loss_m(middle) < loss_m:
            low = middle
        else:
            high = middle
    return low, high
