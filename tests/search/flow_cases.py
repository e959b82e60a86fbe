"""Random small systems whose flows are not known, as lists of ways per run; invented, to compare two ways to an answer.

Loops, branches without a valve, windows with an upper end, splits, sums, pump speeds, two settings, tees with losses.
"""

from __future__ import annotations

import itertools
import math
import random
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "hydraulics"))
from networks import check_valve, fixed_k, pipe, pump_part, surface, tee_item, tee_point, valve

from optimizer.choices.both_ends import RangedAlternative
from optimizer.choices.graph import FREE, Arc
from optimizer.choices.loss_basis import LossBasis, end_terms
from optimizer.choices.side_resources import Sides, saw_cuts
from optimizer.choices.tees import TeeOption
from optimizer.choices.wants import Want
from optimizer.hydraulics import conditions_of, solve_network
from optimizer.joints.bores import run_steps
from optimizer.model.catalog import CatalogItem, LossData, LossMethod
from optimizer.model.network import Leg, Network, Part, Point, Pump, Run, RunEnd, Tee, Water
from optimizer.search.flow_posing import Choice, FlowCase, Mode, Way, built_network, cents_of, duties_of
from optimizer.search.flow_ranges import first_bounds
from optimizer.search.run_curves import CurveTable
from optimizer.verify.openings import settle

BORES = (0.0155, 0.0205, 0.0263)  # about 1/2, 3/4 and 1 in. schedule 40
Plan = dict[str, tuple[str, str, Leg, Leg, bool, bool, bool]]
# run: start, end, leg at start, leg at end, pump, valve, check valve
TREE: Plan = {
    "riser": ("sump", "tee 1", Leg.NONE, Leg.RUN_1, True, False, False),
    "left": ("tee 1", "left tank", Leg.RUN_2, Leg.NONE, False, False, False),
    "right": ("tee 1", "right tank", Leg.BRANCH, Leg.NONE, False, False, False),
}
THREE: Plan = {
    "riser": ("sump", "tee 1", Leg.NONE, Leg.RUN_1, True, False, False),
    "link": ("tee 1", "tee 2", Leg.RUN_2, Leg.RUN_1, False, False, False),
    "left": ("tee 1", "left tank", Leg.BRANCH, Leg.NONE, False, False, False),
    "middle": ("tee 2", "middle tank", Leg.BRANCH, Leg.NONE, False, False, False),
    "right": ("tee 2", "right tank", Leg.RUN_2, Leg.NONE, False, False, False),
}
PARALLEL: Plan = {
    "riser": ("sump", "tee 1", Leg.NONE, Leg.RUN_1, True, False, False),
    "near": ("tee 1", "tee 2", Leg.RUN_2, Leg.RUN_1, False, False, False),
    "far": ("tee 1", "tee 2", Leg.BRANCH, Leg.BRANCH, False, False, False),
    "return": ("tee 2", "left tank", Leg.RUN_2, Leg.NONE, False, False, False),
}
RING: Plan = {
    "riser": ("sump", "tee 1", Leg.NONE, Leg.RUN_1, True, False, False),
    "one side": ("tee 1", "tee 2", Leg.RUN_2, Leg.RUN_1, False, False, False),
    "other side": ("tee 1", "tee 3", Leg.BRANCH, Leg.RUN_1, False, False, False),
    "cross link": ("tee 2", "tee 3", Leg.BRANCH, Leg.BRANCH, False, False, False),
    "left": ("tee 2", "left tank", Leg.RUN_2, Leg.NONE, False, False, False),
    "right": ("tee 3", "right tank", Leg.RUN_2, Leg.NONE, False, False, False),
}
TWO_PUMPS: Plan = {
    "first": ("sump", "tee 1", Leg.NONE, Leg.RUN_1, True, False, True),
    "second": ("sump", "tee 1", Leg.NONE, Leg.BRANCH, True, False, True),
    "return": ("tee 1", "left tank", Leg.RUN_2, Leg.NONE, False, False, False),
}
PLANS = (TREE, TREE, THREE, PARALLEL, RING, TWO_PUMPS)
TWO_LINES: Plan = {
    "first": ("sump", "left tank", Leg.NONE, Leg.NONE, True, False, False),
    "second": ("sump", "right tank", Leg.NONE, Leg.NONE, True, False, True),
}
JOINED: tuple[Plan, ...] = (  # sources whose waters meet
    TWO_PUMPS,
    {**TWO_PUMPS, "second": ("high tank", "tee 1", Leg.NONE, Leg.BRANCH, False, False, True)},
    {
        **TWO_PUMPS,
        "return": ("tee 1", "tee 2", Leg.RUN_2, Leg.RUN_1, False, False, False),
        "left": ("tee 2", "left tank", Leg.RUN_2, Leg.NONE, False, False, False),
        "right": ("tee 2", "right tank", Leg.BRANCH, Leg.NONE, False, False, False),
    },
)
SEVERAL: tuple[Plan, ...] = (  # sources, whose waters never meet
    TWO_LINES,
    {**TREE, "other": ("sump", "left tank", Leg.NONE, Leg.NONE, True, False, False)},
    {**TREE, "down": ("left tank", "sump", Leg.NONE, Leg.NONE, False, False, False)},
    {**PARALLEL, "other": ("sump", "right tank", Leg.NONE, Leg.NONE, True, False, False)},
)


def random_case(seed: int, plans: Sequence[Plan] = PLANS) -> FlowCase:
    """Return a case whose targets lie around what some combination of it does, so that they matter."""
    rng = random.Random(seed)
    plan = rng.choice(plans)
    free = [name for name in plan if not plan[name][4]]
    valved = set(rng.sample(free, min(len(free), rng.choice([0, 0, 1, 1, 2]))))
    network = _network(rng, plan, valved)
    conditions = conditions_of(network)
    count = 2 if len(plan) > 5 else 3
    ways, tables = {}, {}
    for name, run in network.runs.items():
        made = _ways(rng, run, network, count)
        basis = LossBasis(conditions)
        terms = [_terms(basis, way.built, network) for way in made]
        rows = np.stack([basis.row(each) for each in terms])
        ways[name], tables[name] = made, CurveTable(rows, basis)
    tees = {point: _fittings(rng, network, point) for point in network.tees}
    speeds = [dict(zip(network.pumps, both, strict=True)) for both in _speeds(rng, network)]
    case = FlowCase(
        network, conditions, (Mode("", (), tuple(speeds), ()),), ways, tables, tees, (rng.choice([0, 250]),), {}
    )
    return _with_targets(rng, case, speeds)


def _network(rng: random.Random, plan: Plan, valved: set[str]) -> Network:
    points: dict[str, Point] = {}
    for start, end, *_ in plan.values():
        for name in (start, end):
            if name.startswith("tee"):
                points[name] = tee_point(name)
            else:
                points[name] = surface(name, 0.0 if name == "sump" else rng.uniform(0.3, 1.5))
    runs, pumps = {}, {}
    for name, (start, end, leg_1, leg_2, pumped, _, checked) in plan.items():
        parts: list[Part] = []
        if pumped:
            pumps[name] = Pump(
                name,
                ((0.0, rng.uniform(2.5, 4.5)), (5e-4, rng.uniform(1.6, 2.2)), (1.1e-3, 0.0)),
                1.0,
                (),  # type: ignore[arg-type]
            )
            parts.append(pump_part(name))
        if checked:
            parts.append(check_valve(0.0205))
        if name in valved:
            parts.append(valve(0.0205))
        runs[name] = Run(name, RunEnd(start, leg_1), RunEnd(end, leg_2), "1 in", "sch 40 PVC", tuple(parts))
    tees = {name: Tee(name, tee_item(0.0205, 0.0205, 0.0205)) for name in points if name.startswith("tee")}
    return Network(points, runs, tees, pumps, {}, Water(35.0, 25.0))


def _ways(rng: random.Random, run: Run, network: Network, count: int) -> tuple[Way, ...]:
    """Return a few ways to plumb a run: pipes of several bores, more or fewer fittings; dearer is mostly less lossy."""
    found = []
    length = rng.uniform(0.5, 4.0)
    for k in range(count):
        bore = rng.choice(BORES[: 2 + (k > 0)])
        parts = (*run.parts, pipe(length, bore), fixed_k(rng.uniform(0.5, 8.0), 0.0205))
        cents = 0 if k == 0 else rng.choice([100, 350, 425, 900, 1275, 1500])
        alternative = RangedAlternative(
            cents, rng.choice([0, 1]) if k else 0, (Arc(0, parts),), np.zeros(1), math.inf, FREE, FREE
        )
        found.append(Way(alternative, run))
    return tuple(found)


def _terms(basis: LossBasis, run: Run, network: Network) -> dict[tuple[str, int], float]:
    total: dict[tuple[str, int], float] = {}
    for part in run.parts:
        for key, value in basis.part_terms(part).items():
            total[key] = total.get(key, 0.0) + value
    for key, value in end_terms(basis, run, network).items():
        total[key] = total.get(key, 0.0) + value
    for number, lost in ((1, 0), (3, 1)):
        total["fixed", number] = total.get(("fixed", number), 0.0) + sum(step[lost] for step in run_steps(run, network))
    return total


def _fittings(rng: random.Random, network: Network, point: str) -> tuple[TeeOption, ...]:
    legs = [leg for _, leg, _ in network.runs_at(point)]
    items: list[CatalogItem] = [tee_item(0.0205, 0.0205, 0.0205)]
    if rng.random() < 0.3:
        items.append(replace(tee_item(0.0205, 0.0205, 0.0205), price_cents=310, loss=LossData(LossMethod.NONE)))
    return tuple(
        TeeOption(Tee(point, item, existing=i == 0), dict.fromkeys(legs, FREE)) for i, item in enumerate(items)
    )


def _speeds(rng: random.Random, network: Network) -> list[tuple[float, ...]]:
    each = [rng.choice([(1.0,), (1.0, 0.8), (0.9, 0.75, 1.0)]) for _ in network.pumps]
    return list(itertools.product(*each))


def with_cuts(case: FlowCase, seed: int, most: int) -> FlowCase:
    """Return the case with saw cuts made up for every way, and at most so many of them allowed."""
    rng = random.Random(seed)
    ways = {
        name: tuple(
            replace(way, alternative=replace(way.alternative, used=(rng.choice([0, 0, 1, 2]),))) for way in found
        )
        for name, found in case.ways.items()
    }
    return replace(case, ways=ways, sides=Sides((saw_cuts(most),)))


def choices_of(case: FlowCase) -> list[Choice]:
    """Return every combination."""
    ways = itertools.product(*(range(len(ways)) for ways in case.ways.values()))
    tees = list(itertools.product(*(range(len(options)) for options in case.tees.values())))
    speeds = list(itertools.product(*(range(len(mode.speeds)) for mode in case.modes)))
    return [Choice(w, t, s) for w in ways for t in tees for s in speeds]


def cheapest_of_all(case: FlowCase) -> int | None:
    """Return the least cost of a combination that stands as a true network in every mode; None when none does."""
    for choice in sorted(choices_of(case), key=lambda each: cents_of(case, each)):
        settled = settle(duties_of(case, choice), case.conditions)
        if settled is not None and settled.met:
            return cents_of(case, choice)
    return None


def _with_targets(rng: random.Random, case: FlowCase, speeds: list[dict[str, float]]) -> FlowCase:
    """Put targets around the flows of a random combination, some of them narrow, some out of reach."""
    choices = sorted(choices_of(case), key=lambda each: cents_of(case, each))
    choice = choices[int(len(choices) * rng.random() ** 0.7)]  # the dearer half more often
    flows = solve_network(built_network(case, choice, 0), case.conditions).flows_m3_s
    ends = [name for name, run in case.network.runs.items() if case.network.points[run.end.point].is_fixed]
    day = _wants(rng, case, flows, ends)
    modes = [Mode("day", day, tuple(speeds), day)]
    if rng.random() < 0.25:
        slow = dict.fromkeys(case.network.pumps, 0.85)
        night = replace(case, modes=(Mode("night", (), (slow,), ()),))
        flows = solve_network(built_network(night, replace(choice, speeds=(0,)), 0), case.conditions).flows_m3_s
        dark = _wants(rng, case, flows, ends)
        modes = [replace(modes[0], speeds=tuple(speeds[:1])), Mode("night", dark, (slow,), dark)]
    ranges = {}
    for i, mode in enumerate(modes):
        fastest = {name: max(s[name] for s in mode.speeds) for name in case.network.pumps}
        bounds = first_bounds(case.network, mode.wants, fastest, {})
        ranges |= {(name, i): bounds.ranges[name] for name in case.network.runs}
    return replace(case, modes=tuple(modes), ranges=ranges)


def _wants(rng: random.Random, case: FlowCase, flows: dict[str, float], ends: list[str]) -> tuple[Want, ...]:
    found = []
    names = rng.sample(list(case.network.runs), rng.randint(1, 2)) if rng.random() < 0.4 else ends
    for name in names:
        flow = abs(flows[name]) * rng.uniform(0.97, 1.08)
        kind = rng.choice(["least", "least", "window", "most"])
        sign = 1.0 if flows[name] >= 0.0 else -1.0
        low = flow * rng.uniform(0.95, 1.0) if kind != "most" else -math.inf
        high = flow * rng.uniform(1.0, 1.10) if kind != "least" else math.inf
        found.append(Want(name, {name: sign}, low, high))
    if rng.random() < 0.3 and len(ends) > 1:
        total = sum(flows[name] for name in ends)
        found.append(Want("sum", dict.fromkeys(ends, 1.0), total * rng.uniform(0.95, 1.03)))
        share = flows[ends[0]] / total
        found.append(Want("split", {n: (n == ends[0]) - 0.95 * share for n in ends}, 0.0))
        found.append(Want("split", {n: (n == ends[0]) - 1.05 * share for n in ends}, high_m3_s=0.0))
    return tuple(found)
