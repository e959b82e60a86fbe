"""A run with a flow meter → between which flows it is in order: below something is clogged, above it has come apart.

Both limits are simulated, not guessed: the clog as a loss of section somewhere in the run, the break at every joint of
the run behind the pump. The meter sits near the start of its run, and normal readings scatter about the set flow.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from optimizer.errors import NetworkError
from optimizer.hydraulics import GRAVITY_M_S2, Variation, compile_network, solve_flows, solve_network
from optimizer.hydraulics.friction import area_m2
from optimizer.model.catalog import PIPES, Kind
from optimizer.model.network import Network, Point, PointKind, Run, RunEnd

CLOG = 0.5  # share of the section that a clog takes, where nothing else is stated
SCATTER = 0.05  # of the set flow: meters and days once the valves are trimmed; common practice, no source
_CUT = "where it came apart"
_BEHIND = "behind the last part"


@dataclass(frozen=True, slots=True)
class MeterLimits:
    """Flows of one metered run [m³/s].

    `low_m3_s` and `high_m3_s` are None where no limit can tell a clog or a break from normal scatter; `notes` then say
    why. `breaks` are (place, flow) of each simulated break; those in `unseen` look like normal running.
    """

    run: str
    flow_m3_s: float
    normal_m3_s: tuple[float, float]
    clogged_m3_s: float
    low_m3_s: float | None
    high_m3_s: float | None
    breaks: tuple[tuple[str, float], ...]
    unseen: tuple[str, ...]
    filter_line: bool = False  # from house water through a device: below the low limit the filter is due
    notes: tuple[str, ...] = ()


def limits_of(
    network: Network, run: str, *, window_low_m3_s: float = 0.0, clog: float = CLOG, scatter: float = SCATTER
) -> MeterLimits:
    """Return the limits of one run of a plumbing whose pumps and valves are set.

    The low limit lies halfway between what a clog leaves and the least normal reading; where the window of what the run
    feeds begins in between, it is that. The high limit lies halfway between the greatest normal reading and the least
    flow of all breaks that can be told from it.

    Parameters
    ----------
    window_low_m3_s
        Least flow that what the run feeds needs; 0 for none.
    clog
        Share of the section that is lost, above 0 and below 1.
    scatter
        Share of the set flow by which normal readings differ from it.

    Raises
    ------
    NetworkError
        When the plumbing has no solution, or the shares are out of range.
    """
    if not 0.0 < clog < 1.0 or not 0.0 < scatter < 1.0:
        raise NetworkError(f"clog {clog:g} and scatter {scatter:g} must both lie between 0 and 1")
    flow = solve_network(network).flows_m3_s[run]
    if flow <= 0.0:
        note = ("nothing flows forwards here, so a meter tells nothing",)
        return MeterLimits(run, flow, (flow, flow), flow, None, None, (), (), notes=note)
    normal = (flow * (1.0 - scatter), flow * (1.0 + scatter))
    clogged = clogged_flow_m3_s(network, run, clog)
    low, low_note = _low(normal[0], clogged, window_low_m3_s, clog)
    breaks = tuple(broken_flows(network, run))
    unseen = tuple(place for place, broken in breaks if broken <= normal[1])
    seen = [broken for _, broken in breaks if broken > normal[1]]
    high = (normal[1] + min(seen)) / 2.0 if seen else None
    filters = _is_filter_line(network, network.runs[run])
    notes = (*low_note, *_break_notes(breaks, unseen))
    return MeterLimits(run, flow, normal, clogged, low, high, breaks, unseen, filters, notes)


def _low(normal_low: float, clogged: float, window_low: float, clog: float) -> tuple[float | None, tuple[str, ...]]:
    if clogged < normal_low:
        middle = (clogged + normal_low) / 2.0
        return (window_low if clogged < window_low < normal_low else middle), ()
    note = f"a clog of {clog:.0%} of the section hardly changes the flow, for the valve takes most of the head"
    if 0.0 < window_low < normal_low:
        return window_low, (f"{note}: the low limit is the least flow that is needed here",)
    return None, (f"{note}: no low limit can tell it from normal readings",)


def _break_notes(breaks: tuple[tuple[str, float], ...], unseen: tuple[str, ...]) -> tuple[str, ...]:
    if not breaks:
        return ("a break could not be simulated: the run is part of a loop, or has no joint behind a pump",)
    if len(unseen) == len(breaks):
        return ("a break anywhere looks like normal running: no high limit can tell it; look for water instead",)
    if unseen:
        places = ", ".join(dict.fromkeys(unseen))
        return (f"a break near the end looks like normal running and is not seen by the meter: {places}",)
    return ()


def clogged_flow_m3_s(network: Network, run: str, clog: float = CLOG) -> float:
    """Return the flow of a run with a share of its section lost [m³/s]: in its devices, or else in its narrowest pipe.

    In a device the same flow runs faster by 1/(1 - clog), so its loss is 1/(1 - clog)² times the clean one. In a pipe
    the clog is a thin orifice of area ratio s = 1 - clog: K = (1/(s Cc) - 1)², Cc = 0.62 + 0.38 s³, on the velocity in
    the pipe.

    References
    ----------
    J. Weisbach's contraction coefficient, as in R. D. Blevins, Applied Fluid Dynamics Handbook, 1984 (from memory).
    """
    open_share = 1.0 - clog
    names = {part.name for part in network.runs[run].parts if part.kind is Kind.DEVICE}
    if names:
        devices = {
            name: replace(device, curve=tuple((q, h / open_share**2) for q, h in device.curve))
            if name in names
            else device
            for name, device in network.devices.items()
        }
        return solve_network(replace(network, devices=devices)).flows_m3_s[run]
    compiled = compile_network(network)
    added = np.zeros(len(compiled.run_names))
    at = compiled.run_index[run]
    added[at] = orifice_k(open_share) / (2.0 * GRAVITY_M_S2 * _narrowest_area_m2(network.runs[run]) ** 2)
    return float(solve_flows(compiled, Variation(added_square_s2_m5=added))[at])


def orifice_k(open_share: float) -> float:
    """Return K of a thin orifice on the velocity in the pipe, from the share of the section that is open; 0 at 1."""
    contraction = 0.62 + 0.38 * open_share**3
    return float((1.0 / (open_share * contraction) - 1.0) ** 2)


def _narrowest_area_m2(run: Run) -> float:
    pipes = [part.end_bores_m[0] for part in run.parts if part.kind in PIPES]
    bores = pipes or [bore for part in run.parts for bore in part.end_bores_m if bore > 0.0]
    if not bores:
        raise NetworkError(f"run {run.name!r} has no bore that could clog")
    return area_m2(min(bores))


def broken_flows(network: Network, run: str) -> Iterator[tuple[str, float]]:
    """Yield (place, flow into the run [m³/s]) of a break at each of its joints, all that lies behind it gone.

    Heights inside a run are not known, so the water is taken to leave at the highest point that the run can lead to:
    any lower and more of it runs. A break before the pump or of a run in a loop is not simulated.
    """
    whole = network.runs[run]
    gone = _behind(network, whole)
    if gone is None:
        return
    height_m = _highest_m(network, whole, gone)
    after = next((i for i, part in enumerate(whole.parts) if part.kind is Kind.PUMP), 0)
    for joint in range(after + 1, len(whole.parts) + 1):
        if joint == len(whole.parts) and network.points[whole.end.point].is_fixed:
            continue  # its own end
        place = f"after {whole.parts[joint - 1].words}" if joint < len(whole.parts) else _BEHIND
        yield place, solve_network(_cut(network, whole, joint, gone, height_m)).flows_m3_s[run]


def _behind(network: Network, run: Run) -> set[str] | None:
    """Return the runs that get their water through this one; None where they get it another way as well."""
    found: set[str] = set()
    waiting = [run.end.point]
    while waiting:
        point = network.points[waiting.pop()]
        if point.name == run.start.point and not point.is_fixed:
            return None
        if point.is_fixed:
            continue
        for other, _, _ in network.runs_at(point.name):
            if other.name in found or other.name == run.name:
                continue
            if any(part.kind is Kind.PUMP for part in other.parts):
                return None
            found.add(other.name)
            waiting += [other.start.point, other.end.point]
    return found


def _highest_m(network: Network, run: Run, behind: set[str]) -> float:
    runs = [network.runs[name] for name in behind]
    ends = [run.end.point, *(end.point for each in runs for end in (each.start, each.end))]
    heads = [network.points[name].head_m for name in ends]
    return max((head for head in heads if head is not None), default=0.0)


def _cut(network: Network, run: Run, joint: int, gone: set[str], height_m: float) -> Network:
    """Return the plumbing with a run that ends in the open after so many of its parts."""
    shorter = replace(run, parts=run.parts[:joint], end=RunEnd(_CUT))
    runs = {name: shorter if name == run.name else each for name, each in network.runs.items() if name not in gone}
    used = {end.point for each in runs.values() for end in (each.start, each.end)}
    points = {name: point for name, point in network.points.items() if name in used}
    points[_CUT] = Point(_CUT, PointKind.SURFACE, height_m, height_m)
    tees = {name: tee for name, tee in network.tees.items() if name in used}
    return replace(network, points=points, runs=runs, tees=tees)


def _is_filter_line(network: Network, run: Run) -> bool:
    """Return whether a run leads house water through a device."""
    has_device = any(part.kind is Kind.DEVICE for part in run.parts)
    seen, waiting = set[str](), [run.start.point]
    while waiting:
        name = waiting.pop()
        seen.add(name)
        if network.points[name].kind is PointKind.SUPPLY:
            return has_device
        if not network.points[name].is_fixed:
            waiting += [each.start.point for each, _, at_start in network.runs_at(name) if not at_start]
            waiting = [point for point in waiting if point not in seen]
    return False
