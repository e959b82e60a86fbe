"""What blocks a target: the best flow that can be reached, the path that is short of head, and what would free it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from optimizer.choices.demands import KnownFlows, known_flows
from optimizer.hydraulics import conditions_of, past_curve, pump_head_m
from optimizer.model.plan import planned_network
from optimizer.model.rules import limits_in_words
from optimizer.program.merge import all_carried, efficient_selections
from optimizer.program.problem import LOSS_UNIT_M, Outcome, Selection, SizingProblem, excess_of
from optimizer.program.solve import solve_sizing
from optimizer.search.assemble import plan_of
from optimizer.search.duty import Duty
from optimizer.search.posing import Options, PosedProblem, pose
from optimizer.units import show_flow, show_head
from optimizer.verify.settings import PathLosses

STEP = 0.01  # how finely the best that can be reached is told


def blocked(options: Options, flows: KnownFlows, speed: float) -> tuple[str, ...]:
    """Return in words why no plan reaches the targets, and the best common fraction of them that one does."""
    units = options.system.units
    pump = options.system.network.pumps[flows.pump]
    head_m = pump_head_m(pump, flows.total_m3_s, speed)
    given = show_head(head_m, units)
    reasons: list[str] = []
    highest = max(flows.paths, key=lambda path: path.lift_m)
    if past_curve(pump, flows.total_m3_s, speed):
        reasons.append(
            f"the least flows come to {show_flow(flows.total_m3_s, units)}, past the last point of the curve of pump "
            f"{pump.name!r} at {speed:.0%}: only a stronger pump or less flow helps"
        )
    elif head_m <= highest.lift_m:
        reasons.append(
            f"pump {pump.name!r} at {speed:.0%} gives {given} at the sum of the least flows, the rise is "
            f"{show_head(highest.lift_m, units)} to {highest.demand!r}: only a stronger pump or less flow helps"
        )
    else:
        reasons += _short_paths(options, flows, speed, given)
    best = best_scale(options, flows, speed)
    if best > 0:
        reasons.append(f"the best that this catalog, these rules and this pump reach is {best:.0%} of every least flow")
    return tuple(reasons)


def _short_paths(options: Options, flows: KnownFlows, speed: float, given: str) -> list[str]:
    units = options.system.units
    posed = pose(options, flows, speed, bounded=False)
    least = solve_sizing(posed.problem, least_excess=True)
    if least.outcome is not Outcome.OPTIMAL:
        return [
            "the rules leave no way to plumb it: look at sizes, velocity limit, parts marked to keep"
            + "".join(f", {words}" for words in limits_in_words(options.system.rules, options.system.currency))
        ]
    out = []
    within = "".join(f", {words}" for words in limits_in_words(options.system.rules, options.system.currency))
    for path, short_m in _excesses(posed, least.run_choice, least.tee_choice):
        if short_m > 0:
            worst = max(
                path_runs(posed.problem, path),
                key=lambda run: posed.problem.runs[run][least.run_choice[run]].loss,
            )
            lost_m = posed.problem.runs[worst][least.run_choice[worst]].loss * LOSS_UNIT_M
            out.append(
                f"with the least lossy parts that may be used{within}, the way to {path!r} still lacks "
                f"{show_head(short_m, units)} of head (the pump gives {given} there); "
                f"run {worst!r} takes the most, {show_head(lost_m, units)}"
            )
    return out


def path_runs(problem: SizingProblem, name: str) -> tuple[str, ...]:
    return next(path.runs for path in problem.paths if path.name == name)


def _excesses(posed: PosedProblem, runs: Mapping[str, int], tees: Mapping[str, int]) -> list[tuple[str, float]]:
    out = []
    for path in posed.problem.paths:
        one = replace(posed.problem, paths=(path,))
        out.append((path.name, excess_of(one, runs, tees) * LOSS_UNIT_M))
    return out


def best_scale(options: Options, flows: KnownFlows, speed: float) -> float:
    """Return the largest fraction of all least flows at once that some plan reaches, to `STEP`; 0: none does.

    What the least lossy plan at the least flows reaches is a start; from there it is halved between what a plan
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
    selections = efficient_selections(posed.problem) if all(posed.problem.runs.values()) else ()
    if not selections:
        return 0.0
    least = selections[-1]
    chosen = Selection(Outcome.OPTIMAL, least.run_choice, least.tee_choice, least.cents, least.cents, "merged tables")
    network = options.system.network
    plan = plan_of(options, posed, chosen, Duty(network.pumps[flows.pump], speed, 0, 0))
    return PathLosses(planned_network(network, plan), flows, conditions_of(network)).reach()


def _exists(options: Options, scale: float, speed: float) -> bool:
    """Return whether some plan gives this fraction of every least flow."""
    problem = pose(options, known_flows(options.system, scale), speed).problem
    if not all_carried(problem):
        return solve_sizing(problem).cents is not None
    head = max(path.head for path in problem.paths)
    return all(problem.runs.values()) and any(found.need <= head for found in efficient_selections(problem, head))
