"""What blocks a target: the best flow that can be reached, the path that is short of head, what would help.

Where flows are not known: in which mode ways of least loss do not do, and which pump cannot lift its water there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace

from optimizer.choices.demands import KnownFlows, known_flows
from optimizer.hydraulics import conditions_of, past_curve, pump_head_m
from optimizer.model.dial import RPM
from optimizer.model.kinds import Kind
from optimizer.model.network import Network, Pump, Run
from optimizer.model.note import Note, Value, note
from optimizer.model.plan import planned_network
from optimizer.model.rules import limits_in_words
from optimizer.model.system import System
from optimizer.program.merge import all_carried, cheapest_within, efficient_selections
from optimizer.program.problem import LOSS_UNIT_M, NO_LIMIT, Outcome, Selection, SizingProblem, excess_of
from optimizer.program.solve import solve_sizing
from optimizer.search.assemble import plan_of
from optimizer.search.duty import NO_PUMP, Duty
from optimizer.search.flow_posing import FlowCase, Mode
from optimizer.search.flow_tightening import tightened
from optimizer.search.options import Options
from optimizer.search.posing import PosedProblem, given_heads_m, pose
from optimizer.verify.settings import PathLosses

_ANY = 10**9  # more than any plan takes of what is limited
STEP = 0.01  # how finely the best that can be reached is told


def blocked(options: Options, flows: KnownFlows, speed: float) -> tuple[Note, ...]:
    """Return why no plan reaches the targets, and the best common fraction of them that one does."""
    reasons = _too_weak(options, flows, speed) or _short_paths(options, flows, speed)
    best, within = best_scale(options, flows, speed), within_rules(options.system)
    if best >= 1.0 and within:  # so heads and flows do not forbid it
        reasons.append(note("met but for rules", within=within))
    elif best > 0:
        code = "best with this pump" if flows.pump else "best with these parts"
        reasons.append(note(code, share=math.floor(100 * best) / 100))
    return tuple(reasons)


def _too_weak(options: Options, flows: KnownFlows, speed: float) -> list[Note]:
    """Return that the pump cannot do it whatever the pipe; nothing where it could."""
    if not flows.pump:
        return []
    pump = options.system.network.pumps[flows.pump]
    head_m = pump_head_m(pump, flows.total_m3_s, speed)
    highest = max(filter(flows.binds, flows.pumped_paths), key=lambda path: path.lift_m, default=None)
    shown = (pump.dial or RPM).setting(speed)
    helps = note("faster or stronger" if stays_slow(pump) else "stronger alone")
    at: dict[str, Value] = {"pump": pump.name, "speed_share": shown, "helps": helps}
    if past_curve(pump, flows.total_m3_s, speed):
        return [note("minimum past the curve", total_m3_s=flows.total_m3_s, **at)]
    if highest is not None and head_m <= highest.lift_m:
        return [note("rise above the pump", gives_m=head_m, rise_m=highest.lift_m, demand=highest.demand, **at)]
    return []


def stays_slow(pump: Pump) -> bool:
    """Return whether a pump runs below full speed and the file does not say what else it can be set to."""
    return not pump.speeds and 0.0 < pump.speed < 1.0


def _short_paths(options: Options, flows: KnownFlows, speed: float) -> list[Note]:
    """Return what every tree still lacks with its lowest-loss parts."""
    posed = pose(options, flows, speed, bounded=False)
    heads_m = given_heads_m(options.system.network, flows, speed)
    out: list[Note] = []
    for source in heads_m:
        pump = flows.pump if source == flows.source else flows.others[source]
        given = note("pump gives", head_m=heads_m[source]) if pump else note("pushed from above")
        paths = tuple(p if p.runs[0] == source else replace(p, head=NO_LIMIT) for p in posed.problem.paths)
        out += _short_in_tree(options, replace(posed, problem=replace(posed.problem, paths=paths)), given)
    return list(dict.fromkeys(out))


def _short_in_tree(options: Options, posed: PosedProblem, given: Note) -> list[Note]:
    within = within_rules(options.system)
    least = solve_sizing(posed.problem, least_excess=True)
    if least.outcome is not Outcome.OPTIMAL:
        return _no_way(posed.problem, within)
    out = []
    for path, short_m in _excesses(posed, least.run_choice, least.tee_choice):
        if short_m > 0:
            worst = max(
                path_runs(posed.problem, path),
                key=lambda run: posed.problem.runs[run][least.run_choice[run]].loss,
            )
            lost_m = posed.problem.runs[worst][least.run_choice[worst]].loss * LOSS_UNIT_M
            lack: dict[str, Value] = {"demand": path, "short_m": short_m, "worst": worst, "lost_m": lost_m}
            out.append(note("lacks head", within=within, given=given, **lack))
    return out


def _no_way(problem: SizingProblem, within: tuple[Note, ...]) -> list[Note]:
    """Return which runs have no way, or that limits of all together leave none, or that nothing fits together."""
    bare = [name for name, found in problem.runs.items() if not found]
    if bare:
        return [note("no way to plumb run", run=name) for name in bare]
    free = replace(problem, limits=tuple(replace(limit, most=_ANY) for limit in problem.limits))
    if problem.limits and within and solve_sizing(free, least_excess=True).outcome is Outcome.OPTIMAL:
        return [note("none keeps to the limits", within=within)]
    return [note("no way to plumb it", within=within)]


def within_rules(system: System) -> tuple[Note, ...]:
    """Return what the rules forbid beside sizes and velocity, as the owner wrote it."""
    return tuple(note("rule", text=words) for words in limits_in_words(system.rules, system.currency))


def path_runs(problem: SizingProblem, name: str) -> tuple[str, ...]:
    return next(path.runs for path in problem.paths if path.name == name)


def _excesses(posed: PosedProblem, runs: Mapping[str, int], tees: Mapping[str, int]) -> list[tuple[str, float]]:
    out = []
    for path in (path for path in posed.problem.paths if path.is_limited):
        one = replace(posed.problem, paths=(path,))
        out.append((path.name, excess_of(one, runs, tees) * LOSS_UNIT_M))
    return out


def best_scale(options: Options, flows: KnownFlows, speed: float) -> float:
    """Return the largest fraction of all least flows at once that some plan reaches, to `STEP`; 0: none does.

    What the lowest-loss plan at the minimum flows reaches is a start; from there it is halved between what a plan
    exists for and what none does, for less flow is never harder.
    """
    least = min(1.0, _least_lossy_reach(options, flows, speed))
    if least >= 1.0 or _exists(options, 1.0, speed):
        return 1.0
    most = 1.0
    while most - least > STEP * most:
        middle = 0.5 * (least + most)
        if _exists(options, middle, speed):
            least = middle
        elif middle <= STEP:
            break
        else:
            most = middle
    return least


def _least_lossy_reach(options: Options, flows: KnownFlows, speed: float) -> float:
    posed = pose(options, flows, speed, bounded=False)
    together = tuple(replace(path, moves=True) for path in posed.problem.paths)  # what lacks least of head, anywhere
    problem = replace(posed.problem, paths=together)
    selections = efficient_selections(problem) if all(problem.runs.values()) else ()
    if not selections:
        return 0.0
    least = selections[-1]
    chosen = Selection(Outcome.OPTIMAL, least.run_choice, least.tee_choice, least.cents, least.cents, "merged tables")
    network = options.system.network
    plan = plan_of(options, posed, chosen, Duty(network.pumps.get(flows.pump, NO_PUMP), speed, 0, 0))
    return PathLosses(planned_network(network, plan), flows, conditions_of(network)).reach()


def _exists(options: Options, scale: float, speed: float) -> bool:
    """Return whether some plan gives this fraction of the minimum flows."""
    problem = pose(options, known_flows(options.system, scale), speed).problem
    if not all_carried(problem):
        return solve_sizing(problem).cents is not None
    return cheapest_within(problem) is not None


def too_little_head(case: FlowCase) -> Note:
    """Return that the ways of least loss do not do, in which of several modes, and which pump is too weak there."""
    modes = list(enumerate(case.modes if len(case.modes) > 1 else ()))
    short = next((at for i, at in modes if tightened(case, case.ranges, i, free=True) is None), None)
    weak = tuple(_lifting_less(case.network, case.modes[0] if short is None else short)) if short or not modes else ()
    mode = note("in that mode", mode=short.name) if short else None
    return note("too little head", mode=mode, weak=note("lift no higher", pumps=weak) if weak else None)


def _lifting_less(network: Network, mode: Mode) -> Iterator[Note]:
    """Yield the pumps of lines of their own that lift less, with no flow, than the lowest place they lead to."""
    for run in network.runs.values():
        pumps = [network.pumps[part.name] for part in run.parts if part.kind is Kind.PUMP]
        source_m = network.points[run.start.point].head_m
        if not pumps or source_m is None:
            continue
        reached = _reached(network, run)
        if any(one is not run and any(part.kind is Kind.PUMP for part in one.parts) for one in reached):
            continue  # another pump may help
        ends = {end.point for one in reached for end in (one.start, one.end)} - {run.start.point}
        heads = [head for name in ends if (head := network.points[name].head_m) is not None]
        most_m = max(sum(pump_head_m(pump, 0.0, speeds[pump.name]) for pump in pumps) for speeds in mode.speeds)
        asked = any(want.low_m3_s > 0.0 and run.name in dict(want.coefficients) for want in mode.wants)
        if asked and heads and most_m <= (lift_m := min(heads) - source_m):
            yield note("lifts at most", pump=pumps[0].name, most_m=most_m, lift_m=lift_m)


def _reached(network: Network, run: Run) -> list[Run]:
    """Return a run and those that it leads to without a free surface, an outlet or a supply between."""
    found, waiting = [run], [run]
    while waiting:
        one = waiting.pop()
        for end in (one.start, one.end):
            if not network.points[end.point].is_fixed:
                new = [other for other, _, _ in network.runs_at(end.point) if other not in found]
                found += new
                waiting += new
    return found
