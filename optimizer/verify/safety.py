"""A plumbing today and after the work → what could flood, burst or run dry, and what of it the work makes worse."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from optimizer.hydraulics import GRAVITY_M_S2, fluid_of, pump_head_m, solve_network
from optimizer.hydraulics.weirs import weir_head_m
from optimizer.model.catalog import THROTTLES, Kind
from optimizer.model.network import Network, PointKind, Run
from optimizer.model.plan import Plan, Verification, planned_network
from optimizer.model.safety import DrainMode, SafetyCheck, SafetyReport, Tank, Verdict
from optimizer.model.system import System
from optimizer.units import show_flow
from optimizer.verify.allowance import sump_room_m3, volume_of_sumps
from optimizer.verify.drain_back import (
    DEVICE_VOLUME,
    drain_back,
    fed_surfaces,
    inflow_m3_s,
    pumped_runs,
)
from optimizer.verify.drains import together_m3_s

MARGIN = 1.25  # of drains: with less to spare than this they are close to what they carry; common practice, no source
_STILL_M3_S = 1e-9


@dataclass(frozen=True)
class Running:
    """A plumbing with what flows in it [m³/s] and how fast [m/s]."""

    network: Network
    flows_m3_s: Mapping[str, float]
    velocities_m_s: Mapping[str, float]


def safety_today(system: System) -> SafetyReport:
    """Return what is unsafe, to be minded, or can not be checked in the plumbing as it stands."""
    now = running(system.network)
    return _report(system, tuple(_checks(system, now, now)), _warnings(system, now), after=False)


def safety_of(system: System, plan: Plan, verification: Verification) -> SafetyReport:
    """Return what of a plan is unsafe. `failures` are what the work makes unsafe, or more unsafe than it is today.

    Parameters
    ----------
    system, plan
        The plumbing as it stands, with its tanks and drains; what becomes of it.
    verification
        The planned plumbing solved as a network: its flows are those that drains and tanks have to take.
    """
    planned = planned_network(system.network, plan)
    after = Running(planned, verification.flows_m3_s, verification.velocities_m_s)
    checks = tuple(_checks(system, running(system.network), after))
    wide_open = {check.run: check.all_open_m3_s for check in verification.demands}
    return _report(system, checks, [*_warnings(system, after), *_opened(system, planned, wide_open)])


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


def running(network: Network) -> Running:
    """Return a plumbing as it stands with its flows."""
    solution = solve_network(network)
    return Running(network, solution.flows_m3_s, solution.velocities_m_s)


def _checks(system: System, now: Running, after: Running) -> Iterator[SafetyCheck]:
    tanks = {tank.name: tank for tank in system.tanks}
    for name in fed_surfaces(after.network):
        tank = tanks.get(name, Tank(name))
        flows = (inflow_m3_s(now.network, now.flows_m3_s, tank), inflow_m3_s(after.network, after.flows_m3_s, tank))
        yield from _drain_checks(system, tank, flows)
        yield _rim_check(tank, flows)
    if fed_surfaces(after.network):
        yield _drain_back_check(system, now, after)
        yield _restart_check(system, now, after)
    yield from _pressure_checks(now.network, after.network)
    yield from _shut_checks(now, after)
    yield from _speed_check(now, after)


def _drain_checks(system: System, tank: Tank, flows: tuple[float, float]) -> Iterator[SafetyCheck]:
    own = [drain for drain in system.drains if drain.tank == tank.name]
    working = [drain for drain in own if drain.mode is not DrainMode.EMERGENCY]
    emergency = [drain for drain in own if drain.mode is DrainMode.EMERGENCY]
    water = system.network.water
    for what, drains, why in (
        ("working", working, "the water then rises to the emergency drain, or over the rim"),
        ("emergency", emergency, "with the working drain blocked the tank runs over"),
    ):
        carried = together_m3_s(drains, water) if drains else None
        state = "a drain of this kind under 'drains'" if not drains else "'drop' and 'head over lip' of its drains"
        title = f"water into {tank.name!r} against what its {what} drain carries"
        yield SafetyCheck(title, "flow", flows[0], flows[1], carried, why if carried is not None else state)


def _rim_check(tank: Tank, flows: tuple[float, float]) -> SafetyCheck:
    title = f"water over the edge of {tank.name!r} against its rim"
    if tank.overflow_edge_m is None or tank.rim_m is None:
        return SafetyCheck(title, "height", None, None, tank.rim_m, "'overflow edge' and 'rim above edge' of the tank")
    edge = tank.overflow_edge_m
    now, after = (weir_head_m(edge, flow) for flow in flows)
    return SafetyCheck(title, "height", now, after, tank.rim_m, "the tank runs over its rim before its edge takes it")


def _drain_back_check(system: System, now: Running, after: Running) -> SafetyCheck:
    """The sump must hold what runs back 1.25 times over. What is known may be too much even if more is not stated."""
    limit = sump_room_m3(system, after.network)
    title = "water that runs back when the pump stops against the room in the sump"
    backs = [drain_back(each.network, each.flows_m3_s, system.tanks, system.drains) for each in (now, after)]
    missing = [*backs[1].missing, *(["'free volume' of the sump"] if limit is None else [])]
    known = [
        back.total_m3 if not back.missing or (limit is not None and back.total_m3 > limit) else None for back in backs
    ]
    unsafe = limit is not None and known[1] is not None and known[1] > limit
    why = "the sump runs over when the power fails; a check valve is not counted on"
    return SafetyCheck(
        title, "volume", known[0], known[1], limit, ", ".join(missing) if missing and not unsafe else why
    )


def _restart_check(system: System, now: Running, after: Running) -> SafetyCheck:
    """What the sump must give before the drains bring it back: what gathers first, and what the plan holds up more."""
    title = "water that the pump takes before it is back against what the sump can give"
    reserve = volume_of_sumps(system, after.network, "reserve_m3")
    fed = [tank for tank in system.tanks if tank.name in fed_surfaces(after.network)]
    start = [tank.start_volume_m3 for tank in fed]
    backs = [drain_back(each.network, each.flows_m3_s, system.tanks, system.drains) for each in (now, after)]
    missing = [*(["'pump reserve' of the sump"] if reserve is None else [])]
    if not start or None in start:
        missing.append("'start volume' of the tanks that the pump feeds")
    missing += [text for text in backs[1].missing if DEVICE_VOLUME not in text]  # a device holds as much as before
    if missing:
        return SafetyCheck(title, "volume", None, None, reserve, ", ".join(missing))
    gathers = sum(volume for volume in start if volume is not None)
    more = max(0.0, backs[1].total_m3 - backs[0].total_m3)
    why = "the pump sucks air at every start; top up the sump only as far as it holds what runs back"
    return SafetyCheck(title, "volume", gathers, gathers + more, reserve, why)


def _pressure_checks(now: Network, after: Network) -> Iterator[SafetyCheck]:
    """The weakest part against the pressure at the lowest point with everything shut, and what has no rating."""
    today, then = shut_off_pressure_pa(now), shut_off_pressure_pa(after)
    if then is None:
        return
    rated, unrated = _ratings(after)
    rated_today, _ = _ratings(now)
    if rated:
        (rating, words), why = min(rated), "may burst; ratings are those of cool water, warm plastic bears less"
        title = "pressure with everything shut against what the weakest part is rated for"
        limit_now = min(rated_today)[0] if rated_today else None
        yield SafetyCheck(title, "pressure", today, then, rating, f"{words} {why}", limit_now)
    if unrated:
        some = ", ".join(unrated[:3]) + (", ..." if len(unrated) > 3 else "")
        title = "pressure with everything shut against parts without a rating"
        yield SafetyCheck(title, "pressure", today, then, None, f"a pressure rating of {some}")


def _ratings(network: Network) -> tuple[list[tuple[float, str]], list[str]]:
    """Return (rating [Pa], words) of the parts that have one, and the words of those that have none."""
    parts = [(part, run.name) for run in network.runs.values() for part in run.parts if part.item is not None]
    rated = [(part.item.pressure_rating_pa, f"{part.words} in run {run!r}") for part, run in parts if part.item]
    found = [(rating, words) for rating, words in rated if rating > 0.0]
    return found, sorted({part.words for part, _ in parts if part.item and not part.item.pressure_rating_pa > 0.0})


def shut_off_pressure_pa(network: Network) -> float | None:
    """Return the pressure at the lowest point with nothing flowing [Pa]; None without pump or supply.

    Every pump at the highest speed that its dial reaches; heights inside the runs are not known, so the lowest of all
    points counts.
    """
    heads = [
        point.head_m for point in network.points.values() if point.kind is PointKind.SUPPLY and point.head_m is not None
    ]
    for run in network.runs.values():
        source = network.points[run.start.point].head_m or 0.0
        pumps = [network.pumps[part.name] for part in run.parts if part.kind is Kind.PUMP]
        if pumps:
            heads.append(source + sum(pump_head_m(p, 0.0, max((p.speed, *p.speeds))) for p in pumps))
    if not heads:
        return None
    heights = [point.elevation_m for point in network.points.values() if point.elevation_m is not None]
    weight = fluid_of(network.water).density_kg_m3 * GRAVITY_M_S2
    return weight * (max(heads) - min(heights, default=0.0))


def _shut_checks(now: Running, after: Running) -> Iterator[SafetyCheck]:
    """A pump that moves nothing boils what is in it. The numbers count pumps against a shut line, none is the limit."""
    today, then = (
        float(sum(each.flows_m3_s[run.name] <= _STILL_M3_S for run in _pump_runs(each.network)))
        for each in (now, after)
    )
    if _pump_runs(after.network):
        why = "the pump heats the water in it until it fails"
        yield SafetyCheck("pumps that run against a shut line", "count", today, then, 0.0, why)


def _pump_runs(network: Network) -> list[Run]:
    return [run for run in network.runs.values() if any(part.kind is Kind.PUMP for part in run.parts)]


def _speed_check(now: Running, after: Running) -> Iterator[SafetyCheck]:
    """The speed of water is told, and warned of where the plan is checked; it forbids nothing that stands."""
    today, then = (max(each.velocities_m_s.values(), default=0.0) for each in (now, after))
    yield SafetyCheck("fastest water in the narrowest place of any run", "speed", today, then, None, "")


def _warnings(system: System, after: Running) -> list[str]:
    return [*_close_to_full(system, after), *_no_emergency(system, after), *_single_valves(after.network)]


def _close_to_full(system: System, after: Running) -> Iterator[str]:
    for name in fed_surfaces(after.network):
        tank = next((tank for tank in system.tanks if tank.name == name), Tank(name))
        working = [d for d in system.drains if d.tank == name and d.mode is not DrainMode.EMERGENCY]
        carried = together_m3_s(working, system.network.water) if working else None
        flow = inflow_m3_s(after.network, after.flows_m3_s, tank)
        if carried is not None and flow <= carried < MARGIN * flow:
            yield (
                f"the working drain of {name!r} carries {show_flow(carried, system.units)} by published losses, good "
                f"to 10 to 30 %, and has to carry {show_flow(flow, system.units)}: try it before you rely on it"
            )


def _no_emergency(system: System, after: Running) -> Iterator[str]:
    for name in fed_surfaces(after.network):
        own = [drain for drain in system.drains if drain.tank == name]
        if own and all(drain.mode is not DrainMode.EMERGENCY for drain in own):
            yield f"tank {name!r} has no emergency drain: when its drain blocks, all of the return goes on the floor"


def _single_valves(network: Network) -> Iterator[str]:
    """Yield the pumps whose whole flow one valve can shut."""
    for run in _pump_runs(network):
        branches = [each for each in pumped_runs(network) if network.points[each.end.point].is_fixed]
        row = [*run.parts, *(branches[0].parts if len(branches) == 1 else ())]
        behind = row[next(i for i, part in enumerate(row) if part.kind is Kind.PUMP) :]
        if any(part.kind in THROTTLES for part in behind):
            yield f"one valve shuts all that the pump in run {run.name!r} moves: never shut it while the pump runs"


def _opened(system: System, planned: Network, wide_open: Mapping[str, float]) -> Iterator[str]:
    """Yield the tanks whose emergency drain does not carry what comes with every valve fully open."""
    for name in fed_surfaces(planned):
        tank = next((tank for tank in system.tanks if tank.name == name), Tank(name))
        emergency = [d for d in system.drains if d.tank == name and d.mode is DrainMode.EMERGENCY]
        carried = together_m3_s(emergency, system.network.water) if emergency else None
        flow = inflow_m3_s(planned, wide_open, tank)
        if carried is not None and flow > carried:
            yield (
                f"with all valves fully open {show_flow(flow, system.units)} would run into {name!r}, more than its "
                f"emergency drain carries ({show_flow(carried, system.units)}): fix the handles at their settings"
            )


def _report(system: System, checks: tuple[SafetyCheck, ...], warnings: list[str], after: bool = True) -> SafetyReport:
    worsened = [check for check in checks if after and check.worsened]
    lasting = [check for check in checks if check.verdict_now is Verdict.UNSAFE]
    return SafetyReport(
        checks=checks,
        failures=tuple(unsafe_words(check, check.after, system.units) for check in worsened),
        today=tuple(unsafe_words(check, check.now, system.units) for check in lasting),
        warnings=tuple(warnings),
        unchecked=tuple(
            f"{check.title}: not checked; state {check.why}"
            for check in checks
            if check.verdict is Verdict.UNCHECKED and check.why
        ),
    )


def unsafe_words(check: SafetyCheck, value: float | None, units: str) -> str:
    """Return one unsafe check as a sentence: `water ... : 30.1 gal, the most is 12.0 gal: the sump runs over`."""
    return f"{check.title}: {check.shown(value, units)}, the most is {check.shown(check.limit, units)}: {check.why}"
