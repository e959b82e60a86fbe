"""A plan checked where the flows are not known beforehand: valves set, every setting solved, every target compared."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from optimizer.choices.wants import wants_of
from optimizer.errors import NetworkError
from optimizer.hydraulics import Conditions, solve_network, valve_bore_m, valve_k, valve_opening, valve_words
from optimizer.hydraulics.friction import area_m2
from optimizer.hydraulics.network import NetworkSolution
from optimizer.hydraulics.water import GRAVITY_M_S2
from optimizer.model.catalog import THROTTLES
from optimizer.model.network import Network
from optimizer.model.plan import DemandCheck, Plan, SettingFlows, ValveSetting, Verification, planned_networks
from optimizer.model.system import System, Target
from optimizer.model.throttling import valve_to_set
from optimizer.verify.allowance import allowances_of
from optimizer.verify.held import settle_held
from optimizer.verify.openings import TOLERANCE, Duty, Settled, all_open, pump_wants, settle, velocity_wants

_SHUT_M3_S = 1e-7  # a valve that lets less through counts as shut


@dataclass(frozen=True, slots=True)
class _Solved:
    """One setting: the flows as it stands, with the planned valves set, and with them wide open."""

    name: str
    targets: tuple[Target, ...]
    duty: Duty
    before: NetworkSolution
    after: NetworkSolution
    wide: NetworkSolution


def verify_any(system: System, plan: Plan, conditions: Conditions) -> Verification:
    """Return what the network solution says of a plan in every setting, its valves in one position for all of them.

    The valves are set anew, from the plan's plumbing and the targets alone; then every setting is solved with the
    handles where the words put them.
    """
    there, planned = system.ways_to_run, planned_networks(system, plan)
    limit = system.rules.velocity_limit_m_s
    duties = [
        Duty(name, network, (*wants_of(at), *velocity_wants(network, limit)))
        for (name, at), network in zip(there, planned, strict=True)
    ]
    try:
        settled = _settled(system, duties, conditions)
    except NetworkError as error:
        return Verification(False, (), (), {}, {}, (), (str(error),))
    if settled is None:
        return Verification(False, (), (), {}, {}, (), ("the planned plumbing has no steady flow",))
    valves = settings_of(planned[0], there[0][0], settled)
    try:
        solved = [_solved(name, at, duty, valves, conditions) for (name, at), duty in zip(there, duties, strict=True)]
    except NetworkError as error:
        return Verification(False, (), (), {}, {}, (), (str(error),))
    return _told(solved, valves, limit)


def _solved(name: str, at: System, duty: Duty, valves: tuple[ValveSetting, ...], conditions: Conditions) -> _Solved:
    """Return one setting solved as it stands, with the valves where they go, and with all of them open."""
    after = solve_network(_set(duty.network, valves), conditions)
    wide = solve_network(all_open(duty.network), conditions)
    return _Solved(name, at.targets, duty, solve_network(at.network, conditions), after, wide)


def _told(solved: Sequence[_Solved], valves: tuple[ValveSetting, ...], limit: float) -> Verification:
    """Return what the solutions say of the plan: targets met or missed, limits kept, what the owner should know."""
    demands = tuple(_check(target, s.name, s.before, s.after, s.wide) for s in solved for target in s.targets)
    failures = [f"{check.run!r} misses its target" for check in demands if not check.met]
    failures += [words for s in solved for words in _over_limits(s.duty, s.after, limit)]
    shut = [
        f"the valve of run {valve.run!r} is shut: no flow was asked for there" for valve in valves if valve.opening <= 0
    ]
    return Verification(
        passed=not failures,
        demands=demands,
        valves=valves,
        flows_m3_s=solved[0].after.flows_m3_s,
        velocities_m_s=solved[0].after.velocities_m_s,
        warnings=tuple(dict.fromkeys([*(words for s in solved for words in s.after.warnings), *shut])),
        failures=tuple(failures),
        settings=tuple(
            SettingFlows(s.name, s.after.flows_m3_s, s.after.velocities_m_s, s.wide.flows_m3_s) for s in solved
        ),
    )


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
        found = settle_held(held, allowances, conditions)
        if found is not None and found.met:
            return found
    return settle(duties, conditions)


def settings_of(network: Network, mode: str, settled: Settled) -> tuple[ValveSetting, ...]:
    """Return the opening of every valve that may be set; one that stands partly shut elsewhere is to be opened."""
    out = [
        ValveSetting(name, i, valve_words(part.kind, 1.0), 1.0, 0.0, 0.0)
        for name, run in network.runs.items()
        for i, part in enumerate(run.parts)
        if part.kind in THROTTLES and part.opening < 1.0 and i != valve_to_set(run)
    ]
    for name, added in settled.added_s2_m5.items():
        run = network.runs[name]
        index = valve_to_set(run)
        assert index is not None, "only runs with a valve that may be set are settled"
        part, flow = run.parts[index], settled.flows_m3_s[mode][name]
        if abs(flow) < _SHUT_M3_S:
            out.append(ValveSetting(name, index, valve_words(part.kind, 0.0), 0.0, math.inf, 0.0))
            continue
        k = max(0.0, added) * 2.0 * GRAVITY_M_S2 * area_m2(valve_bore_m(part)) ** 2
        opening = valve_opening(part.kind, k)
        words = valve_words(part.kind, opening)
        out.append(ValveSetting(name, index, words, opening, valve_k(part.kind, opening), max(0.0, added) * flow**2))
    return tuple(out)


def _set(network: Network, valves: Sequence[ValveSetting]) -> Network:
    """Return the plumbing with these valves at their openings, all others open."""
    opened = all_open(network)
    chosen = {(valve.run, valve.part_index): valve.opening for valve in valves}
    runs = {
        name: replace(
            run,
            parts=tuple(
                replace(part, opening=chosen[name, i]) if (name, i) in chosen else part
                for i, part in enumerate(run.parts)
            ),
        )
        for name, run in opened.runs.items()
    }
    return opened.with_runs(runs)


def _check(
    target: Target, mode: str, before: NetworkSolution, after: NetworkSolution, wide: NetworkSolution
) -> DemandCheck:
    """Compare one target; the limits of a split are flows, by what the other runs carry after the work."""
    low, high = target.low_m3_s, target.high_m3_s
    if target.share is not None:
        whole = _sum(target.share.of, after.flows_m3_s)
        low = target.share.low * whole
        high = None if target.share.high is None else target.share.high * whole
    flow = _sum(target.summed, after.flows_m3_s)
    enough = low <= 0.0 or flow >= low * (1 - 2 * TOLERANCE)
    not_too_much = high is None or flow <= high * (1 + 2 * TOLERANCE) + 1e-9
    return DemandCheck(
        run=f"{target.run}, {mode}" if mode else target.run,
        low_m3_s=low,
        high_m3_s=high,
        before_m3_s=_sum(target.summed, before.flows_m3_s),
        after_m3_s=flow,
        all_open_m3_s=_sum(target.summed, wide.flows_m3_s),
        met=enough and not_too_much,
        before_doubt=before.doubt.sums(dict.fromkeys(target.summed, 1.0)),
        after_doubt=after.doubt.sums(dict.fromkeys(target.summed, 1.0)),
        all_open_doubt=wide.doubt.sums(dict.fromkeys(target.summed, 1.0)),
    )


def _sum(runs: Sequence[str], flows_m3_s: Mapping[str, float]) -> float:
    return sum(flows_m3_s[run] for run in runs)


def _over_limits(duty: Duty, solution: NetworkSolution, velocity_limit_m_s: float) -> list[str]:
    where = f" in setting {duty.name!r}" if duty.name else ""
    out = []
    for want in pump_wants(duty.network):
        if want.miss(solution.flows_m3_s) > 2 * TOLERANCE:
            out.append(f"{want.name} would run past the last point of its curve, or backwards{where}")
    for want in velocity_wants(duty.network, velocity_limit_m_s):
        if want.miss(solution.flows_m3_s) > 2 * TOLERANCE:
            out.append(f"new pipe would carry water faster than the limit: {want.name}{where}")
    return out
