"""The velocity limit binds whatever carries more than before, new or kept; a line that carries no more may stay fast.

Velocities are told here by hand: flow over π/4 d² at the narrowest end of a pipe or fitting.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from brute_force import cheapest_of_all
from said import said
from small_trees import random_tree, small_catalog

from optimizer import pipeline
from optimizer.choices.demands import known_flows
from optimizer.choices.graph import Arc
from optimizer.choices.tees import TeeOption
from optimizer.hydraulics import solve_network
from optimizer.model.catalog import PIPES, Kind
from optimizer.model.network import LEGS, Part
from optimizer.model.plan import Plan, planned_networks
from optimizer.model.system import System
from optimizer.program.solve import solve_sizing
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.search.cheapest import find_plan
from optimizer.search.engine import solve
from optimizer.search.options import Options, options_of
from optimizer.search.posing import pose
from optimizer.search.question import Question
from optimizer.search.unknown_flows import find_unknown
from optimizer.search.watch import Watch
from optimizer.verify.check import verify_plan

PORTS = {Kind.PUMP, Kind.DEVICE, Kind.OPEN_JOINT}
ROUNDING_M = 5e-5  # five terms on a path, each rounded up to 0.01 mm
DAY, NIGHT = 3300, 5900  # L/h
LINE = """
system: fast water
units: metric
water: {salinity: 35 g/kg, temperature: 25 degC}
surfaces: {sump: 0 m, display: 1.2 m}
pumps:
  return:
    curve: [0 L/h at 7 m, 3400 L/h at 6.4 m, 6800 L/h at 5.2 m, 10200 L/h at 3 m, 13600 L/h at 0 m]
    speed: SPEED
    speeds: 40 % to 100 %
    ports: 1 in socket
runs:
  return line:
    from: sump
    to: display
    size: 1 in sch 40 PVC
    parts: [{pump: return, keep: yes}, pipe 1 m, elbow, pipe 2 m, elbow, pipe 1 m, ball valve, pipe 30 cm]
targets: {return line: TARGET}
rules: {sizes: [3/4 in, 1 in, 1-1/4 in, 1-1/2 in, 2 in], RULE}
"""


def ruled(system: System, **rules: object) -> System:
    return replace(system, rules=replace(system.rules, **rules))  # type: ignore[arg-type]


def read(folder: Path, text: str) -> System:
    path = folder / "system.yaml"
    path.write_text(text, encoding="utf-8")
    return load_system(path, load_catalog())


def line(folder: Path, target: str, rule: str, speed: str = "60 %") -> System:
    return read(folder, LINE.replace("TARGET", target).replace("RULE", rule).replace("SPEED", speed))


def plan_of(system: System) -> Plan:
    answer = solve(Question(system, load_catalog(), Watch.of(60.0)))
    assert answer.found, said(answer.reasons)
    return answer.plan


def bore_m(part: Part) -> float:
    bores = [bore for bore in part.end_bores_m if bore > 0]
    stub = part.kind is Kind.PIPE and part.length_m < 0.01
    joins = part.kind in (Kind.ADAPTER, Kind.BUSHING, Kind.COUPLING, Kind.REDUCING_COUPLING, Kind.UNION) or stub
    return math.inf if part.kind in PORTS or not bores or joins else min(bores)


def speed_m_s(flow_m3_s: float, diameter_m: float) -> float:
    return abs(flow_m3_s) / (math.pi / 4 * diameter_m**2)


def steps_of(options: Options) -> int:
    return sum(len(arcs) for graph in options.graphs.values() for arcs in graph.arcs)


def loud(system: System, plan: Plan, limit_m_s: float) -> list[str]:
    """Return what runs above a limit in a plan, its valves set, and carries more than as it stands."""
    found = []
    checked = verify_plan(system, plan)
    networks = planned_networks(system, plan)
    for (_, at), network, flows in zip(system.ways_to_run, networks, checked.settings, strict=True):
        before = solve_network(at.network).flows_m3_s
        for name, run in network.runs.items():
            flow = flows.flows_m3_s[name]
            if abs(flow) > abs(before[name]) * 1.0001:
                found += [part.words for part in run.parts if speed_m_s(flow, bore_m(part)) > limit_m_s * 1.0001]
    return found


@pytest.mark.long
@pytest.mark.usefixtures("whole_pipes")
@pytest.mark.parametrize("seed", [0, 4, 8, *(pytest.param(k, marks=pytest.mark.slow) for k in range(100, 160))])
def test_the_cheapest_under_the_limit_equals_enumeration_of_what_keeps_to_it(seed: int) -> None:
    free = random_tree(seed, small_catalog())
    flows = known_flows(free).flows_m3_s
    before = solve_network(free.network).flows_m3_s
    limit = 0.8 * max(flow / (math.pi / 4 * 0.0205**2) for flow in flows.values())  # some of the 3/4 in. is too small
    system = ruled(free, velocity_limit_m_s=limit)

    def keeps(name: str, bore: float) -> bool:
        return flows[name] <= abs(before[name]) or speed_m_s(flows[name], bore) <= limit

    def arcs_of(name: str, arcs: list[Arc]) -> list[Arc]:
        return [arc for arc in arcs if all(keeps(name, bore_m(part)) for part in arc.parts)]

    def tees_of(point: str, options: list[TeeOption]) -> list[TeeOption]:
        ends = [(run.name, LEGS.index(leg)) for run, leg, _ in system.network.runs_at(point)]
        return [one for one in options if all(keeps(name, one.item.end_bores_m[at]) for name, at in ends)]

    whole = options_of(system, small_catalog(), flows)
    few = Options(
        system,
        whole.catalog,
        {n: replace(g, arcs=[arcs_of(n, arcs) for arcs in g.arcs]) for n, g in whole.graphs.items()},
        {point: tees_of(point, found) for point, found in whole.tees.items()},
        whole.packs,
    )
    loose, tight = cheapest_of_all(few, known_flows(system), (0.0, ROUNDING_M))

    asked = options_of(system, small_catalog(), flows, flows_m3_s=flows)  # without what is too fast
    assert steps_of(asked) < steps_of(whole)
    for options in (whole, asked):
        posed = pose(options, known_flows(system), system.network.pumps["return"].speed)
        found = solve_sizing(posed.problem).cents if all(posed.problem.runs.values()) else None
        assert found in (loose, tight)


def test_what_is_reached_at_the_most_is_told_though_all_is_too_fast_at_the_whole_target(tmp_path: Path) -> None:
    system = line(tmp_path, "at least 9000 L/h", "velocity limit: 1.4 m/s", speed="40 %")  # which lifts nothing today
    system = ruled(system, sizes=("1 in", "1-1/4 in"))

    plan = solve(Question(system, load_catalog(), Watch.of(60.0), with_reasons=True)).plan

    bore_m = load_catalog().pipe("sch 40 PVC", "1-1/4 in").bore_m  # all of 1-1/4 in.
    share = 1.4 * math.pi / 4 * bore_m**2 / (9000 / 3.6e6)
    (told,) = [dict(reason.values)["share"] for reason in plan.reasons if reason.code == "best with this pump"]
    assert told == pytest.approx(share, abs=0.02)  # told to 0.01, rounded down


@pytest.mark.long
@pytest.mark.parametrize("find", [find_plan, find_unknown], ids=["known flows", "unknown flows"])
@pytest.mark.parametrize("seed", [1, pytest.param(5, marks=pytest.mark.slow)])
def test_nothing_that_carries_more_than_before_runs_above_the_limit(
    seed: int, find: Callable[..., object], request: pytest.FixtureRequest
) -> None:
    system = ruled(random_tree(seed, small_catalog()), velocity_limit_m_s=1.2)

    plan = find(system, small_catalog()).plan  # type: ignore[attr-defined]

    if plan.found:
        assert loud(system, plan, 1.2) == []
    else:
        assert find_plan(system, small_catalog()).plan.found is False


@pytest.mark.long
def test_a_higher_limit_never_costs_more() -> None:
    system = random_tree(1, small_catalog())
    costs = [find_plan(ruled(system, velocity_limit_m_s=v), small_catalog()).plan for v in (0.8, 1.2, 1.6, 2.4, 9.0)]
    cents = [math.inf if plan.cost_cents is None else plan.cost_cents for plan in costs]

    assert cents == sorted(cents, reverse=True)
    assert cents[-1] < math.inf


@pytest.mark.long
def test_a_line_that_must_carry_more_becomes_wide_enough_in_every_part(tmp_path: Path) -> None:
    # 5000 L/h = 1.389e-3 m³/s at 1.5 m/s needs 34.3 mm: 1-1/4 in. (35.1 mm at minimum wall, 34.6 on average) just
    # holds it, 1 in. (26.2 mm) has 2.6 m/s. Without the limit the pump is only dialled up.
    free = line(tmp_path, "at least 5000 L/h", "velocity limit for new pipe: 9 m/s")
    held = line(tmp_path, "at least 5000 L/h", "velocity limit: 1.5 m/s")

    cheap, quiet = plan_of(free), plan_of(held)

    assert cheap.cost_cents == 0
    assert loud(held, cheap, 1.5)
    assert not verify_plan(held, cheap).passed
    assert verify_plan(held, quiet).passed
    assert all(bore_m(part) > 0.0340 for part in quiet.runs["return line"].parts)


def test_what_runs_faster_today_and_carries_no_more_stays_and_is_told(tmp_path: Path) -> None:
    system = line(tmp_path, "at least 2500 L/h", "velocity limit: 1 m/s", speed="60 %")
    today = solve_network(system.network).flows_m3_s["return line"]
    assert speed_m_s(today, 0.0262) > 1.0
    assert today * 3.6e6 > 2500

    report = pipeline.plan(system, load_catalog())

    assert report.plan.cost_cents == 0
    assert any("no more than today (limit 1.00 m/s)" in words for words in said(report.verification.warnings))


@pytest.mark.slow
def test_the_limit_holds_in_every_mode(tmp_path: Path) -> None:
    modes = f"""modes:
  day: {{return: 60 %, targets: {{return line: at least {DAY} L/h}}}}
  night: {{return: 85 %, targets: {{return line: at least {NIGHT} L/h}}}}
"""
    text = LINE.replace("targets: {return line: TARGET}\n", modes).replace("SPEED", "60 %")
    free = read(tmp_path, text.replace("RULE", "velocity limit for new pipe: 9 m/s"))
    held = read(tmp_path, text.replace("RULE", "velocity limit: 2.2 m/s"))

    # 85 % moves more than 60 %: only by night is 2.2 m/s too little for pipe that serves by day
    today = {name: 3.6e6 * solve_network(at.network).flows_m3_s["return line"] for name, at in held.ways_to_run}
    assert today["day"] < DAY < today["night"] < NIGHT
    cheap, quiet = plan_of(free), plan_of(held)

    assert loud(held, cheap, 2.2)
    assert not verify_plan(held, cheap).passed
    assert verify_plan(held, quiet).passed
    assert loud(held, quiet, 2.2) == []
    assert (quiet.material_cents or 0) > (cheap.material_cents or 0)


def test_pipe_that_is_bought_has_a_limit_of_its_own(tmp_path: Path) -> None:
    both = line(tmp_path, "at least 5000 L/h", "velocity limit: 3 m/s, velocity limit for new pipe: 1 m/s")

    plan = plan_of(both)

    assert plan.cost_cents == 0  # 2.6 m/s in the pipe that stays is within its limit
    fresh = [part for part in plan.runs["return line"].parts if part.kind in PIPES and not part.existing]
    assert fresh == []
    alone = line(tmp_path, "at least 5000 L/h", "velocity limit for new pipe: 1 m/s")
    assert plan_of(alone).cost_cents == 0
