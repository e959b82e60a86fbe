"""What the parts list of a combination costs, by the plan that it makes: to compare plans with all combinations."""

from __future__ import annotations

import math
from collections.abc import Callable

from flow_cases import choices_of

from optimizer.choices.alternatives import Alternative
from optimizer.model.catalog import Catalog
from optimizer.model.system import System
from optimizer.program.problem import Outcome, Selection, SizingProblem
from optimizer.search.assemble import plan_of
from optimizer.search.duty import NO_PUMP, Duty
from optimizer.search.flow_case import Prepared, material_of, prepare
from optimizer.search.flow_posing import Choice, FlowCase, cents_of, duties_of
from optimizer.search.posing import PosedProblem
from optimizer.verify.openings import settle

# A list may come below the price by length, as pieces are fitted and amounts rounded for each run: by no more than this
# [cents] in systems as small as these.
SLACK = 100


def list_cents_of(prepared: Prepared, choice: Choice) -> int:
    """Return what the list of a combination costs, electricity included [cents]."""
    case = prepared.case
    ways = {name: case.ways[name][k].alternative for name, k in zip(case.ways, choice.ways, strict=True)}
    tees = {point: [case.tees[point][k]] for point, k in zip(case.tees, choice.tees, strict=True)}
    chosen = {name: (Alternative.of(way.cents, 0.0, way.packs, way.arcs),) for name, way in ways.items()}
    posed = PosedProblem(SizingProblem({}, {}, ()), chosen, tees)
    none = dict.fromkeys(ways, 0), dict.fromkeys(tees, 0)
    energy = sum(case.energy_cents.get(pump, 0) for pump in case.modes[0].speeds[choice.speeds[0]].items())
    plan = plan_of(
        prepared.options,
        posed,
        Selection(Outcome.FEASIBLE, *none, 0, 0, ""),
        Duty(NO_PUMP, 1.0, 0, energy),
        by_list=True,
    )
    assert plan.material_cents is not None
    return plan.material_cents


def cheapest_list_of_all(
    system: System, catalog: Catalog, fits: Callable[[FlowCase, Choice], bool] = lambda case, choice: True
) -> float:
    """Return the least list over every way, fitting and speed that stands as a network; infinite when none does.

    The ways are those that none beats by the length used; a way that only the list makes cheap is not among them.
    """
    prepared = prepare(material_of(system, catalog, slots=False))
    if prepared is None:  # mass and curves alone leave no flow possible
        return math.inf
    best = math.inf
    fitting = [choice for choice in choices_of(prepared.case) if fits(prepared.case, choice)]
    for choice in sorted(fitting, key=lambda each: cents_of(prepared.case, each)):
        if cents_of(prepared.case, choice) >= best + SLACK:
            break
        listed = list_cents_of(prepared, choice)
        if listed < best:
            settled = settle(duties_of(prepared.case, choice), prepared.case.conditions)
            if settled is not None and settled.met:
                best = listed
    return best
