"""What all fittings of a tee may take at a run's end, told at once, holds every flow; it is what each one tells."""

from __future__ import annotations

import numpy as np
import pytest
from flow_cases import random_case

from optimizer.search.flow_posing import FlowCase
from optimizer.search.run_curves import TeeCurves

M3_S = 1.0 / 3.6e6  # of a litre an hour


def tees_of(seed: int) -> list[tuple[FlowCase, str]]:
    case = random_case(seed)
    return [(case, point) for point, options in case.tees.items() if options]


@pytest.mark.parametrize("seed", range(12))
def test_all_fittings_at_once_are_each_ones_lines(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for case, point in tees_of(seed):
        fittings = [case.tee_curves(point, k, 0) for k in range(len(case.tees[point]))]
        ends = [((run.name, start), leg) for run, leg, start in case.network.runs_at(point)]
        ranges = {}
        for end, _ in ends:
            low = float(rng.uniform(-3000.0, 3000.0))
            ranges[end] = (low * M3_S, (low + float(rng.uniform(0.0, 2000.0))) * M3_S)
        for end, _ in ends:
            others = {key: found for key, found in ranges.items() if key != end}
            lines = [each.envelope(end, ranges[end], others) for each in fittings]
            below = [line.at(q) for each in lines for line in each.below for q in ranges[end]]
            above = [line.at(q) for each in lines for line in each.above for q in ranges[end]]

            least, most = TeeCurves.least_and_most(fittings, end, ranges[end], others)

            assert least == pytest.approx(min(below), abs=1e-12)
            assert most == pytest.approx(max(above), abs=1e-12)


@pytest.mark.parametrize("seed", range(12))
def test_no_flow_of_the_ranges_loses_less_or_more(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for case, point in tees_of(seed):
        fittings = [case.tee_curves(point, k, 0) for k in range(len(case.tees[point]))]
        ends = [(run.name, start) for run, _, start in case.network.runs_at(point)]
        flows = {end: float(rng.uniform(0.0, 3000.0)) * M3_S for end in ends[1:]}
        signs = {end: -1.0 if end[1] else 1.0 for end in ends}
        flows[ends[0]] = -signs[ends[0]] * sum(signs[end] * q for end, q in flows.items())
        around = {end: (q - 100.0 * M3_S, q + 50.0 * M3_S) for end, q in flows.items()}
        for end in ends:
            others = {key: found for key, found in around.items() if key != end}
            least, most = TeeCurves.least_and_most(fittings, end, around[end], others)
            for each in fittings:
                if each.geometry is not None:
                    assert least <= each.loss_m(end, flows) <= most
