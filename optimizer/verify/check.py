"""A plan checked: the plumbing rebuilt from it, its valves set, and the network solved without the solver's numbers.

One check for every plan: whatever sets the valves (`settings` on a pumped tree, `openings` anywhere), every setting of
the owner is solved as a network, and what comes out is compared with every target, every limit and all that is unsafe,
and whether the changed stretches can be put together (`joints.closing`).

Where its valves go is told from the plumbing and the targets alone: positions to try in turn. On a pumped tree whose
demands each have a valve of their own the flows can be chosen (`settings`): windows to their middle and least flows
above their targets, evenly, what is left to demands without an upper end. Anywhere else, and where that does not serve,
positions are sought that bring every row of every setting into its window (`openings`, `held`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from optimizer.choices.demands import flows_if_known
from optimizer.choices.scaled import with_margin
from optimizer.choices.velocity import velocity_rule, with_carried
from optimizer.choices.wants import wants_of
from optimizer.errors import NetworkError
from optimizer.hydraulics import Conditions, conditions_of, solve_network
from optimizer.hydraulics.network import NetworkSolution
from optimizer.joints.closing import Assembly, assembly
from optimizer.model.catalog import PIPES, Kind
from optimizer.model.circuits import circuits, has_pump
from optimizer.model.network import Network, Run
from optimizer.model.note import Note, note
from optimizer.model.plan import (
    DemandCheck,
    Plan,
    SettingFlows,
    ValveSetting,
    Verification,
    planned_network,
    planned_networks,
)
from optimizer.model.system import System, Target
from optimizer.verify.allowance import allowances_of, may_flow, settle_held
from optimizer.verify.coming_down import down_shares, open_to_more
from optimizer.verify.openings import TOLERANCE, Duty, Settled, pump_wants, settle, velocity_wants
from optimizer.verify.running import running
from optimizer.verify.safety import with_safety
from optimizer.verify.settings import SPARE, as_set, balance, settings_of, valve_settings, with_openings

_NOTHING_M3_S = 1e-9  # what an upper end of 0 lets pass: a network closes no nearer to a standstill


@dataclass(frozen=True, slots=True)
class _Solved:
    """One setting: the flows as it stands, with the planned valves set, and with them wide open."""

    name: str
    targets: tuple[Target, ...]
    duty: Duty
    before: NetworkSolution
    after: NetworkSolution
    wide: NetworkSolution


def verify_plan(system: System, plan: Plan) -> Verification:
    """Return what the network solution says of a plan in every setting, its valves in one position for all of them.

    The planned plumbing is rebuilt from the plan alone, its valves are set anew for the targets, and the whole is
    solved as a network with the handles where the words put them; the flows that come out, not those that were asked
    for, are compared. Fails by: a target missed, in whatever part of the plumbing; water that runs faster than the
    velocity limits; a pump beyond its curve; a joint that nothing lets close; what the plan makes
    unsafe. Valves are set so that drains and sump take what flows, where they can.
    """
    found = with_assembly(system, plan, _verified(system, plan, conditions_of(system.network)))
    return with_safety(system, plan, found) if found.flows_m3_s else found


def _verified(system: System, plan: Plan, conditions: Conditions) -> Verification:
    system = with_carried(system)
    rule = velocity_rule(system)
    duties = [
        Duty(name, network, (*wants_of(at), *velocity_wants(network, rule, name)))
        for (name, at), network in zip(system.ways_to_run, planned_networks(system, plan), strict=True)
    ]
    found: Verification | None = None
    try:
        for valves in valve_positions(system, plan, duties, conditions):
            found = _with_valves(system, duties, valves, conditions)
            if found.passed:
                break
    except NetworkError as error:
        return found or _failed(note("no solution", error=str(error)))
    return found or _failed(note("no steady flow"))


def _failed(why: Note) -> Verification:
    return Verification(False, (), (), {}, {}, (), (why,))


def _with_valves(
    system: System, duties: Sequence[Duty], valves: tuple[ValveSetting, ...], conditions: Conditions
) -> Verification:
    """Return what the solutions say of the plan: targets met or missed, limits kept, what the owner should know."""
    solved = [
        _Solved(
            name,
            at.targets,
            duty,
            solve_network(at.network, conditions),
            solve_network(with_openings(duty.network, valves), conditions),
            solve_network(with_openings(duty.network, None), conditions),
        )
        for (name, at), duty in zip(system.ways_to_run, duties, strict=True)
    ]
    demands = tuple(_check(system.network, target, one) for one in solved for target in one.targets)
    failures = [note("misses its target", run=check.run) for check in demands if not check.met]
    failures += [each for one in solved for each in _over_limits(one, system)]
    warnings = [each for one in solved for each in (*one.after.warnings, *_fast(system, one))]
    return Verification(
        passed=not failures,
        demands=demands,
        valves=valves,
        flows_m3_s=solved[0].after.flows_m3_s,
        velocities_m_s=solved[0].after.velocities_m_s,
        warnings=tuple(dict.fromkeys([*warnings, *_shut(valves)])),
        failures=tuple(failures),
        settings=tuple(
            SettingFlows(one.name, one.after.flows_m3_s, one.after.velocities_m_s, one.wide.flows_m3_s)
            for one in solved
        ),
    )


def _check(stood: Network, target: Target, one: _Solved) -> DemandCheck:
    """Compare one target; the limits of a split are flows, by what the other runs carry after the work."""
    low, high = target.limits_m3_s(one.after.flows_m3_s)
    flow, summed = target.amount_m3_s(one.after.flows_m3_s), dict.fromkeys(target.summed, 1.0)
    return DemandCheck(
        run=f"{target.run}, {one.name}" if one.name else target.run,
        low_m3_s=low,
        high_m3_s=high,
        before_m3_s=target.amount_m3_s(one.before.flows_m3_s),
        after_m3_s=flow,
        all_open_m3_s=target.amount_m3_s(one.wide.flows_m3_s),
        met=is_met(flow, low, high),
        before_doubt=one.before.doubt.sums(summed),
        after_doubt=one.after.doubt.sums(summed),
        all_open_doubt=one.wide.doubt.sums(summed),
        unconnected=unconnected_runs(stood, target.summed),
        share=target.share,
    )


def unconnected_runs(stood: Network, names: Sequence[str]) -> tuple[str, ...]:
    """Return which of these runs, and of those whose pumps feed them, have a place that is not connected yet."""
    found = [
        run for circuit in circuits(stood) for run in circuit.runs if any(run.name in names for run in circuit.runs)
    ]
    return tuple(run.name for run in found if _is_apart(run) and (run.name in names or has_pump(run)))


def _is_apart(run: Run) -> bool:
    """Return whether a run that stands has a place that is not connected yet."""
    return any(part.kind is Kind.OPEN_JOINT for part in run.parts)


def is_met(flow_m3_s: float, low_m3_s: float, high_m3_s: float | None) -> bool:
    """Return whether a flow is in its window, to the one `TOLERANCE` of all checks; a least flow of 0 asks nothing."""
    enough = low_m3_s <= 0.0 or flow_m3_s >= low_m3_s * (1 - TOLERANCE)
    return enough and (high_m3_s is None or flow_m3_s <= high_m3_s * (1 + TOLERANCE) + _NOTHING_M3_S)


def _over_limits(one: _Solved, system: System) -> Iterator[Note]:
    mode = _in_mode(one)
    for want in pump_wants(one.duty.network):
        if want.miss(one.after.flows_m3_s) > TOLERANCE:
            yield note("would pass its curve", what=want.name, mode=mode)
    for want in velocity_wants(one.duty.network, velocity_rule(system), one.name):
        if want.miss(one.after.flows_m3_s) > TOLERANCE:
            yield note("too fast", what=want.name, mode=mode)


def _fast(system: System, one: _Solved) -> Iterator[Note]:
    """Yield where water runs faster than the limit and may: in pipe that stays, and carries no more where all count."""
    limit = system.rules.loud_above_m_s
    runs = one.duty.network.runs
    told = tuple(
        note("velocity in run", velocity_m_s=velocity, run=name)
        for name, velocity in one.after.velocities_m_s.items()
        if any(part.kind in PIPES for part in runs[name].parts) and velocity > limit * (1 + TOLERANCE)
    )
    if told:
        code = "loud as today" if math.isfinite(system.rules.velocity_limit_m_s) else "loud"
        said = note(code, where=told, limit_m_s=limit)
        yield note("of a mode", mode=one.name, what=said) if one.name else said


def _in_mode(one: _Solved) -> Note | None:
    return note("in that mode", mode=one.name) if one.name else None


def _shut(valves: tuple[ValveSetting, ...]) -> Iterator[Note]:
    for valve in valves:
        if valve.opening <= 0:
            yield note("valve shut", run=valve.run)


def assembly_of(system: System, plan: Plan) -> Assembly:
    """Return how a plan is put together; its network is the one that it was made for."""
    stood = plan.stands or system.network
    return assembly(stood, planned_network(system.network, plan), bend=system.rules.bend_to_fit)


def with_assembly(system: System, plan: Plan, found: Verification) -> Verification:
    """Return a verification that fails by every joint that nothing lets close as well."""
    planned = planned_network(system.network, plan)
    stuck = assembly_of(system, plan).stuck
    if not stuck:
        return found
    told = tuple(_stuck(planned, run, joint) for run, joint in stuck)
    return replace(found, passed=False, failures=(*found.failures, *dict.fromkeys(told)))


def _stuck(network: Network, name: str, joint: int) -> Note:
    run = network.runs[name]
    return note("nothing lets it close", run=name, first=_beside(run, joint - 1), last=_beside(run, joint))


def _beside(run: Run, index: int) -> str:
    if 0 <= index < len(run.parts):
        return f"the {run.parts[index].words}"
    return f"the tee at {(run.start if index < 0 else run.end).point}"


def valve_positions(
    system: System, plan: Plan, duties: Sequence[Duty], conditions: Conditions
) -> Iterator[tuple[ValveSetting, ...]]:
    """Yield positions of all valves, each good for every setting as far as it goes; the first that serves is taken.

    Parameters
    ----------
    system, plan
        What is wanted, and whether the plan has pumps that stand nowhere yet.
    duties
        The planned plumbing with the rows that count, in every setting.
    conditions
        Of all losses.

    Raises
    ------
    NetworkError
        When a plumbing has no solution.
    """
    yield from _as_they_stand(system, duties, conditions)
    if not set(plan.new_pumps) - set(system.network.pumps):
        yield from _on_tree(system, duties[0].network, conditions)
    settled = _settled(system, duties, conditions)
    if settled is not None:
        yield settings_of(duties[0].network, duties[0].name, settled)


def _as_they_stand(
    system: System, duties: Sequence[Duty], conditions: Conditions
) -> Iterator[tuple[ValveSetting, ...]]:
    """Yield the valves as they are set where nothing is built or turned and all is there and safe, with `SPARE`."""
    if system.rules.certainty:
        return
    asked = with_margin(system, max(SPARE, system.rules.margin))
    for (_, at), duty in zip(asked.ways_to_run, duties, strict=True):
        if duty.network != at.network:
            return
        flows = solve_network(duty.network, conditions).flows_m3_s
        met = all(want.miss(flows) <= TOLERANCE / 2 for want in wants_of(at))
        if not met or not _allowed(at, duty.network)(flows) or _comes_down(at, duty.network):
            return
    yield as_set(duties[0].network, flows)


def _on_tree(system: System, planned: Network, conditions: Conditions) -> Iterator[tuple[ValveSetting, ...]]:
    known = flows_if_known(system)
    if known is None:
        return
    rest = set(planned.runs) - set(known.flows_m3_s)  # what is no part of the plan: it is apart from it
    standing = solve_network(planned, conditions).flows_m3_s if rest else {}
    allowed = _allowed(system, planned)
    today = solve_network(system.network, conditions).flows_m3_s
    found = balance(planned, known, conditions, lambda flows: allowed({**standing, **flows}), today)
    if found is None:
        return
    settings = valve_settings(planned, known, found)
    if not open_to_more(planned) or not _comes_down(system, with_openings(planned, settings)):
        yield settings


def _comes_down(system: System, planned: Network) -> bool:
    """Return whether more comes into some tank of a plumbing with its valves set than it takes, when pumps stop."""
    return max(down_shares(system, running(planned)).values(), default=0.0) > 1.0


def _allowed(system: System, planned: Network) -> Callable[[Mapping[str, float]], bool]:
    """Return what says whether drains and sumps take flows [m³/s by run], and nothing runs too fast."""
    dry = may_flow(system, planned)
    rows = velocity_wants(planned, velocity_rule(system))

    def allowed(flows_m3_s: Mapping[str, float]) -> bool:
        there = [row for row in rows if all(name in flows_m3_s for name in row.coefficients)]
        return dry(flows_m3_s) and all(row.miss(flows_m3_s) <= TOLERANCE / 2 for row in there)

    return allowed


def _settled(system: System, duties: Sequence[Duty], conditions: Conditions) -> Settled | None:
    """Return the valves set so that targets are met and drains and sump take what flows, as far as valves can do that.

    Failing that so that the work makes nothing worse than it is; failing that for the targets alone.
    """
    for today_counts in (False, True):
        allowances = allowances_of(system, today_counts=today_counts)
        held = [
            replace(
                duty,
                wants=(*duty.wants, *allowance.flow_rows(duty.network), *allowance.back_rows(duty.network)),
            )
            for duty, allowance in zip(duties, allowances, strict=True)
        ]
        for spare in (SPARE, 0.0):
            found = settle_held(held, allowances, conditions, spare=spare)
            if found is not None and found.met:
                return found
    return settle(duties, conditions)
