"""A pumped line, a line of house water and one fed by a tank above, planned together: against every combination.

Each way to plumb each line is solved as a network of its own with its valve open; a line serves if that gives at least
what is asked. Invented systems.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from brute_force import all_paths, weigh
from small_trees import FAMILY, part, pump_part, small_catalog

from optimizer.choices.demands import known_flows
from optimizer.hydraulics import conditions_of, solve_network
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.network import Network, Part, Point, PointKind, Pump, Run, RunEnd, Water
from optimizer.model.plan import Status
from optimizer.model.system import Rules, System, Target
from optimizer.program.solve import solve_sizing
from optimizer.search.cheapest import find_plan
from optimizer.search.options import Options, options_of
from optimizer.search.posing import pose
from optimizer.search.unknown_flows import find_unknown
from optimizer.verify.check import verify_plan
from optimizer.verify.openings import all_open

SIZES = ("3/4 in", "1 in")
LINES = ("return", "top off", "feed")
HAIR = 2e-5  # relative, of a flow: losses are rounded up to 0.01 mm


def line(rng: random.Random, catalog: Catalog, valve: bool) -> list[Part]:
    """Return pipe and bends, with a valve or without."""
    small = SIZES[0]
    kinds = [rng.choice([Kind.ELBOW, Kind.ELBOW_45]) for _ in range(rng.randint(0, 1))]
    kinds += [Kind.BALL_VALVE] if valve else []
    out = [part(catalog, Kind.PIPE, small, rng.uniform(0.2, 1.5))]
    for kind in kinds:
        out += [part(catalog, kind, small), part(catalog, Kind.PIPE, small, rng.uniform(0.2, 1.5))]
    return out


def three_lines(seed: int, catalog: Catalog) -> System:
    """Return three lines that share nothing but water surfaces, each asked for about what it gives today."""
    rng = random.Random(seed)
    points = {
        "sump": Point("sump", PointKind.SURFACE, 0.0, 0.0),
        "display": Point("display", PointKind.SURFACE, 1.1, 1.1),
        "loft": Point("loft", PointKind.SURFACE, 1.1, 1.1),
        "house": Point("house", PointKind.SUPPLY, rng.uniform(2.0, 5.0), 0.3),
    }
    ends = dict(zip(LINES, (("sump", "display"), ("house", "sump"), ("loft", "sump")), strict=True))
    runs = {}
    for name, (start, end) in ends.items():
        parts = [*([pump_part(SIZES[0])] if name == "return" else []), *line(rng, catalog, rng.random() < 0.6)]
        runs[name] = Run(name, RunEnd(start), RunEnd(end), SIZES[0], FAMILY, tuple(parts))
    ports = pump_part(SIZES[0]).ends
    pump = Pump("return", ((0.0, 4.0), (6e-4, 2.6), (1.4e-3, 0.0)), 1.0, (ports[0], ports[1]))
    network = Network(points, runs, {}, {"return": pump}, {}, Water(35.0, 25.0))
    present = solve_network(all_open(network)).flows_m3_s
    targets = []
    for name in LINES:
        low = present[name] * rng.uniform(0.8, 1.35)
        valved = any(each.kind is Kind.BALL_VALVE for each in runs[name].parts)
        targets.append(Target(name, low, 1.2 * low if valved and rng.random() < 0.5 else None))
    rules = Rules(sizes=SIZES, velocity_limit_m_s=9.0)
    return System(f"three lines {seed}", "metric", catalog.currency, network, tuple(targets), rules)


def ways(options: Options, name: str) -> Iterator[tuple[float, int, bool, int]]:
    """Yield (flow with the valve open [m³/s], cents, whether cement is opened, saw cuts) of every way to plumb it."""
    network, graph = options.system.network, options.graphs[name]
    run, conditions = network.runs[name], conditions_of(network)
    points = {end.point: network.points[end.point] for end in (run.start, run.end)}
    ((start, node),) = graph.starts.items()
    ((end, goal),) = graph.ends.items()
    assert start == end == "free"
    for path in all_paths(graph, node, goal):
        parts = tuple(each for arc in path for each in arc.parts)
        alone = replace(network, points=points, runs={name: replace(run, parts=parts)})
        steps = [weigh(arc, 1e-4, conditions) for arc in path]
        cents, cement, cuts = (sum(step[i] for step in steps) for i in (0, 2, 3))
        yield solve_network(all_open(alone)).flows_m3_s[name], cents, cement > 0, cuts


def least_of_all(options: Options, most_cuts: float = math.inf) -> tuple[float, float]:
    """Return the least cost [cents] over every combination, for a hair less than the targets and for a hair more."""
    lows = {target.run: target.low_m3_s for target in options.system.targets}
    found = {name: list(ways(options, name)) for name in LINES}
    best = []
    for share in (1.0 - HAIR, 1.0 + HAIR):
        serving = [sorted({row[1:] for row in found[name] if row[0] >= lows[name] * share}) for name in LINES]
        best.append(_cheapest(serving, options.packs[0].cents, most_cuts))
    return best[0], best[1]


def _cheapest(serving: list[list[tuple[int, bool, int]]], can_cents: int, most_cuts: float) -> float:
    rows = [np.array(each, dtype=float).reshape(len(each), 3) for each in serving]
    best = math.inf
    a, b, c = rows
    for first in a:
        cents = first[0] + b[:, 0][:, None] + c[:, 0][None, :]
        cement = (first[1] + b[:, 1][:, None] + c[:, 1][None, :]) > 0
        cuts = first[2] + b[:, 2][:, None] + c[:, 2][None, :]
        total = np.where(cuts <= most_cuts, cents + cement * can_cents, math.inf)
        best = min(best, float(total.min(initial=math.inf)))
    return best


def used(system: System, catalog: Catalog) -> float:
    """Return the least cost by the length of pipe used [cents]; endless where no plan serves."""
    flows = known_flows(system)
    posed = pose(options_of(system, catalog, flows.flows_m3_s), flows, 1.0)
    cents = solve_sizing(posed.problem).cents
    return math.inf if cents is None else cents


def check(seed: int, most_cuts: int | None = None) -> bool:
    """Hold the plan against all combinations; return whether there is one."""
    catalog = small_catalog(SIZES)
    system = three_lines(seed, catalog)
    system = replace(system, rules=replace(system.rules, most_cuts=most_cuts))
    flows = known_flows(system)
    assert set(flows.flows_m3_s) == set(LINES)
    options = options_of(system, catalog, flows.flows_m3_s)
    least, most = least_of_all(options, math.inf if most_cuts is None else most_cuts)
    plan = find_plan(system, catalog, with_reasons=False).plan
    if math.isinf(most) and not plan.found:
        assert plan.status is Status.INFEASIBLE
        return False
    assert plan.found
    assert plan.status is Status.OPTIMAL
    assert least <= used(system, catalog) <= most
    verification = verify_plan(system, plan)
    assert verification.passed
    assert [each.run for each in verification.demands if each.met] == list(LINES)
    return True


@pytest.mark.parametrize("first", range(0, 24, 6))
def test_the_plan_of_three_lines_costs_what_the_cheapest_of_all_combinations_does(first: int) -> None:
    found = [check(seed) for seed in range(first, first + 6)]
    assert any(found)


@pytest.mark.parametrize("seed", range(10))
def test_the_search_for_unknown_flows_has_the_same_cost(seed: int) -> None:
    catalog = small_catalog(SIZES)
    system = three_lines(seed, catalog)
    plan = find_plan(system, catalog, with_reasons=False).plan
    found = find_unknown(system, catalog, time_limit_s=30.0).plan
    assert found.status is plan.status
    assert not found.found or found.material_cents == used(system, catalog)


@pytest.mark.parametrize("seed", range(6))
def test_saw_cuts_are_shared_out_over_all_lines(seed: int) -> None:
    check(seed, most_cuts=1 + seed % 3)
