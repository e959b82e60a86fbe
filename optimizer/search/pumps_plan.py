"""The cheapest plan where several pumps feed a tree of known flows, with its proof, or what blocks it.

What the pumps give together is one more alternative to choose, in front of the tree: so the program of one pump proves
this plan as well. Pumps in a row are planned like one pump. Cost and bound are those of the parts list.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Unpack

from optimizer.choices.alternatives import Alternative
from optimizer.choices.graph import FREE
from optimizer.choices.stations import Station, station_if_known, station_of
from optimizer.errors import PlanError
from optimizer.model.catalog import Catalog
from optimizer.model.note import Note, note
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.program.merge import EfficientSelection, cheapest_within
from optimizer.program.problem import (
    LOSS_UNIT_M,
    Outcome,
    Path,
    RunChoice,
    Selection,
    SizingProblem,
    TeeChoice,
    excess_of,
)
from optimizer.program.solve import solve_sizing
from optimizer.search.assemble import plan_of
from optimizer.search.cheapest import NONE_IN_TIME, SolverCall, best_over
from optimizer.search.duty import Duty
from optimizer.search.flow_search import Progress
from optimizer.search.list_costs import RunPrices
from optimizer.search.list_proof import ListSearch
from optimizer.search.options import Options, options_of
from optimizer.search.posing import LEAST_PER_CENT, PosedProblem, loss_units, pose, sides_of
from optimizer.search.station import PumpsChoice, at_other_speeds, pumps_choices
from optimizer.search.unknown_flows import TIME_LIMIT_S, Terms, UnknownSearch, find_unknown
from optimizer.search.watch import Telling, Watch

NO_ELECTRICITY = note("electricity not counted")
_PUMPS = "all pumps"  # the run that stands for them in the program
_JOIN = "behind all pumps"


def find_pumps_plan(
    system: System,
    catalog: Catalog,
    *,
    solver: str | None = None,
    time_limit_s: float = TIME_LIMIT_S,
    most_cents: float = math.inf,
    progress: Progress | None = None,
) -> Plan:
    """Return the cheapest plan of a system with several pumps that gives every demand its least flow.

    Parameters
    ----------
    system, catalog
        What stands, what is wanted, what may be bought.
    solver
        One of `program.solve.SOLVERS`, None for the first that answers.
    time_limit_s
        Wall time for the solver [s].
    most_cents
        Plans that cost more are of no interest: INFEASIBLE then means that none costs as little.
    progress
        As of `find_plan`.

    Raises
    ------
    PlanError
        When the flows are not known beforehand (see `station_if_known`).
    SolverError
        When no solver answers.
    """
    station = station_of(system)
    options = options_of(system, catalog, dict.fromkeys([*station.lines, *station.flows.flows_m3_s]))
    if station.lines and sides_of(options).resources:
        raise PlanError("the rules limit what both lines together may use, which their pairing does not consider")
    call = SolverCall(solver, time_limit_s, with_reasons=False, telling=Telling(progress))
    return (_lines_plan if station.lines else _row_plan)(station, options, call, most_cents)


def _row_plan(station: Station, options: Options, call: SolverCall, most_cents: float) -> Plan:
    """Return the plan of pumps in a row: they are one pump that gives all their heads."""
    choices = _strong(station, pumps_choices(station, options))
    if not choices:
        return _none(Status.INFEASIBLE, options.catalog, (_too_weak(options.system, station),))
    settings = [_duty(choice, options) for choice in sorted(choices, key=lambda one: -one.head_m)]
    plan = best_over(options, station.flows, settings, call, most_cents + 1).plan
    if plan.found:
        return plan
    reasons: tuple[Note, ...] = (NONE_IN_TIME,)
    if plan.status is Status.INFEASIBLE:
        posed = pose(options, settings[0].of(station.flows), settings[0].speed)
        reasons = _short(posed, choices) if math.isinf(most_cents) else ()
    return replace(plan, reasons=reasons)


def _duty(choice: PumpsChoice, options: Options) -> Duty:
    """Return a setting of a row of pumps as the duty of the first, with the others beside it."""
    (first, speed), *others = ((options.system.network.pumps[name], at) for name, at in choice.speeds.items())
    return Duty(first, speed, 0, choice.energy_cents, row=tuple(others), head_m=choice.head_m)


def _strong(station: Station, choices: Sequence[PumpsChoice]) -> list[PumpsChoice]:
    lowest = min((path.lift_m for path in station.flows.pumped_paths), default=-math.inf)
    return [choice for choice in choices if choice.head_m > lowest]


def _lines_plan(station: Station, options: Options, call: SolverCall, most_cents: float) -> Plan:
    """Return the plan of pumps side by side: the cheaper list of two, with a bound from lower prices of the list.

    One has the least lower price, the other the least by the length used. What their lists cost more than the bound
    stays open.
    """
    lists = ListSearch(options, call.time_limit_s, call.solver)
    choices = _strong(station, pumps_choices(station, lists.options, lists.prices))
    if not choices:
        return _none(Status.INFEASIBLE, options.catalog, (_too_weak(options.system, station),))
    posed = _posed(station, lists.options, choices, lists.prices)
    if not all(posed.problem.runs.values()):
        return _none(Status.INFEASIBLE, options.catalog, _short(posed, choices))
    most = None if math.isinf(most_cents) else math.floor(LEAST_PER_CENT * most_cents + lists.credit)
    chosen = cheapest_within(posed.problem)
    if chosen is None or (most is not None and chosen.cents > most):
        return _none(Status.INFEASIBLE, options.catalog, _short(posed, choices) if most is None else ())
    bound = lists.bound_cents(chosen.cents)
    plan = _plan(_Found(station, options, posed, choices, chosen), bound)
    if (plan.material_cents or 0) > bound:
        plan = min(plan, _by_length(station, options, bound) or plan, key=lambda one: one.material_cents or 0)
    if (plan.material_cents or 0) > most_cents:
        status = Status.INFEASIBLE if bound > most_cents else Status.NO_PLAN_FOUND
        return replace(_none(status, options.catalog, ()), bound_cents=bound)
    return plan


def _by_length(station: Station, options: Options, bound: int) -> Plan | None:
    choices = _strong(station, pumps_choices(station, options))
    posed = _posed(station, options, choices, None)
    chosen = cheapest_within(posed.problem)
    return None if chosen is None else _plan(_Found(station, options, posed, choices, chosen), bound)


def find_one(system: System, catalog: Catalog, **terms: Unpack[Terms]) -> UnknownSearch:
    """Return the cheapest plan with the pumps that stand there: by their flows where those are known, else by any.

    Parameters and errors are those of `find_unknown`. Where drains and sump allow only so much, the flows that valves
    may be set to are not known.
    """
    if terms.get("allowances") or station_if_known(system) is None:
        found = find_unknown(system, catalog, **terms)
        if not (found.plan.found and _leaves_electricity_out(system)):
            return found
        return replace(found, plan=replace(found.plan, notes=(*found.plan.notes, NO_ELECTRICITY)))
    cutoff_cents = terms.get("cutoff_cents")
    most = math.inf if cutoff_cents is None else cutoff_cents - 1
    solver, time_limit_s = terms.get("solver"), terms.get("time_limit_s", TIME_LIMIT_S)
    watch = Watch.of(time_limit_s, terms.get("progress"))
    plan = find_pumps_plan(
        system, catalog, solver=solver, time_limit_s=time_limit_s, most_cents=most, progress=watch.ending("")
    )
    if plan.status is Status.INFEASIBLE:
        return UnknownSearch(plan)
    return UnknownSearch(plan, bound_cents=plan.bound_cents or 0, cents=plan.material_cents, by_hand=watch.by_hand)


def _leaves_electricity_out(system: System) -> bool:
    """Return whether electricity has a price that no plan counts, as nothing says how long each setting lasts."""
    rules = system.rules
    return len(system.settings) > 1 and rules.electricity_cents_per_kwh * rules.horizon_h > 0.0


def _none(status: Status, catalog: Catalog, reasons: tuple[Note, ...]) -> Plan:
    return Plan(status, None, None, catalog.currency, {}, {}, {}, reasons=reasons)


def _posed(
    station: Station, options: Options, choices: Sequence[PumpsChoice], least: Mapping[str, RunPrices] | None
) -> PosedProblem:
    """Return the tree's numbers with the pumps as the first run of every path, joined to the tree by a tee.

    `least` as of `pose`.
    """
    best_m = max(choice.head_m for choice in choices)
    flows = replace(station.flows, head_m=best_m)
    graphs = {name: graph for name, graph in options.graphs.items() if name not in station.lines}
    tees = {point: found for point, found in options.tees.items() if point != station.join}
    tree = pose(replace(options, graphs=graphs, tees=tees), flows, 1.0, least=least)
    numbers = dict(tree.states)
    for choice in choices:
        numbers.setdefault(choice.state, len(numbers))
    source = flows.source
    pumps = tuple(
        RunChoice(numbers[FREE], numbers[choice.state], choice.cents, loss_units(best_m - choice.head_m), choice.packs)
        for choice in choices
    )
    ends = (_PUMPS, False), (source, True)
    joins = tuple(
        TeeChoice(0, dict.fromkeys(ends, numbers[state]), dict.fromkeys(ends, 0))
        for state in dict.fromkeys(choice.state for choice in choices)
    )
    problem = replace(
        tree.problem,
        runs={_PUMPS: pumps, **tree.problem.runs},
        tees={_JOIN: joins, **tree.problem.tees},
        paths=tuple(
            Path(path.name, (_PUMPS, *path.runs), (*((_JOIN, *end) for end in ends), *path.tee_ends), path.head)
            if path.moves
            else path
            for path in tree.problem.paths
        ),
    )
    return replace(tree, problem=problem)


@dataclass(frozen=True)
class _Found:
    station: Station
    options: Options
    posed: PosedProblem
    choices: Sequence[PumpsChoice]
    selection: EfficientSelection

    @property
    def pumps(self) -> PumpsChoice:
        return self.choices[self.selection.run_choice[_PUMPS]]


def _plan(found: _Found, bound: int) -> Plan:
    """Return the plan of a selection, made by the same hands as those of one pump; no list costs less than `bound`."""
    station, options, posed, selection = found.station, found.options, found.posed, found.selection
    pumps = found.pumps
    ways = {name: posed.alternatives[name][k] for name, k in selection.run_choice.items() if name in posed.alternatives}
    ways |= {
        line: Alternative.of(way.cents, 0.0, way.packs, way.arcs)
        for line, way in zip(station.lines, pumps.ways, strict=False)
    }
    tees = {point: posed.tees[point][k] for point, k in selection.tee_choice.items() if point != _JOIN}
    if station.lines:
        tees[station.join] = options.tees[station.join][pumps.tee]
    alone = PosedProblem(
        SizingProblem({}, {}, ()),
        {name: (way,) for name, way in ways.items()},
        {point: [option] for point, option in tees.items()},
    )
    none = dict.fromkeys(ways, 0), dict.fromkeys(tees, 0)
    one = Selection(Outcome.FEASIBLE, *none, 0, bound - pumps.energy_cents, "merged tables")
    first = options.system.network.pumps[station.flows.pump]
    plan = plan_of(options, alone, one, Duty(first, pumps.speeds[first.name], 0, pumps.energy_cents), by_list=True)
    bound = options.system.rules.charged_bound(bound, pumps.energy_cents)
    plan = replace(plan, bound_cents=bound)
    proved = bound >= (plan.material_cents or 0)
    status = Status.OPTIMAL if proved else Status.FEASIBLE
    return replace(plan, status=status, pump_speeds=dict(_preferred(found)))


def _preferred(found: _Found) -> dict[str, float]:
    """Return the present speeds if they serve the same plumbing at no more cost, else the lowest that do."""
    chosen, network = found.pumps, found.options.system.network
    problem = found.posed.problem
    pumped = replace(problem, paths=tuple(path for path in problem.paths if path.moves))
    spare_m = -excess_of(pumped, found.selection.run_choice, found.selection.tee_choice) * LOSS_UNIT_M
    present = {name: network.pumps[name].speed for name in chosen.speeds}
    alike = [
        choice
        for choice in at_other_speeds(found.station, found.options, chosen)
        if choice.energy_cents <= chosen.energy_cents and choice.head_m >= chosen.head_m - spare_m
    ]
    best = min(alike, key=lambda c: (c.speeds != present, sum(c.speeds.values())), default=chosen)
    return dict(best.speeds)


def _too_weak(system: System, station: Station) -> Note:
    highest = max(station.flows.pumped_paths, key=lambda path: path.lift_m)
    pumps = tuple(_names(system, station))
    return note("pumps too weak", total_m3_s=station.flows.total_m3_s, pumps=pumps, demand=highest.demand)


def _names(system: System, station: Station) -> list[str]:
    parts = [part for run in station.runs for part in system.network.runs[run].parts]
    return [part.name for part in parts if part.name in system.network.pumps]


def _short(posed: PosedProblem, choices: Sequence[PumpsChoice]) -> tuple[Note, ...]:
    """Return which ways lack how much head with the lowest-loss parts that may be used."""
    if not all(posed.problem.runs.values()):
        return (note("no way to plumb it", within=()),)
    least = solve_sizing(posed.problem, least_excess=True)
    if least.outcome is not Outcome.OPTIMAL:
        return (note("no way to plumb it", within=()),)
    given = note("pumps give together", head_m=max(choice.head_m for choice in choices))
    out = []
    for path in posed.problem.paths:
        one = replace(posed.problem, paths=(path,))
        short_m = excess_of(one, least.run_choice, least.tee_choice) * LOSS_UNIT_M
        if short_m > 0:
            out.append(note("pumps lack head", demand=path.name, short_m=short_m, given=given))
    return tuple(out)
