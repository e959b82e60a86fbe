"""A plan checked: the plumbing rebuilt from it, its valves set, and the network solved without the solver's numbers."""

from __future__ import annotations

from optimizer.choices.demands import KnownFlows, known_flows
from optimizer.errors import FlowsUnknownError, NetworkError
from optimizer.hydraulics import Conditions, conditions_of, past_curve, solve_network
from optimizer.hydraulics.network import NetworkSolution
from optimizer.model.catalog import PIPES
from optimizer.model.network import Network
from optimizer.model.plan import DemandCheck, Plan, SettingFlows, ValveSetting, Verification, planned_network
from optimizer.model.system import System
from optimizer.units import show_velocity
from optimizer.verify.allowance import may_flow
from optimizer.verify.any_flow import verify_any
from optimizer.verify.safety import with_safety
from optimizer.verify.settings import balance, valve_settings, with_openings

FLOW_TOLERANCE = 1e-5  # relative: the network closes heads to 1e-6 m


def verify_plan(system: System, plan: Plan, conditions: Conditions | None = None) -> Verification:
    """Return what the network solution says of a plan.

    The planned plumbing is rebuilt from the plan alone, each demand's valve is set, and the whole is solved as a
    network; the flows that come out, not those that were asked for, are compared with the targets. Where the flows
    are not known beforehand (loops, splits, settings, runs without a valve) `any_flow` sets the valves. A plan that
    makes something unsafe fails as well; valves are set so that drains and sump take what flows, where they can.
    """
    found = _verified(system, plan, conditions or conditions_of(system.network))
    return with_safety(system, plan, found) if found.flows_m3_s else found


def _verified(system: System, plan: Plan, conditions: Conditions) -> Verification:
    if set(plan.new_pumps) - set(system.network.pumps):
        return verify_any(system, plan, conditions)  # more pumps than the flows are known by
    try:
        known = known_flows(system)
    except FlowsUnknownError:
        return verify_any(system, plan, conditions)
    planned = planned_network(system.network, plan)
    found = balance(planned, known, conditions, may_flow(system, planned))
    if found is None:
        return _failed(system, "the planned plumbing does not reach the least flows")
    settings = valve_settings(planned, known, found)
    try:
        after = solve_network(with_openings(planned, settings), conditions)
        wide_open = solve_network(with_openings(planned, None), conditions)
        before = present_flows(system.network, conditions)
    except NetworkError as error:
        return _failed(system, str(error))
    demands = _demand_checks(known, before, after, wide_open)
    failures = [f"run {check.run!r} misses its target" for check in demands if not check.met]
    pump = planned.pumps[known.pump]
    if past_curve(pump, after.flows_m3_s[known.source]):
        failures.append(f"pump {pump.name!r} would run past the last point of its curve")
    return Verification(
        passed=not failures,
        demands=demands,
        valves=settings,
        flows_m3_s=after.flows_m3_s,
        velocities_m_s=after.velocities_m_s,
        warnings=(*_too_fast(system, planned, after), *_shut(settings)),
        failures=tuple(failures),
        settings=(SettingFlows("", after.flows_m3_s, after.velocities_m_s, wide_open.flows_m3_s),),
    )


def present_flows(network: Network, conditions: Conditions) -> NetworkSolution:
    """Return the solution of the plumbing as it stands, its valves where the owner says they are."""
    return solve_network(network, conditions)


def _failed(system: System, why: str) -> Verification:
    return Verification(False, (), (), {}, {}, (), (why,))


def _demand_checks(
    known: KnownFlows, before: NetworkSolution, after: NetworkSolution, wide_open: NetworkSolution
) -> tuple[DemandCheck, ...]:
    checks = []
    for run, target in known.targets.items():
        flow = after.flows_m3_s[run]
        enough = flow >= target.low_m3_s * (1 - FLOW_TOLERANCE)
        not_too_much = target.high_m3_s is None or flow <= target.high_m3_s * (1 + FLOW_TOLERANCE)
        checks.append(
            DemandCheck(
                run=run,
                low_m3_s=target.low_m3_s,
                high_m3_s=target.high_m3_s,
                before_m3_s=before.flows_m3_s[run],
                after_m3_s=flow,
                all_open_m3_s=wide_open.flows_m3_s[run],
                met=enough and not_too_much,
                before_doubt=before.doubt.sums({run: 1.0}),
                after_doubt=after.doubt.sums({run: 1.0}),
                all_open_doubt=wide_open.doubt.sums({run: 1.0}),
            )
        )
    return tuple(checks)


def _too_fast(system: System, planned: Network, solution: NetworkSolution) -> list[str]:
    limit = system.rules.velocity_limit_m_s
    out = []
    for name, velocity in solution.velocities_m_s.items():
        pipes = [part.end_bores_m[0] for part in planned.runs[name].parts if part.kind in PIPES]
        if pipes and velocity > limit:
            out.append(
                f"water runs at {show_velocity(velocity, system.units)} in the narrowest place of run {name!r}, "
                f"more than {show_velocity(limit, system.units)}: expect noise"
            )
    return out


def _shut(settings: tuple[ValveSetting, ...]) -> list[str]:
    return [
        f"the valve of run {setting.run!r} is shut: no flow was asked for there"
        for setting in settings
        if setting.opening <= 0
    ]
