"""The plain program of a small tree: one binary for every arc of every choice graph. Only to be compared with.

No alternatives are worked out beforehand: the solver finds the way through each run itself. Prices and losses of the
arcs are those of the full enumeration (`tests/search/brute_force.py`), not the optimizer's.
"""

from __future__ import annotations

import datetime
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ortools.math_opt.python import mathopt

sys.path.insert(0, str(Path(__file__).parents[1] / "search"))
from brute_force import weigh

from optimizer.choices.demands import KnownFlows
from optimizer.choices.graph import ChoiceGraph, EndState
from optimizer.hydraulics import conditions_of, pump_head_m, tee_head_losses_m
from optimizer.search.options import Options


@dataclass
class ArcProgram:
    """The model while it is built: what each run loses [m], the binaries of its end states, the terms of the cost."""

    model: Any = field(default_factory=lambda: mathopt.Model(name="arcs"))
    losses: dict[tuple[str, str], Any] = field(default_factory=dict)  # (run or tee, run at it)
    ends: dict[tuple[str, bool], dict[EndState, Any]] = field(default_factory=dict)  # (run, at its start)
    cost: list[Any] = field(default_factory=list)
    cement: Any = None


def arc_program(options: Options, flows: KnownFlows, less_head_m: float = 0.0) -> ArcProgram:
    """Return the program with the pump's head lessened by so much [m]."""
    network = options.system.network
    pump = network.pumps[flows.pump]
    built = ArcProgram()
    built.cement = built.model.add_binary_variable(name="cement")
    built.cost.append(options.packs[0].cents * built.cement)
    for name, graph in options.graphs.items():
        _add_run(built, name, graph, flows.flows_m3_s[name], conditions_of(network))
    for tee in options.tees:
        _add_tee(built, options, flows, tee)
    head = pump_head_m(pump, flows.total_m3_s, pump.speed) - less_head_m
    for path in flows.paths:
        terms = [built.losses[run, run] for run in path.runs]
        for before, tee, after in zip(path.runs, path.tees, path.runs[1:], strict=False):
            terms += [built.losses[tee, before], built.losses[tee, after]]
        built.model.add_linear_constraint(mathopt.fast_sum(terms) <= head - path.lift_m)
    built.model.minimize(mathopt.fast_sum(built.cost))
    return built


def _add_run(built: ArcProgram, name: str, graph: ChoiceGraph, flow: float, conditions: Any) -> None:
    """Add one way through a run: what comes to a node leaves it."""
    model = built.model
    balance: list[list[Any]] = [[] for _ in graph.nodes]
    losses = []
    for index, arcs in enumerate(graph.arcs):
        for arc in arcs:
            cents, loss, cement, _ = weigh(arc, flow, conditions)
            taken = model.add_binary_variable()
            balance[index].append(-1 * taken)
            balance[arc.head].append(1 * taken)
            losses.append(loss * taken)
            built.cost.append(cents * taken)
            if cement:
                model.add_linear_constraint(taken <= built.cement)
    for at_start, states, sign in ((True, graph.starts, 1), (False, graph.ends, -1)):
        built.ends[name, at_start] = {state: model.add_binary_variable() for state in states}
        model.add_linear_constraint(mathopt.fast_sum(list(built.ends[name, at_start].values())) == 1)
        for state, node in states.items():
            balance[node].append(sign * built.ends[name, at_start][state])
    for terms in balance:
        model.add_linear_constraint(mathopt.fast_sum(terms) == 0)
    built.losses[name, name] = mathopt.fast_sum(losses)


def _add_tee(built: ArcProgram, options: Options, flows: KnownFlows, tee: str) -> None:
    """Add the choice of a fitting, whose openings are the end states of the runs there."""
    network, found = options.system.network, options.tees[tee]
    legs = flows.legs_in(network, tee)
    lost = [tee_head_losses_m(option.tee.item, legs, conditions_of(network)) for option in found]
    chosen = [built.model.add_binary_variable() for _ in found]
    built.model.add_linear_constraint(mathopt.fast_sum(chosen) == 1)
    built.cost += [option.cents * y for option, y in zip(found, chosen, strict=True)]
    for option, y in zip(found, chosen, strict=True):
        if option.cents:
            built.model.add_linear_constraint(y <= built.cement)
    for run, leg, at_start in network.runs_at(tee):
        ends = built.ends[run.name, at_start]
        for state in dict.fromkeys([*ends, *(option.states[leg] for option in found)]):
            give = [y for option, y in zip(found, chosen, strict=True) if option.states[leg] == state]
            take = [ends[state]] if state in ends else []
            built.model.add_linear_constraint(mathopt.fast_sum(give) == mathopt.fast_sum(take))
        built.losses[tee, run.name] = mathopt.fast_sum(
            [losses.get(leg, 0.0) * y for losses, y in zip(lost, chosen, strict=True)]
        )


def solve_arcs(built: ArcProgram, time_limit_s: float) -> tuple[int | None, bool]:
    """Return the least cost found [cents], None for none, and whether it is proved (or that there is none)."""
    parameters = mathopt.SolveParameters(
        time_limit=datetime.timedelta(seconds=time_limit_s), relative_gap_tolerance=0.0, absolute_gap_tolerance=0.0
    )
    result = mathopt.solve(built.model, mathopt.SolverType.HIGHS, params=parameters)
    reason = mathopt.TerminationReason
    proved = result.termination.reason in (reason.OPTIMAL, reason.INFEASIBLE, reason.INFEASIBLE_OR_UNBOUNDED)
    cents = round(result.objective_value()) if result.has_primal_feasible_solution() else None
    return cents, proved
