"""A plumbing today and after the work → what could flood, burst or run dry, and what of it the work makes worse.

The same at the upper end of what flows may be: safe only as calculated is close.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
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
from optimizer.model.note import Note, note
from optimizer.model.plan import Plan, Verification, planned_network, planned_networks
from optimizer.model.rules import Rules
from optimizer.model.safety import SafetyCheck, SafetyReport, Verdict
from optimizer.model.system import System
from optimizer.model.tanks import Tank
from optimizer.verify.coming_down import coming_checks
from optimizer.verify.drain_back import (
    FREE,
    FREEBOARD,
    RESERVE,
    START,
    drain_back,
    gross_inflow_m3_s,
    inflow_coefficients,
    inflow_m3_s,
    these,
)
from optimizer.verify.drains import carried_m3_s, drains_of, gravity_capacity_m3_s, has_drains, over_edge_m, untold
from optimizer.verify.into_sumps import back_into_m3, fullest_sump, starts, tightest
from optimizer.verify.remarks import opened, warnings_of
from optimizer.verify.running import STILL_M3_S, Running, fastest, pump_runs, running, running_pump_runs
from optimizer.verify.settings import with_openings
from optimizer.verify.shut_off import pressure_checks

DRAIN_BACK = note("drain-back")
_DRAWS, _SEED = 256, 20  # as of the band


def safety_today(system: System) -> SafetyReport:
    """Return what is unsafe, to be minded, or cannot be checked in the plumbing as it stands, in every setting."""
    there = [(name, at, running(at.network)) for name, at in system.ways_to_run]
    checks = [[*flow_checks(at, now, now)] for _, at, now in there]
    whole = tuple(pressure_checks(fastest(system, system.network), fastest(system, system.network)))
    warnings = [(name, each) for name, at, now in there for each in warnings_of(at, now)]
    return _report(system, _in_order(_over_settings(system, checks), whole), warnings, after=False)


def safety_of(system: System, plan: Plan, verification: Verification) -> SafetyReport:
    """Return what of a plan is unsafe. `failures` are what the work makes unsafe, or more unsafe than it is
    today, and what it leaves unsafe without the owner accepting that.

    Parameters
    ----------
    system, plan
        The plumbing as it stands, with its tanks and drains; what becomes of it.
    verification
        The planned plumbing solved as a network in every setting: its flows are those that drains and tanks have to
        take.
    """
    checks: list[list[SafetyCheck]] = []
    warnings: list[tuple[str, Note]] = []
    planned = planned_networks(system, plan)
    for (name, at), network, flows in zip(system.ways_to_run, planned, verification.settings, strict=True):
        set_so = network if verification.valves is None else with_openings(network, verification.valves)
        after = Running(set_so, flows.flows_m3_s, flows.velocities_m_s)
        checks.append([*flow_checks(at, running(at.network), after)])
        said = (*warnings_of(at, after), *opened(at, network, after, flows.all_open_m3_s))
        warnings += [(name, each) for each in said]
    then = planned_network(system.network, plan)
    whole = tuple(pressure_checks(fastest(system, system.network), fastest(system, then)))
    return _report(system, _in_order(_over_settings(system, checks), whole), warnings)


def _in_order(checks: tuple[SafetyCheck, ...], whole: tuple[SafetyCheck, ...]) -> tuple[SafetyCheck, ...]:
    """Return the checks of water first, then those of pressure, then pumps and speeds."""
    last = tuple(check for check in checks if check.quantity in ("count", "speed"))
    return (*(check for check in checks if check not in last), *whole, *last)


def unsafe_when(system: System, there: Running) -> tuple[Note, ...]:
    """Return what is unsafe while a plumbing runs as it does, whatever was before; nothing where it is safe."""
    return tuple(check.unsafe() for check in failing_checks(system, there))


def failing_checks(system: System, there: Running) -> tuple[SafetyCheck, ...]:
    """Return the checks behind that."""
    return tuple(check for check in flow_checks(system, there, there) if check.verdict is Verdict.UNSAFE)


def _over_settings(system: System, checks: Sequence[Sequence[SafetyCheck]]) -> tuple[SafetyCheck, ...]:
    """Return the checks of all settings, each with its setting's name; one that says the same in all of them once."""
    found: dict[Note, list[tuple[str, SafetyCheck]]] = {}
    for (name, _), there in zip(system.ways_to_run, checks, strict=True):
        for check in there:
            found.setdefault(check.title, []).append((name, check))
    out: list[SafetyCheck] = []
    for group in found.values():
        if len(group) == len(checks) and all(check == group[0][1] for _, check in group):
            out.append(group[0][1])
        else:
            out += [replace(check, title=in_setting(check.title, name)) for name, check in group]
    return tuple(out)


def in_setting(title: Note, name: str) -> Note:
    """Return the title of a check that is about one of several modes."""
    return note("check of a mode", what=title, mode=name)


def about_tank(title: Note) -> str:
    """Return the tank that a check is about, by its title, in whatever mode; empty where it is about none."""
    values = dict(title.values)
    inner, tank = values.get("what"), values.get("tank")
    return about_tank(inner) if isinstance(inner, Note) else tank if isinstance(tank, str) else ""


def with_safety(system: System, plan: Plan, verification: Verification) -> Verification:
    """Return a verification with what is to be said about safety; what the work makes unsafe fails it."""
    report = safety_of(system, plan, verification)
    return replace(
        verification,
        passed=verification.passed and not report.failures,
        warnings=(*verification.warnings, *report.warnings),
        failures=(*verification.failures, *report.failures),
        safety=report,
    )


def flow_checks(system: System, now: Running, after: Running) -> Iterator[SafetyCheck]:
    """Yield what depends on what flows, in one setting."""
    tanks = {tank.name: tank for tank in system.tanks}
    for name in fed_surfaces(after.network):
        tank = tanks.get(name, Tank(name))
        flows = (inflow_m3_s(now.network, now.flows_m3_s, tank), inflow_m3_s(after.network, after.flows_m3_s, tank))
        drains = (
            _drain_checks(system, tank, flows)
            if has_drains(system, tank.name)
            else _line_checks(system, tank, now, after)
        )
        for check in (*drains, _rim_check(system, tank, now, after)):
            yield _in_doubt(check, now, after, [tank])
        if (drawn := _drawn_check(tank, now, after)) is not None:
            yield _in_doubt(drawn, now, after, [tank])
    yield from coming_checks(system, now, after)
    if fed := [tanks.get(name, Tank(name)) for name in fed_surfaces(after.network)]:
        yield _in_doubt(drain_back_check(system, now, after), now, after, fed)
        yield _restart_in_doubt(_restart_check(system, now, after), now, after, fed)
    yield from _shut_checks(now, after)
    yield from _speed_check(now, after)


def _in_doubt(check: SafetyCheck, now: Running, after: Running, tanks: Sequence[Tank]) -> SafetyCheck:
    """Return a check with its numbers as what they are where a pump runs to the end of its curve: least ones, or none.

    They rise with what runs into the tanks, so a least one may be too much already; it is never known to be safe.
    """
    doubts = [each.doubt.sums(_into(each.network, tanks)) for each in (now, after)]
    (least_now, least_after) = (not doubt.known("") for doubt in doubts)
    if not least_now and not least_after:
        return check
    values = (None if doubt.unknown else value for doubt, value in zip(doubts, (check.now, check.after), strict=True))
    today, then = values
    found = replace(check, now=today, after=then, least_now=least_now, least_after=least_after)
    stated = check.verdict is not Verdict.UNCHECKED
    if least_after and stated and found.verdict is Verdict.UNCHECKED:
        return replace(found, why=note("more points", pumps=tuple(doubts[1].pumps)))
    return found


def _restart_in_doubt(check: SafetyCheck, now: Running, after: Running, tanks: Sequence[Tank]) -> SafetyCheck:
    """Return the check of the start: today's number goes by no flow; how much more gathers is not known from two."""
    if not now.doubt.sums(_into(now.network, tanks)).known(""):
        check = replace(check, after=check.now)
    return replace(_in_doubt(check, now, after, tanks), now=check.now, least_now=False)


def _into(network: Network, tanks: Sequence[Tank]) -> dict[str, float]:
    """Return what each run counts in what flows into all of some tanks."""
    counts: dict[str, float] = {}
    for tank in tanks:
        for run, count in inflow_coefficients(network, tank).items():
            counts[run] = counts.get(run, 0.0) + count
    return counts


def _drain_checks(system: System, tank: Tank, flows: tuple[float, float]) -> Iterator[SafetyCheck]:
    working, emergency = drains_of(system, tank.name)
    for check, what, drains, why in (
        (Check.MAIN_DRAIN, "main", working, note("rises to the emergency drain")),
        (Check.EMERGENCY_DRAIN, "emergency", emergency, note("runs over when blocked")),
    ):
        carried = carried_m3_s(system, tank, drains) if drains else None
        said = why if carried is not None else untold(system, tank, drains)
        title = note("inflow, drain", tank=tank.name, which=what)
        yield SafetyCheck(check, title, "flow", flows[0], flows[1], carried, said)


def _line_checks(system: System, tank: Tank, now: Running, after: Running) -> Iterator[SafetyCheck]:
    """Yield the checks of a tank that empties through gravity lines: they have to take all that comes in.

    So has its emergency drain, if there is one, with the lines blocked.
    """
    title = note("inflow, gravity lines", tank=tank.name)
    today, then = (gross_inflow_m3_s(each.network, each.flows_m3_s, tank) for each in (now, after))
    limit_now, limit = (gravity_capacity_m3_s(each.network, tank.name) for each in (now, after))
    why = note("runs over")
    yield SafetyCheck(Check.GRAVITY_LINES, title, "flow", today, then, limit, why, limit_now, why)
    title = note("inflow, drain", tank=tank.name, which="emergency")
    _, emergency = drains_of(system, tank.name)
    carried = carried_m3_s(system, tank, emergency) if emergency else None
    said = note("runs over when lines are blocked") if carried is not None else untold(system, tank, emergency)
    yield SafetyCheck(Check.EMERGENCY_DRAIN, title, "flow", today, then, carried, said)


def _drawn_check(tank: Tank, now: Running, after: Running) -> SafetyCheck | None:
    """Return that more leaves a tank than comes into it; None where that is so neither now nor after the work."""
    if not any(tank.name in each.short_m3_s for each in (now, after)):
        return None
    comes, leaves = [], []
    for each in (now, after):
        moves = [
            count * each.flows_m3_s.get(run, 0.0) for run, count in inflow_coefficients(each.network, tank).items()
        ]
        comes.append(sum(max(move, 0.0) for move in moves))
        out = sum(max(-move, 0.0) for move in moves)
        leaves.append(out if tank.name in each.short_m3_s else min(out, comes[-1]))
    why = note("tank runs dry", tank=tank.name)
    title = note("outflow, inflow", tank=tank.name)
    return SafetyCheck(Check.RUNS_DRY, title, "flow", leaves[0], leaves[1], comes[1], why, comes[0], why)


def _rim_check(system: System, tank: Tank, now: Running, after: Running) -> SafetyCheck:
    title = note("freeboard", tank=tank.name)
    if tank.overflow_edge_m is None or tank.rim_m is None:
        lack = note("edge and rim")
        return SafetyCheck(Check.FREEBOARD, title, "height", None, None, tank.rim_m, lack)
    today, then = (
        over_edge_m(each.network, system.drains, tank, inflow_m3_s(each.network, each.flows_m3_s, tank))
        for each in (now, after)
    )
    return SafetyCheck(Check.FREEBOARD, title, "height", today, then, tank.rim_m, note("runs over its rim"))


def drain_back_check(system: System, now: Running, after: Running) -> SafetyCheck:
    """The sump must hold what runs back 1.25 times over. What is known may be too much even if more is not stated."""
    backs = [drain_back(each.network, each.flows_m3_s, system.tanks, system.drains) for each in (now, after)]
    sump, volume_m3, free_m3 = fullest_sump(system, after.network, backs[1])
    limit = None if free_m3 is None else free_m3 / FREEBOARD
    was_m3 = back_into_m3(now.network, backs[0], system.drains, sump) if sump else backs[0].total_m3
    missing = [*backs[1].missing, *([FREE] if limit is None else [])]
    known = [
        volume if not back.missing or (limit is not None and volume > limit) else None
        for back, volume in zip(backs, (was_m3, volume_m3), strict=True)
    ]
    unsafe = limit is not None and known[1] is not None and known[1] > limit
    said = these(missing) if missing and not unsafe else note("sump runs over")
    title = note("drain-back into", tank=sump) if sump else DRAIN_BACK
    return SafetyCheck(Check.DRAIN_BACK, title, "volume", known[0], known[1], limit, said)


def clogged_break_check(system: System, now: Running, after: Running) -> SafetyCheck | None:
    """Return the same with every siphon break clogged, for they foul: close at most, as it takes two failures.

    None where no tank has one.
    """
    if not any(tank.has_break for tank in system.tanks):
        return None
    clogged = replace(system, tanks=tuple(tank.clogged for tank in system.tanks))
    check = drain_back_check(clogged, now, after)
    return replace(check, title=note("drain-back, break clogged"), second=True)


def _restart_check(system: System, now: Running, after: Running) -> SafetyCheck:
    """What a sump must give before the drains bring it back: what gathers first, and what the plan holds up more.

    Of several sumps the one that is emptied the most by its reserve.
    """
    before, found = (starts(system, each.network, each.flows_m3_s) for each in (now, after))
    was = {each.sump: each for each in before}
    tight = tightest(found, was)
    gathers, reserve = (None, None) if tight is None else (tight.gathers_m3, tight.reserve_m3)
    title = note("draw-down of", tank=tight.sump) if tight and len(found) > 1 else note("draw-down")
    missing = [*([RESERVE] if reserve is None else []), *([START] if gathers is None else [])]
    missing += drain_back(after.network, after.flows_m3_s, system.tanks, system.drains).untold
    if missing or tight is None:
        return SafetyCheck(Check.PUMP_RESERVE, title, "volume", None, None, reserve, these(missing))
    why = note("sucks air at every start")
    return SafetyCheck(Check.PUMP_RESERVE, title, "volume", gathers, tight.gives_m3(was.get(tight.sump)), reserve, why)


def _shut_checks(now: Running, after: Running) -> Iterator[SafetyCheck]:
    """A pump that moves nothing boils what is in it. The numbers count pumps against a shut line, none is the limit."""
    today, then = (
        float(sum(each.flows_m3_s[run.name] <= STILL_M3_S for run in running_pump_runs(each.network)))
        for each in (now, after)
    )
    if pump_runs(after.network):
        yield SafetyCheck(Check.DEAD_HEAD, note("dead-headed"), "count", today, then, 0.0, note("heats until it fails"))


def _speed_check(now: Running, after: Running) -> Iterator[SafetyCheck]:
    """The speed of water is told, and warned of where the plan is checked; it forbids nothing that stands."""
    today, then = (max(each.velocities_m_s.values(), default=0.0) for each in (now, after))
    yield SafetyCheck(Check.SPEED, note("highest velocity"), "speed", today, then, None, None)


def _report(
    system: System, checks: tuple[SafetyCheck, ...], warnings: Sequence[tuple[str, Note]], after: bool = True
) -> SafetyReport:
    forbidden = [check for check in checks if after and _forbids(check, system.rules)]
    lasting = [check for check in checks if check.verdict_now is Verdict.UNSAFE]
    return SafetyReport(
        checks=checks,
        failures=tuple(map(_forbidden, forbidden)),
        today=tuple(check.unsafe(today=True) for check in lasting),
        warnings=_named(system, warnings),
        unchecked=tuple(
            note("not checked", what=check.title, state=check.why)
            for check in checks
            if check.verdict is Verdict.UNCHECKED and check.why
        ),
    )


def _forbids(check: SafetyCheck, rules: Rules) -> bool:
    """Return whether a plan may not be: it makes this unsafe, or leaves it so and the owner does not accept that."""
    return check.worsened or (check.verdict is Verdict.UNSAFE and check.check not in rules.accepted)


def _forbidden(check: SafetyCheck) -> Note:
    """Return that a check forbids a plan, and what is to be said where it leaves unsafe what is so today."""
    unsafe = check.unsafe()
    return unsafe if check.worsened else note("left as it is", what=unsafe, check=str(check.check))


def _named(system: System, warnings: Sequence[tuple[str, Note]]) -> tuple[Note, ...]:
    """Return warnings with the settings that they are about; without one where they are about all."""
    about: dict[Note, list[str]] = {}
    for name, told in warnings:
        about.setdefault(told, []).append(name)
    many = len(system.ways_to_run)
    return tuple(
        told if len(names) == many else note("of modes", modes=tuple(names), what=told) for told, names in about.items()
    )


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
    compiled, value = settled(compiled)
    draws = draws_after(system.fitted_readings, system.network, _DRAWS, _SEED, running=(network,))
    flows = settled_draws_m3_s(compiled, draws, value)
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
