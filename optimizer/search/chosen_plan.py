"""A combination of ways, fittings and speeds, flows unknown beforehand → the plan, made as where they are known."""

from __future__ import annotations

from dataclasses import replace

from optimizer.choices.alternatives import Alternative
from optimizer.model.plan import Plan
from optimizer.model.system import System
from optimizer.program.problem import Outcome, Selection, SizingProblem
from optimizer.search.assemble import plan_of
from optimizer.search.duty import NO_PUMP, Duty
from optimizer.search.flow_posing import Choice, FlowCase
from optimizer.search.options import Options
from optimizer.search.posing import PosedProblem


def plan_of_choice(
    system: System,
    options: Options,
    case: FlowCase,
    choice: Choice,
    costs: tuple[int, int],
    energy_cents: int,
    *,
    by_list: bool = False,
    solver: str | None = None,
) -> Plan:
    """Return the plan of a combination, made by the same hands as those of known flows.

    `costs` are what it costs and what none costs less than [cents], electricity in it; `by_list` says that it is the
    parts list that was made least.
    """
    chosen = {name: case.ways[name][k] for name, k in zip(case.ways, choice.ways, strict=True)}
    tees = {point: case.tees[point][k] for point, k in zip(case.tees, choice.tees, strict=True)}
    network = case.network.with_runs({name: way.run for name, way in chosen.items()})
    posed = PosedProblem(
        SizingProblem({}, {}, ()),
        {
            name: (Alternative.of(way.alternative.cents, 0.0, way.alternative.packs, way.alternative.arcs),)
            for name, way in chosen.items()
        },
        {point: [option] for point, option in tees.items()},
    )
    speeds = case.modes[0].speeds[choice.speeds[0]]
    cents, bound = costs
    outcome = Outcome.OPTIMAL if bound >= cents else Outcome.FEASIBLE
    none = dict.fromkeys(chosen, 0), dict.fromkeys(tees, 0)
    selection = Selection(outcome, *none, cents - energy_cents, min(bound, cents) - energy_cents, solver or "")
    pump = next(iter(case.network.pumps.values()), NO_PUMP)
    duty = Duty(pump, speeds.get(pump.name, 1.0), 0, energy_cents)
    there = replace(options, system=replace(system, network=network))
    return replace(plan_of(there, posed, selection, duty, by_list=by_list), pump_speeds=dict(speeds))
