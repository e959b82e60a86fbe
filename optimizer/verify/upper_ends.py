"""A plan's safety checks → the same at the upper end of what its flows may be: safe only as calculated is close."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from optimizer.hydraulics import compile_network
from optimizer.hydraulics.draws import settled_draws_m3_s
from optimizer.hydraulics.network import settled
from optimizer.hydraulics.posterior import draws_after
from optimizer.hydraulics.tank_balance import tank_balance
from optimizer.hydraulics.uncertainty import HIGH, share_below
from optimizer.model.checks import Check
from optimizer.model.circuits import fed_surfaces
from optimizer.model.network import Network
from optimizer.model.note import Note
from optimizer.model.plan import Plan, Verification, planned_networks
from optimizer.model.safety import SafetyCheck
from optimizer.model.system import System
from optimizer.model.tanks import Tank
from optimizer.verify.drain_back import inflow_coefficients
from optimizer.verify.running import Running, running
from optimizer.verify.safety import clogged_break_check, flow_checks, in_setting
from optimizer.verify.settings import with_openings

_DRAWS, _SEED = 256, 20  # as of the band


def with_upper_ends(system: System, plan: Plan, verification: Verification) -> Verification:
    """Return a verification whose safety checks have what they come to at the upper end of the band [their units].

    Water into a tank is taken at the 90th percentile of its draws, all flows raised in that proportion; what goes by no
    flow stays without one. Where a pump is past the end of its curve there, what it comes to is endless: not known.
    """
    safety = verification.safety
    if safety is None or not safety.checks:
        return verification
    highs: dict[Note, float] = {}
    networks = planned_networks(system, plan)
    for (name, at), network, flows in zip(system.ways_to_run, networks, verification.settings, strict=True):
        there = with_openings(network, verification.valves)
        rise = _rise(system, there)
        if rise is None:
            continue
        high = Running(network, {run: rise * flow for run, flow in flows.flows_m3_s.items()}, flows.velocities_m_s)
        for check in flow_checks(at, high, high):
            if check.quantity not in ("flow", "height", "volume") or (check.after is None and not check.least_after):
                continue
            if check.check is Check.RUNS_DRY:
                continue  # its limit is a flow as well, and rises with it
            most = math.inf if check.least_after or check.after is None else check.after  # past a curve's end: unknown
            for title in (in_setting(check.title, name), check.title):
                highs[title] = max(most, highs.get(title, 0.0))
    checks = tuple(
        check
        if check.title not in highs or check.after is None or check.least_after
        else replace(check, high=max(check.after, highs[check.title]))
        for check in safety.checks
    )
    there = with_openings(networks[0], verification.valves)
    return replace(verification, safety=replace(safety, checks=_with_clogged_breaks(system, there, checks)))


def _with_clogged_breaks(system: System, network: Network, checks: tuple[SafetyCheck, ...]) -> tuple[SafetyCheck, ...]:
    """Return the checks with a second row for what runs back where siphon breaks are clogged: they foul."""
    at = next((i for i, check in enumerate(checks) if check.check is Check.DRAIN_BACK), None)
    if at is None or checks[at].limit is None or system.settings:
        return checks
    row = clogged_break_check(system, running(system.network), running(network))
    return checks if row is None else (*checks[: at + 1], row, *checks[at + 1 :])


def _rise(system: System, network: Network) -> float | None:
    """Return by what the water into the fed tanks may exceed what is calculated, at its upper end."""
    compiled = compile_network(network)
    measured = system.measured if system.calibration is not None else ()
    compiled, value = settled(compiled)
    flows = settled_draws_m3_s(compiled, draws_after(measured, system.network, _DRAWS, _SEED), value)
    balance = tank_balance(network)
    value, flows = balance.balanced(value), balance.balanced(flows)
    tanks = {tank.name: tank for tank in system.tanks}
    rises = []
    for name in fed_surfaces(network):
        counts = inflow_coefficients(network, tanks.get(name, Tank(name)))
        row = np.array([counts.get(run, 0.0) for run in compiled.run_names])
        into = float(value @ row)
        if into > 0.0:
            rises.append(float(share_below(flows @ row, HIGH)) / into)
    return max([1.0, *rises]) if rises else None
