"""One position of a valve for all modes: what no position serves is told before any search, and nothing else is."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from flow_cases import choices_of, random_case
from scipy.optimize import brentq
from unknown_systems import catalog, valved_line

from optimizer.errors import NetworkError
from optimizer.hydraulics import solve_network
from optimizer.model.system import Setting, Target
from optimizer.model.throttling import may_be_throttled, valve_to_set
from optimizer.search.flow_case import material_of, prepare
from optimizer.search.flow_posing import FlowCase, duties_of, single
from optimizer.search.one_position import positioned

_M3_S = 1.0 / 3.6e6  # of a liter an hour


def two_modes() -> FlowCase:
    """Return one line with a valve, by day at full speed and by night at 80 %, of which only little is asked."""
    line = Target("line", 100 * _M3_S)
    modes = Setting("day", {"return": 1.0}, (line,)), Setting("night", {"return": 0.8}, (line,))
    prepared = prepare(material_of(replace(valved_line(), targets=(), settings=modes), catalog(), slots=False))
    assert prepared is not None
    return prepared.case


@pytest.mark.parametrize("most_by_day", [600.0, 1200.0, 1800.0])
def test_what_a_valve_lets_through_by_night_is_told_by_what_it_may_by_day(most_by_day: float) -> None:
    # by hand: of 1.2 m up, head and loss at the day's flow leave k Q² for the valve; with that k the night carries
    case, line = two_modes(), "line"
    day, night = most_by_day * _M3_S, {}
    for way in range(len(case.ways[line])):

        def left_m(flow: float, speed: float, way: int = way) -> float:
            return -case.gain(line, {"return": speed}).loss_m(flow) - 1.2 - float(case.tables[line].losses_m(flow)[way])

        k = left_m(day, 1.0) / day**2
        night[way] = brentq(lambda flow, k=k: left_m(flow, 0.8) - k * flow**2, 1e-6, day) if k >= 0.0 else 0.0
    best = max(night.values())
    for share, some in ((0.999, True), (1.001, False)):
        box = {(line, 0): (1e-6, day), (line, 1): (share * best, 2.0 * best)}
        kept = positioned(case, box)
        assert (kept is not None) == some
        if kept is not None:
            assert all(night[way] >= 0.998 * best for way in kept[line])


@pytest.mark.parametrize("seed", [40, 62, 97, 106])
def test_no_way_is_left_out_that_some_position_of_its_valve_serves(seed: int) -> None:
    case, dice = random_case(seed), random.Random(seed)
    told = 0
    for choice in dice.sample(choices_of(case), 4):
        own, boxes = single(case, choice), {}
        try:
            for mode, duty in enumerate(duties_of(case, choice)):
                runs = {}
                for name, run in duty.network.runs.items():
                    at = valve_to_set(run) if may_be_throttled(run) else None
                    parts = [replace(part, opening=0.4) if i == at else part for i, part in enumerate(run.parts)]
                    runs[name] = replace(run, parts=tuple(parts))
                flows = solve_network(duty.network.with_runs(runs), case.conditions).flows_m3_s
                boxes |= {(name, mode): (flow - 1e-7, flow + 1e-7) for name, flow in flows.items()}
        except NetworkError:
            continue
        kept = positioned(own, boxes)
        assert kept is not None
        assert all(kept[name] == [0] for name in kept)
        told += 1
    assert told
