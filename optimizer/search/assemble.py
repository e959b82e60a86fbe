"""Read a selection back into a plan: what every run becomes, in the order in which the pipe is walked.

A combination whose flows were not known is made into one by the same hands (`plan_of_choice`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace

from optimizer.choices.alternatives import Alternative
from optimizer.choices.effort import Effort, minutes_of
from optimizer.choices.graph import Arc
from optimizer.choices.long_pipe import Lengths
from optimizer.choices.tees import TeeOption
from optimizer.model.catalog import PIPES, Catalog
from optimizer.model.network import Network, Part, Run
from optimizer.model.note import Note, note
from optimizer.model.plan import JointWork, Plan, Purchase, RunPlan, Status, TeePlan
from optimizer.model.rules import Rules
from optimizer.model.system import System
from optimizer.program.problem import Outcome, Selection, SizingProblem
from optimizer.search.duty import NO_PUMP, Duty
from optimizer.search.flow_posing import Choice, FlowCase
from optimizer.search.options import Options
from optimizer.search.posing import PosedProblem
from optimizer.takeoff.cut_list import new_pipe
from optimizer.takeoff.long_pieces import with_couplings
from optimizer.takeoff.plan_price import consumables_of, list_cents, pipe_purchases


def plan_of(options: Options, posed: PosedProblem, selection: Selection, duty: Duty, *, by_list: bool = False) -> Plan:
    """Return the plan that a selection stands for, with all that its parts list costs.

    `by_list` says that the selection was made by that; else by the pipe that it uses and the first pack of each kind.
    """
    listed = with_list(options.system, options.catalog, unlisted_plan(options, posed, selection, duty))
    assert selection.cents is not None
    if by_list and listed.material_cents != selection.cents + duty.energy_cents:
        # the list was told otherwise than it is: what it comes to counts, and nothing is claimed for it
        least = min(listed.material_cents or 0, listed.bound_cents or 0)
        return replace(listed, status=Status.FEASIBLE, bound_cents=least)
    if by_list:
        return listed
    return with_charge(options.system.rules, replace(listed, material_cents=selection.cents + duty.energy_cents))


def unlisted_plan(options: Options, posed: PosedProblem, selection: Selection, duty: Duty) -> Plan:
    """Return the plan that a selection stands for, its list not priced yet (`with_list`)."""
    network, catalog, rules = options.system.network, options.catalog, options.system.rules
    chosen = {name: posed.alternatives[name][k] for name, k in selection.run_choice.items()}
    runs = {name: _run_plan(network.runs[name], alternative) for name, alternative in chosen.items()}
    for name, run in network.runs.items():
        runs.setdefault(name, RunPlan(name, run.parts, (), (), (), ()))
    tees = {point: _tee_plan(network, point, posed.tees[point][k]) for point, k in selection.tee_choice.items()}
    ordered = {name: runs[name] for name in network.runs}
    if duty.replaces is not None:
        name = next(name for name, run in ordered.items() if any(part.name == duty.pump.name for part in run.parts))
        ordered[name] = replace(ordered[name], removed=(duty.replaces, *ordered[name].removed))
    arcs = [arc for alternative in chosen.values() for arc in alternative.arcs]
    labour = Effort(rules.labour_cents_per_hour)
    assert selection.bound_cents is not None
    made = Plan(
        status=Status.OPTIMAL if selection.outcome is Outcome.OPTIMAL else Status.FEASIBLE,
        cost_cents=None,
        bound_cents=max(0, selection.bound_cents + duty.energy_cents),
        currency=catalog.currency,
        runs=ordered,
        tees=tees,
        pump_speeds={duty.pump.name: duty.speed} if duty.pump.name else {},
        effort_cents=sum(labour.cents(arc) for arc in arcs),
        energy_cents=duty.energy_cents,
        new_pumps={} if duty.replaces is None else {duty.pump.name: duty.pump},
        cuts=sum(arc.cuts for arc in arcs),
        minutes=sum(minutes_of(arc) for arc in arcs),
        notes=options.uncoupled,
    )
    plan = with_couplings(network, made, catalog, Lengths(catalog, rules))
    joints = [joint for one in plan.runs.values() for joint in one.joints]
    return replace(plan, consumables=consumables_of(catalog, joints))


def with_charge(rules: Rules, plan: Plan) -> Plan:
    """Return a plan, proved by parts, work and electricity alone, with what a minimum order charges above them.

    It is charged above what the list comes to; what the proof counts may be another order, and is charged as that one.
    """
    if plan.material_cents is None or plan.bound_cents is None or not rules.minimum_order_cents:
        return plan
    order, listed = plan.material_cents - plan.energy_cents, (plan.cost_cents or 0) + plan.effort_cents
    charged = rules.charged_cents(order)
    bound = rules.charged_bound(plan.bound_cents, plan.energy_cents)
    proved = bound >= charged + plan.energy_cents
    return replace(
        plan,
        status=Status.OPTIMAL if proved else Status.FEASIBLE,
        material_cents=charged + plan.energy_cents,
        topped_up_cents=rules.charged_cents(listed) - listed,
        bound_cents=bound,
    )


def with_list(system: System, catalog: Catalog, plan: Plan) -> Plan:
    """Return a plan with the pipe that its runs take, and with what its parts list costs."""
    network = system.network if plan.stands is None else plan.stands
    pieces, _ = new_pipe(network, plan, catalog)
    pipe = pipe_purchases(pieces)
    runs = {name: replace(one, purchases=(*one.purchases, *pipe.get(name, ()))) for name, one in plan.runs.items()}
    whole = replace(plan, runs=runs)
    cents = list_cents(system, whole, catalog, pieces=pieces)
    order = cents + plan.effort_cents
    charged = system.rules.charged_cents(order)
    return replace(whole, cost_cents=cents, topped_up_cents=charged - order, material_cents=charged + plan.energy_cents)


def _run_plan(run: Run, alternative: Alternative) -> RunPlan:
    """Return what one run becomes; pieces of one pipe that meet end to end are one piece."""
    parts: list[Part] = []
    gone: list[Part] = []
    joints: list[JointWork] = []
    bought: list[Purchase] = []
    for arc in alternative.arcs:
        for part in arc.parts:
            parts = _with_part(parts, part)
        gone += [*(run.parts[i] for i in arc.removed), *arc.sawn_off]
        joints += [JointWork(m, size, run.name, f"{m}, {size}") for m, size in arc.joints if m != "stub"]
    for part in parts:
        if not part.existing and part.item is not None and part.kind not in PIPES:
            bought.append(Purchase(part.item, 1, run.name))
    apart = tuple(_pieces_of(arc) for arc in alternative.arcs if arc.sawn_off)
    changes = tuple(_changes(run, alternative))
    return RunPlan(run.name, tuple(parts), tuple(bought), tuple(gone), tuple(joints), changes, apart)


def _pieces_of(arc: Arc) -> tuple[Part, Part]:
    """Return the pieces of a pipe that is kept in part, the one that stays and the one that goes, as they stood."""
    first, last, off = arc.parts[0], arc.parts[-1], arc.sawn_off[0]
    return (first, off) if first.existing else (off, last)


def _with_part(parts: list[Part], part: Part) -> list[Part]:
    if parts and not part.existing and part.kind in PIPES and not parts[-1].existing:
        last = parts[-1]
        if last.kind is part.kind and last.item is not None and last.item is part.item:
            return [*parts[:-1], replace(last, length_m=last.length_m + part.length_m)]
    return [*parts, part]


def _tee_plan(network: Network, point: str, option: TeeOption) -> TeePlan:
    if option.tee.existing:
        return TeePlan(point, option.tee, (), ())
    old = network.tees[point].item
    new = option.item.description
    what = note("replace", old=old.description, new=new) if old else note("add", new=(new,))
    return TeePlan(
        point,
        option.tee,
        (Purchase(option.item, 1, point),),
        (old,) if old is not None else (),
        (what,),
    )


def _changes(run: Run, alternative: Alternative) -> Iterable[Note]:
    """Yield what is done along a run, in order."""
    old: list[Part] = []
    new: list[Part] = []
    for arc in alternative.arcs:
        fresh = [part for part in arc.parts if not part.existing]
        old += [*(run.parts[i] for i in arc.removed), *arc.sawn_off]
        new += fresh
        if any(part.existing for part in arc.parts) and (old or new):
            yield from changes_of(old, new)
            old, new = [], []
    if old or new:
        yield from changes_of(old, new)


def changes_of(old: list[Part], new: list[Part]) -> tuple[Note, ...]:
    """Return what goes and what comes at one place."""
    gone, come = _list(old), _list(new)
    if gone and come:
        return note("remove", old=gone), note("add", new=come)
    return (note("remove", old=gone) if gone else note("add", new=come),)


def _list(parts: list[Part]) -> tuple[str, ...]:
    counted = Counter(part.words for part in parts)
    return tuple(words if count == 1 else f"{words} ({count})" for words, count in counted.items())


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
