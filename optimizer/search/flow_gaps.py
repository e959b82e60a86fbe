"""How far a relaxation's flows and heads are from the true laws of what it chose, and where to cut its flows."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from optimizer.program.flow_problem import RelaxedSelection
from optimizer.search.flow_posing import Choice, FlowCase, built_network
from optimizer.search.flow_ranges import is_one_way


@dataclass(frozen=True)
class Gap:
    """By how much the relaxation's flows and heads leave a run's own law [m]; where to cut its flow.

    With `shared` they leave the law that a valve stands alike in all modes: a cut in any of them may mend it.
    """

    run: str
    mode: int
    gap_m: float
    flow_m3_s: float
    shared: bool = False


def gaps_of(case: FlowCase, chosen: RelaxedSelection, choice: Choice) -> list[Gap]:
    """Return where the relaxation is off, the worst first. A valve may take head in the direction of the flow."""
    out = []
    taken: dict[str, list[tuple[int, float, float]]] = {}  # by run with a valve: mode, k of k Q², flow
    ways = dict(zip(case.ways, choice.ways, strict=True))
    tees = dict(zip(case.tees, choice.tees, strict=True))
    for mode, at in enumerate(case.modes):
        speeds = at.speeds[choice.speeds[mode]]
        for name, run in case.network.runs.items():
            key = case.key(name, mode)
            flow = chosen.flows_m3_s[key]
            there = chosen.heads_m[case.key(run.start.point, mode)] - chosen.heads_m[case.key(run.end.point, mode)]
            lost = float(case.tables[name].losses_m(flow)[ways[name]])
            lost += case.gain(name, speeds).loss_m(flow)
            for end, point in (((key, True), run.start.point), ((key, False), run.end.point)):
                if point in tees:
                    curves = case.tee_curves(point, tees[point], mode)
                    if curves.geometry is not None:
                        lost += curves.loss_m(end, {e: chosen.flows_m3_s[e[0]] for e in curves.legs})
            off = there - lost
            if case.ways[name][ways[name]].valved and abs(flow) > 1e-9:
                taken.setdefault(name, []).append((mode, max(0.0, off / (flow * abs(flow))), flow))
            if case.ways[name][ways[name]].valved and (off * flow > 0.0 or abs(flow) < 1e-9):
                off = 0.0
            if is_one_way(run, case.network) and abs(flow) < 1e-9 and off < 0.0:
                off = 0.0
            out.append(Gap(name, mode, abs(off), flow))
    apart = [gap for name, each in taken.items() for gap in _apart(name, each)]
    return sorted([*out, *apart, *_too_much_back(case, chosen, choice)], key=lambda gap: -gap.gap_m)


def _apart(run: str, taken: list[tuple[int, float, float]]) -> list[Gap]:
    """Return how far a valve's takings in several settings are from those of one position between them [m]."""
    middle = 0.5 * (min(k for _, k, _ in taken) + max(k for _, k, _ in taken))
    return [Gap(run, mode, abs(k - middle) * flow**2, flow, shared=True) for mode, k, flow in taken]


def _too_much_back(case: FlowCase, chosen: RelaxedSelection, choice: Choice) -> Iterator[Gap]:
    """Yield the runs into tanks whose flows let more run back than the sumps take, as a height in the tank [m]."""
    for mode, allowance in enumerate(case.allowances):
        network = built_network(case, choice, mode)
        flows = {name: chosen.flows_m3_s[case.key(name, mode)] for name in network.runs}
        excess_m3 = allowance.excess_back_m3(network, flows)
        if excess_m3 > 0.0:
            for name, height_m in allowance.heights_m(network, excess_m3).items():
                yield Gap(name, mode, height_m, flows[name])


def valve_hints(case: FlowCase, chosen: RelaxedSelection, choice: Choice, mode: int = 0) -> dict[str, float]:
    """Return what each valve takes in the relaxation's flows of a mode, as k of k Q² [s²/m⁵]."""
    out = {}
    for name, k in zip(case.ways, choice.ways, strict=True):
        run, way = case.network.runs[name], case.ways[name][k]
        flow = chosen.flows_m3_s[case.key(name, mode)]
        if way.valved and abs(flow) > 1e-9:
            start, end = (case.key(point, mode) for point in (run.start.point, run.end.point))
            there = chosen.heads_m[start] - chosen.heads_m[end]
            off = there - float(case.tables[name].losses_m(flow)[k])
            out[name] = max(0.0, off * math.copysign(1.0, flow)) / flow**2
    return out
