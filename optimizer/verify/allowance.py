"""How much water tanks, drains and sump can take → whether flows may be set so high, and how much pipe may hold.

What runs back bends with the flows: over an edge h rises as Q^(2/3), so a limit on the sum of several tanks is no row.
But a tangent to a curve that bends down lies above it: what keeps to the tangents at some flows keeps the sumps dry. So
where the first valve positions let too much run back, tangents are tried as rows: at the flows that came out, and at
those with valves nearly shut, for what one tank does not get may come to little in another. What comes down into a tank
when pumps stop is no row either: it is told of the positions that came out.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from optimizer.choices.wants import Want
from optimizer.hydraulics import Conditions, solve_network
from optimizer.hydraulics.weirs import weir_flow_m3_s, weir_head_m
from optimizer.model.checks import Check
from optimizer.model.circuits import fed_surfaces, gravity_lines, sumps
from optimizer.model.network import Network
from optimizer.model.safety import WORSE
from optimizer.model.system import System
from optimizer.model.tanks import Tank
from optimizer.verify.coming_down import down_shares, open_to_more
from optimizer.verify.drain_back import (
    FREEBOARD,
    PIPE,
    DrainBack,
    drain_back,
    gross_inflow_m3_s,
    inflow_coefficients,
    inflow_m3_s,
    tank_key,
)
from optimizer.verify.drains import carried_m3_s, drains_of, gravity_capacity_m3_s, has_drains, most_over_edge_m3_s
from optimizer.verify.into_sumps import starts
from optimizer.verify.openings import TOLERANCE, Duty, Settled, settle
from optimizer.verify.running import STILL_M3_S, Running, running_pump_runs
from optimizer.verify.settings import settings_of, with_openings

_LEAST_M3_S = 1e-6  # the head over an edge rises without end at rest
_NOT_WORSE = 1.0 + WORSE / 2.0  # what is unsafe today may stay so, but for rounding

_TANGENTS = 3
_ABOVE = 1.02  # of the least flow: room for the valves of other runs
_SMALL = 0.05


@dataclass(frozen=True)
class Allowance:
    """What may run into the tanks [m³/s by tank] and back into the sumps [m³] in one setting; None: not stated.

    The rows over flows that say so hold a plumbing to it, whatever is built of it.
    """

    system: System
    most_m3_s: Mapping[str, float]
    most_back_m3: float | None
    pumps_move: bool  # every pump that is switched on has to move water
    by_lines: tuple[str, ...] = ()  # tanks whose gravity lines have to take all that comes in
    tightest: Mapping[str, Check] = field(default_factory=dict)  # which check of a tank leaves it so little
    most_down: Mapping[str, float] = field(default_factory=dict)  # of what a tank takes, when pumps stop; else 1

    def flow_rows(self, network: Network) -> tuple[Want, ...]:
        """Return the rows of drains, rims, gravity lines and pumps: they are the same whatever pipe is built."""
        rows = [
            Want(f"water into {name}", inflow_coefficients(network, self._tank(name)), high_m3_s=most)
            for name, most in self.most_m3_s.items()
        ]
        rows += [self.lines_take_all(network, name) for name in self.by_lines]
        if self.pumps_move:
            rows += [
                Want(f"pump in {run.name}", {run.name: 1.0}, 1.001 * STILL_M3_S) for run in running_pump_runs(network)
            ]
        return tuple(rows)

    def lines_take_all(self, network: Network, name: str) -> Want:
        """Return the row that what flows into a tank is no more than what its gravity lines could carry."""
        own = [run for top, circuit in gravity_lines(network) if top == name for run in circuit.runs]
        lines = frozenset(run.name for run in own)
        counts = {run: c for run, c in inflow_coefficients(network, self._tank(name)).items() if run not in lines}
        counts |= {run.name: (run.end.point == name) - float(run.start.point == name) for run in own}
        return Want(f"lines out of {name}", {run: c for run, c in counts.items() if c}, high_m3_s=0.0, in_full=lines)

    def back_rows(self, network: Network, pipe_m3: float | None = None) -> tuple[Want, ...]:
        """Return the rows that keep what runs back within the sump, for a plumbing as built.

        The head over an edge rises with the flow, so for one tank this is a limit of its flow. Of several tanks each
        gets what the sump leaves with nothing over the edges of the others; `held.settle_held` sees to their sum.
        With `pipe_m3` the runs count as if they held so much, those of gravity lines too: 0 leaves the most there is.
        """
        if self.most_back_m3 is None:
            return ()
        still = self._back(network, {})
        spare_m3 = self.most_back_m3 - still.total_m3
        if pipe_m3 is not None:
            spare_m3 += still.volumes_m3.get(PIPE, 0.0) - pipe_m3
        rows = []
        for tank in self._over_edges(network):
            head_m = spare_m3 / (tank.area_m2 or 1.0)
            most = weir_flow_m3_s(tank.overflow_edge_m or 0.0, head_m) if head_m > 0.0 else -STILL_M3_S
            rows.append(Want(f"back from {tank.name}", inflow_coefficients(network, tank), high_m3_s=most))
        return tuple(rows)

    def excess_back_m3(self, network: Network, flows_m3_s: Mapping[str, float]) -> float:
        """Return how much more runs back than the sumps may take [m³]; 0 or less where they take it."""
        if self.most_back_m3 is None:
            return -1.0
        return self._back(network, flows_m3_s).total_m3 - self.most_back_m3

    def excess_down(self, network: Network, flows_m3_s: Mapping[str, float]) -> float:
        """Return by what share more comes into a tank than it takes when pumps stop; 0 or less where none gets more.

        The valves of the plumbing are set, and `flows_m3_s` what flows then.
        """
        shares = down_shares(self.system, Running(network, flows_m3_s, {}))
        return max((share / self.most_down.get(name, 1.0) - 1.0 for name, share in shares.items()), default=0.0)

    def heights_m(self, network: Network, volume_m3: float) -> dict[str, float]:
        """Return how high a volume would stand in the tank [m] that each run leads to or from."""
        return {
            name: volume_m3 / (tank.area_m2 or 1.0)
            for tank in self._over_edges(network)
            for name in inflow_coefficients(network, tank)
        }

    def tangent_rows(self, network: Network, flows_m3_s: Mapping[str, float]) -> tuple[Want, ...]:
        """Return a row that keeps what runs back of all tanks together within the sumps, by tangents at flows [m³/s].

        Of volume by flow a tangent lies above the curve, so what keeps to the row is safe, if a little early.
        """
        if self.most_back_m3 is None:
            return ()
        spare_m3 = self.most_back_m3 - self._back(network, {}).total_m3
        slopes_s: dict[str, float] = {}
        for tank in self._over_edges(network):
            inflow = max(inflow_m3_s(network, flows_m3_s, tank), _LEAST_M3_S)
            held_m3 = (tank.area_m2 or 0.0) * weir_head_m(tank.overflow_edge_m or 0.0, inflow)
            slope_s = held_m3 / inflow * 2.0 / 3.0  # of h ~ Q^(2/3)
            spare_m3 -= held_m3 - slope_s * inflow
            for run, count in inflow_coefficients(network, tank).items():
                slopes_s[run] = slopes_s.get(run, 0.0) + count * slope_s
        steepest = max(map(abs, slopes_s.values()), default=0.0)
        if steepest == 0.0:
            return ()
        row = {run: slope / steepest for run, slope in slopes_s.items()}
        return (Want("back from all tanks", row, high_m3_s=spare_m3 / steepest),)

    def most_pipe_m3(self, ranges_m3_s: Mapping[str, tuple[float, float]]) -> float | None:
        """Return the most that the runs which run off may hold [m³] whatever flows within these ranges; None: any."""
        if self.most_back_m3 is None:
            return None
        network = self.system.network
        still = self._back(network, {})
        least = still.total_m3 - still.volumes_m3.get(PIPE, 0.0)
        for tank in self._over_edges(network):
            coefficients = inflow_coefficients(network, tank)
            inflow = sum(c * ranges_m3_s[name][0 if c > 0.0 else 1] for name, c in coefficients.items())
            least += (tank.area_m2 or 0.0) * weir_head_m(tank.overflow_edge_m or 0.0, inflow)
        return self.most_back_m3 - least

    def _back(self, network: Network, flows_m3_s: Mapping[str, float]) -> DrainBack:
        return drain_back(network, flows_m3_s, self.system.tanks, self.system.drains)

    def _tank(self, name: str) -> Tank:
        return next((tank for tank in self.system.tanks if tank.name == name), Tank(name))

    def _over_edges(self, network: Network) -> list[Tank]:
        """Return the tanks of which drain-back knows all that it needs."""
        known = self._back(network, {}).volumes_m3
        return [self._tank(name) for name in fed_surfaces(network) if tank_key(name) in known]


def allowance_of(system: System, *, today_counts: bool) -> Allowance:
    """Return what tanks, drains and sumps take in a system as it is run in one setting (see `System.ways_to_run`).

    Where `today_counts`, what is too much already and accepted by the rules may stay as it is: the work may not make it
    worse.
    """
    network, accepted = system.network, system.rules.accepted if today_counts else ()
    now = solve_network(network).flows_m3_s
    limits, tightest = {}, {}
    for name, each in _flow_limits(system, network).items():
        flow = inflow_m3_s(network, now, _tank_of(system, name))
        limits[name], tightest[name] = min(
            (max(most, flow * _NOT_WORSE) if check in accepted and flow > most else most, check) for check, most in each
        )
    lines = tuple(
        name
        for name in lines_of(system, network)
        if not (Check.GRAVITY_LINES in accepted and _over_lines(system, name, now))
    )
    moving = all(now[run.name] > STILL_M3_S for run in running_pump_runs(network))
    most_back = most_back_m3(system, now, today_counts)
    shares = down_shares(system, Running(network, now, {})) if Check.FREEBOARD in accepted else {}
    down = {name: max(1.0, share * _NOT_WORSE) for name, share in shares.items()}
    return Allowance(system, limits, most_back, moving or Check.DEAD_HEAD not in accepted, lines, tightest, down)


def lines_of(system: System, network: Network) -> tuple[str, ...]:
    """Return the tanks that only gravity lines empty: these have to take all that comes in."""
    return tuple(name for name in fed_surfaces(network) if not has_drains(system, name))


def _over_lines(system: System, name: str, flows_m3_s: Mapping[str, float]) -> bool:
    network = system.network
    inflow = gross_inflow_m3_s(network, flows_m3_s, _tank_of(system, name))
    return inflow > gravity_capacity_m3_s(network, name)


def allowances_of(system: System, *, today_counts: bool) -> tuple[Allowance, ...]:
    """Return the allowance of every setting, in the order of `System.ways_to_run`."""
    return tuple(allowance_of(at, today_counts=today_counts) for _, at in system.ways_to_run)


def _tank_of(system: System, name: str) -> Tank:
    return next((tank for tank in system.tanks if tank.name == name), Tank(name))


def flow_limits_m3_s(system: System, network: Network) -> dict[str, float]:
    """Return the most that drains and rim let run into each tank [m³/s]; tanks that state neither are left out."""
    return {name: min(most for _, most in each) for name, each in _flow_limits(system, network).items()}


def _flow_limits(system: System, network: Network) -> dict[str, list[tuple[Check, float]]]:
    """Return the most that may run into each tank by each check of it [m³/s]; tanks that state nothing are left out."""
    limits: dict[str, list[tuple[Check, float]]] = {}
    for name in fed_surfaces(network):
        tank, (working, emergency) = _tank_of(system, name), drains_of(system, name)
        found = [
            (Check.MAIN_DRAIN, carried_m3_s(system, tank, working) if working else None),
            (Check.EMERGENCY_DRAIN, carried_m3_s(system, tank, emergency) if emergency else None),
            (Check.FREEBOARD, most_over_edge_m3_s(network, system.drains, tank)),
        ]
        known = [(check, flow) for check, flow in found if flow is not None]
        if known:
            limits[name] = known
    return limits


def may_flow(system: System, network: Network) -> Callable[[Mapping[str, float]], bool]:
    """Return a test of flows [m³/s by run]: do drains, rim and sump take what would run in this plumbing?

    What is not stated limits nothing here; it is reported as not checked elsewhere.
    """
    limits = flow_limits_m3_s(system, network)
    room_m3 = sump_room_m3(system, network)

    def takes(flows_m3_s: Mapping[str, float]) -> bool:
        for name, most in limits.items():
            if inflow_m3_s(network, flows_m3_s, _tank_of(system, name)) > most:
                return False
        if room_m3 is None:
            return True
        return drain_back(network, flows_m3_s, system.tanks, system.drains).total_m3 <= room_m3

    return takes


def sump_room_m3(system: System, network: Network) -> float | None:
    """Return what may run back into all sumps together [m³], with the usual freeboard; None where one states none."""
    free = volume_of_sumps(system, network, "free_volume_m3")
    return None if free is None else free / FREEBOARD


def volume_of_sumps(system: System, network: Network, what: str) -> float | None:
    """Return a volume that the sumps state, added up [m³]; None when one of them does not state it."""
    return volume_of(system, sumps(network), what)


def volume_of(system: System, tanks: Collection[str], what: str) -> float | None:
    """Return a volume that some tanks state, added up [m³]; None when one of them does not state it."""
    values = [getattr(_tank_of(system, name), what) for name in tanks]
    return None if not values or None in values else float(sum(values))


def most_back_m3(system: System, now_m3_s: Mapping[str, float], today_counts: bool = True) -> float | None:
    """Return the most that may run back after the work [m³]; None where too little is stated to tell.

    It must fit into the sump with its freeboard, and what the pump takes before it is back must not empty the sump.
    Where it is too much already and the rules accept that, the work may at least not add to it, if `today_counts`; a
    pump that is short of water at every start already no plan mends: nothing may run back.
    """
    network, accepted = system.network, system.rules.accepted
    now = drain_back(network, now_m3_s, system.tanks, system.drains)
    room = _room_left_m3(system, now, today_counts)
    limits = [] if room is None else [room]
    own = [(each.gathers_m3, each.reserve_m3) for each in starts(system, network, now_m3_s)]
    told = [(gathers, reserve) for gathers, reserve in own if gathers is not None and reserve is not None]
    if told and len(told) == len(own) and not now.untold:
        short = any(reserve < gathers for gathers, reserve in told) and Check.PUMP_RESERVE not in accepted
        more = sum(max(gathers * (_NOT_WORSE - 1.0), reserve - gathers) for gathers, reserve in told)
        limits.append(0.0 if short else now.total_m3 + more)
    return min(limits, default=None)


def room_left_m3(system: System) -> float | None:
    """Return what the sumps may take back after the work [m³], as they stand or as accepted; None: not stated."""
    now_m3_s = solve_network(system.network).flows_m3_s
    return _room_left_m3(system, drain_back(system.network, now_m3_s, system.tanks, system.drains), today_counts=True)


def _room_left_m3(system: System, now: DrainBack, today_counts: bool) -> float | None:
    room = sump_room_m3(system, system.network)
    if room is None or not today_counts or Check.DRAIN_BACK not in system.rules.accepted or now.total_m3 <= room:
        return room
    return max(room, now.total_m3 * _NOT_WORSE)


def settle_held(
    duties: Sequence[Duty],
    allowances: Sequence[Allowance],
    conditions: Conditions,
    hints_s2_m5: Sequence[Mapping[str, float]] = (),
    spare: float = 0.0,
) -> Settled | None:
    """Return what `settle` does; what runs back too much counts as a miss, as a share of what may.

    Parameters
    ----------
    duties, conditions, hints_s2_m5, spare
        As for `settle`.
    allowances
        What the sumps take in each of them; empty where it does not matter.
    """
    found = settle(duties, conditions, hints_s2_m5, spare)
    if found is None or not allowances:
        return found
    over = _over(duties, allowances, found)
    if found.met and over > TOLERANCE / 2:
        for other in _held_back(duties, allowances, conditions, found):
            if other.met and _over(duties, allowances, other) <= TOLERANCE / 2:
                return other
    return replace(found, miss=max(found.miss, over))


def _held_back(
    duties: Sequence[Duty], allowances: Sequence[Allowance], conditions: Conditions, found: Settled
) -> Iterator[Settled]:
    """Yield valve positions that may let less run back, the least throttled first."""
    valves = list(found.added_s2_m5)
    if valves:
        yield from _along_tangents(duties, allowances, conditions, found)
    for names in [[name] for name in valves] + ([valves] if len(valves) > 1 else []):
        pushed = settle([_pushed(duty, names, found) for duty in duties], conditions)
        if pushed is not None and pushed.met:
            yield from _along_tangents(duties, allowances, conditions, pushed)
            yield pushed


def _along_tangents(
    duties: Sequence[Duty], allowances: Sequence[Allowance], conditions: Conditions, found: Settled
) -> Iterator[Settled]:
    """Yield positions that keep to the tangents at flows, then to those at the flows that came of it, and so on."""
    at = found
    for _ in range(_TANGENTS):
        held = [
            replace(duty, wants=(*duty.wants, *most.tangent_rows(duty.network, at.flows_m3_s[duty.name])))
            for duty, most in zip(duties, allowances, strict=True)
        ]
        after = settle(held, conditions)
        if after is None or not after.met:
            return
        yield after
        at = after


def _pushed(duty: Duty, names: Sequence[str], found: Settled) -> Duty:
    """Return what is asked with some runs held to hardly more than they must carry, or to a small share of that."""
    rows = []
    for name in names:
        least = max([want.low_m3_s for want in duty.wants if dict(want.coefficients) == {name: 1.0}], default=0.0)
        most = max(_ABOVE * least, _SMALL * abs(found.flows_m3_s[duty.name][name]))
        rows.append(Want(f"{name} held back", {name: 1.0}, high_m3_s=most))
    return replace(duty, wants=(*duty.wants, *rows))


def _over(duties: Sequence[Duty], allowances: Sequence[Allowance], found: Settled) -> float:
    """Return by how much too much runs back, or down, in the worst setting, as a share of what may; 0: nowhere."""
    shares = [0.0]
    for duty, most in zip(duties, allowances, strict=True):
        flows = found.flows_m3_s[duty.name]
        shares.append(most.excess_back_m3(duty.network, flows) / max(most.most_back_m3 or 0.0, 1e-6))
        if found.met and open_to_more(duty.network):
            set_so = with_openings(duty.network, settings_of(duty.network, duty.name, found))
            shares.append(most.excess_down(set_so, flows))
    return max(shares)
