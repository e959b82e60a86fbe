"""What goes round by itself, modes in which nothing runs → a smaller question, or one for each piece.

A ring or a wave pump that takes its water from the surface that it gives it back to shares no water with the rest: no
flow of the rest is another for it, no tank gets or gives more. Where it meets its targets as it stands, to change it
costs money and helps nothing. So the cheapest plan leaves it as it is, and is the cheapest plan of the rest; where the
rest has none, the whole has none. Where it does not, it is a question of its own beside that of the rest. A mode with
every pump off that asks for nothing bears on no choice either; that it is safe is checked with the plan.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from optimizer.choices.wants import is_idle, wants_of
from optimizer.errors import NetworkError
from optimizer.hydraulics import solve_network
from optimizer.model.catalog import PIPES, Catalog, Kind
from optimizer.model.plan import Plan, RunPlan, Status
from optimizer.model.system import System, Target
from optimizer.search.assemble import with_list
from optimizer.search.unknown_pumps import counts_electricity
from optimizer.takeoff.plan_price import consumables_of
from optimizer.verify.openings import TOLERANCE


def rest_of(system: System) -> System | None:
    """Return the system without idle modes that asks nothing of what goes round and meets its targets as it stands.

    None where there is neither, or nothing else is asked for.
    """
    left = _without_idle_modes(system)
    for part in () if counts_electricity(system) else system.network.parts():  # a pump at another speed may pay
        if _goes_round(system, part) and not system.network.has_work(part):
            smaller = _without_targets(left, frozenset(part))
            if smaller is not None and _meets(system, frozenset(part)):
                left = smaller
    return None if left is system or not left.all_targets else left.with_standing


def pieces_of(system: System) -> tuple[System, ...]:
    """Return the rest and each part that goes round by itself and is asked for something, as systems of their own.

    Nothing where there is only one of them, or where more than water couples them: cuts, money, electricity. Tanks and
    drains are those of the rest: what goes round fills none and empties none.
    """
    rules = system.rules
    if rules.most_cuts is not None or rules.budget_cents is not None or counts_electricity(system):
        return ()
    whole, rounds = _without_idle_modes(system), list[System]()
    left, others = whole, set(whole.network.runs)
    for part in system.network.parts():
        rest = _without_targets(left, frozenset(part)) if _goes_round(system, part) else None
        own = None if rest is None else _without_targets(whole, frozenset(whole.network.runs) - set(part))
        if rest is not None and own is not None:
            rounds.append(_of_runs(replace(own, tanks=(), drains=()), set(part)))
            left, others = rest, others - set(part)
    return (_of_runs(left, others), *rounds) if rounds and left.all_targets else ()


def _of_runs(system: System, names: set[str]) -> System:
    """Return the system with these runs alone, their tees and pumps."""
    network = system.network
    runs = {name: run for name, run in network.runs.items() if name in names}
    ends = {end.point for run in runs.values() for end in (run.start, run.end)}
    points = {name: point for name, point in network.points.items() if point.is_fixed or name in ends}
    tees = {name: tee for name, tee in network.tees.items() if name in ends}
    own = {part.name for run in runs.values() for part in run.parts if part.kind is Kind.PUMP}
    pumps = {name: pump for name, pump in network.pumps.items() if name in own}
    settings = tuple(
        replace(each, speeds={name: speed for name, speed in each.speeds.items() if name in own})
        for each in system.settings
    )
    smaller = replace(network, points=points, runs=runs, tees=tees, pumps=pumps, standing=frozenset())
    return replace(system, network=smaller, settings=settings).with_standing


def _without_idle_modes(system: System) -> System:
    """Return a system without the modes in which every pump is off and nothing is asked for."""
    kept = tuple(each for each in system.settings if not is_idle(system.at(each)))
    return system if len(kept) == len(system.settings) else replace(system, settings=kept)


def _goes_round(system: System, part: tuple[str, ...]) -> bool:
    """Return whether a part takes its water from the one surface that it gives it back to."""
    network = system.network
    ends = [end.point for name in part for end in (network.runs[name].start, network.runs[name].end)]
    return len({point for point in ends if network.points[point].is_fixed}) == 1


def _runs_of(target: Target) -> set[str]:
    return {*target.summed, *(target.share.of if target.share else ())}


def _without_targets(system: System, part: frozenset[str]) -> System | None:
    """Return a system that asks nothing of a part; None where a target speaks of it and of others, or none does."""
    mixed = [target for target in system.all_targets if part & _runs_of(target) and _runs_of(target) - part]
    if mixed or not any(_runs_of(target) <= part for target in system.all_targets):
        return None

    def others(targets: tuple[Target, ...]) -> tuple[Target, ...]:
        return tuple(target for target in targets if not _runs_of(target) <= part)

    settings = tuple(replace(each, targets=others(each.targets)) for each in system.settings)
    return replace(system, targets=others(system.targets), settings=settings)


def _meets(system: System, part: frozenset[str]) -> bool:
    """Return whether a part meets its targets in every setting, its valves and pumps as they are there."""
    for _, there in system.ways_to_run:
        own = replace(there, targets=tuple(target for target in there.targets if _runs_of(target) <= part))
        try:
            flows = solve_network(own.network).flows_m3_s
        except NetworkError:
            return False
        if any(want.miss(flows) > TOLERANCE for want in wants_of(own)):
            return False
    return True


def plan_of_pieces(system: System, catalog: Catalog, plans: Sequence[Plan]) -> Plan:
    """Return the plan that has every run as the plan of its own piece has it, whole lengths and packs shared.

    It costs what its list does. None costs less than what each piece does by itself at the least, for the list of one
    piece is part of every list of all; how much less lists cost together than apart is left open.
    """
    planned = {name: _without_pipe(run) for plan in plans for name, run in plan.runs.items()}
    runs = {
        name: planned.get(name, RunPlan(name, run.parts, (), (), (), ())) for name, run in system.network.runs.items()
    }
    bound = max(plan.bound_cents or 0 for plan in plans)
    made = Plan(
        Status.FEASIBLE,
        None,
        bound,
        catalog.currency,
        runs,
        {point: tee for plan in plans for point, tee in plan.tees.items()},
        {pump: speed for plan in plans for pump, speed in plan.pump_speeds.items()},
        consumables_of(catalog, [joint for run in runs.values() for joint in run.joints]),
        effort_cents=sum(plan.effort_cents for plan in plans),
        energy_cents=sum(plan.energy_cents for plan in plans),
        new_pumps={name: pump for plan in plans for name, pump in plan.new_pumps.items()},
        cuts=sum(plan.cuts for plan in plans),
        minutes=sum(plan.minutes for plan in plans),
        notes=tuple(dict.fromkeys(each for plan in plans for each in plan.notes)),
        left_out=tuple(dict.fromkeys(each for plan in plans for each in plan.left_out)),
    )
    listed = with_list(system, catalog, made)
    proved = (listed.material_cents or 0) <= bound and all(plan.status is Status.OPTIMAL for plan in plans)
    return replace(listed, status=Status.OPTIMAL) if proved else listed


def _without_pipe(run: RunPlan) -> RunPlan:
    """Return a run without the lengths of pipe that its own list bought: they are cut for all runs together."""
    return replace(run, purchases=tuple(each for each in run.purchases if each.item.kind not in PIPES))
