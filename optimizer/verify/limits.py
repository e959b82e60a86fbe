"""A run with a flow meter → between which flows it is in order: below something is clogged, above it has come apart.

Both limits are simulated, not guessed: the clog as a loss of section somewhere in the run, the break at every joint of
the run behind the pump. The meter sits near the start of its run.

Two doubts are kept apart. How far the calculated flow may be off is a band, wide, and matters once: for the first
reading after the work. How far a meter's readings lie from one another is the scatter, small, and matters ever after:
clogged, whole and broken are told apart by what one meter reads of them, each a little off.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from optimizer.errors import NetworkError
from optimizer.hydraulics import GRAVITY_M_S2, CompiledNetwork, Variation, compile_network, solve_network
from optimizer.hydraulics.friction import area_m2
from optimizer.hydraulics.network import carried_flows_m3_s
from optimizer.model.catalog import PIPES, Kind
from optimizer.model.network import Network, Point, PointKind, Run, RunEnd
from optimizer.model.note import Note, note

SCATTER = 0.05  # of a flow: how far readings of one meter lie from it, day by day; common practice, no source
NOTHING_M3_S = 1e-7  # less than this and a meter stands still
CLOG = 0.5  # share of the section that a clog takes, where nothing else is stated
_CUT = "where it came apart"
_OTHER_HALF = "left behind the break"
_BEHIND = note("break at the end")

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Trials:
    """A run of a plumbing with a clog in it, and broken at each of its joints.

    `added_square_s2_m5` (n_runs,) is what the clog adds where it is not in the compiled network itself. `broken` are
    (place, plumbing with the run cut off there).
    """

    run: str
    clogged: CompiledNetwork
    added_square_s2_m5: Floats
    broken: tuple[tuple[Note, CompiledNetwork], ...]

    def clogged_flow_m3_s(
        self, speeds: Mapping[str, float] | None = None, flows_m3_s: Mapping[str, float] | None = None
    ) -> float:
        """Return what still flows [m³/s]; with pumps at other speeds, and flows near which the search begins."""
        variation = Variation(speeds=speeds or {}, added_square_s2_m5=self.added_square_s2_m5)
        found = carried_flows_m3_s(self.clogged, variation, _guess(self.clogged, flows_m3_s))
        return float(found[self.clogged.run_index[self.run]])

    def broken_flows_m3_s(
        self, speeds: Mapping[str, float] | None = None, flows_m3_s: Mapping[str, float] | None = None
    ) -> Iterator[tuple[Note, float]]:
        """Yield (place, flow into the run [m³/s]) of each break; arguments as above."""
        near = flows_m3_s
        for place, compiled in self.broken:
            found = carried_flows_m3_s(compiled, Variation(speeds=speeds or {}), _guess(compiled, near))
            near = dict(zip(compiled.run_names, found.tolist(), strict=True))  # the next joint is not far
            yield place, near[self.run]


def _guess(compiled: CompiledNetwork, flows_m3_s: Mapping[str, float] | None) -> Floats | None:
    return None if flows_m3_s is None else np.array([flows_m3_s.get(name, 0.0) for name in compiled.run_names])


def trials_of(network: Network, run: str, clog: float = CLOG) -> Trials:
    """Return a run clogged and broken.

    The clog sits in the run's devices, or else in its narrowest pipe. In a device the same flow runs faster by
    1/(1 - clog), so its loss is 1/(1 - clog)² times the clean one. In a pipe the clog is a thin orifice of area ratio
    s = 1 - clog: K = (1/(s Cc) - 1)², Cc = 0.62 + 0.38 s³, on the velocity in the pipe.

    Breaks are at every joint behind the pump. What lies behind is gone; in a loop, or where another pump feeds it too,
    water runs out of it through the break as well. Heights inside a run are not known, so the water is taken to leave
    at the highest point that the run can lead to: any lower and more of it runs. A break before the pump is not
    simulated: it draws air.

    References
    ----------
    J. Weisbach's contraction coefficient, as in R. D. Blevins, Applied Fluid Dynamics Handbook, 1984 (from memory).
    """
    clogged, added = _clogged(network, run, 1.0 - clog)
    return Trials(run, clogged, added, tuple(_broken(network, network.runs[run])))


def _clogged(network: Network, run: str, open_share: float) -> tuple[CompiledNetwork, Floats]:
    names = {part.name for part in network.runs[run].parts if part.kind is Kind.DEVICE}
    added = np.zeros(len(network.runs))
    if not names:
        compiled = compile_network(network)
        area_m2_narrow = _narrowest_area_m2(network.runs[run])
        added[compiled.run_index[run]] = orifice_k(open_share) / (2.0 * GRAVITY_M_S2 * area_m2_narrow**2)
        return compiled, added
    devices = {
        name: replace(device, curve=tuple((q, h / open_share**2) for q, h in device.curve)) if name in names else device
        for name, device in network.devices.items()
    }
    return compile_network(replace(network, devices=devices)), added


def _broken(network: Network, run: Run) -> Iterator[tuple[Note, CompiledNetwork]]:
    gone = _behind(network, run)
    height_m = _highest_m(network, run, gone)
    after = next((i for i, part in enumerate(run.parts) if part.kind is Kind.PUMP), 0)
    for joint in range(after + 1, len(run.parts) + 1):
        last = joint == len(run.parts)
        if last and (gone is None or network.points[run.end.point].is_fixed):
            continue  # its own end; in a loop the tee behind
        place = _BEHIND if last else note("break after", part=run.parts[joint - 1].words)
        yield place, compile_network(_cut(network, run, joint, gone, height_m))


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


def _highest_m(network: Network, run: Run, behind: set[str] | None) -> float:
    """Return the highest point that a run can lead to; in a loop that is any."""
    runs = network.runs.values() if behind is None else [network.runs[name] for name in behind]
    ends = [run.end.point, *(end.point for each in runs for end in (each.start, each.end))]
    heads = [network.points[name].elevation_m for name in ends if network.points[name].is_fixed]
    return max((head for head in heads if head is not None), default=0.0)


def _cut(network: Network, run: Run, joint: int, gone: set[str] | None, height_m: float) -> Network:
    """Return the plumbing with a run that ends in the open after so many parts, what is behind it gone or cut off."""
    runs = {name: each for name, each in network.runs.items() if name not in (gone or ())}
    runs[run.name] = replace(run, parts=run.parts[:joint], end=RunEnd(_CUT))
    if gone is None:
        runs[_OTHER_HALF] = replace(run, name=_OTHER_HALF, parts=run.parts[joint:], start=RunEnd(_CUT))
    used = {end.point for each in runs.values() for end in (each.start, each.end)}
    points = {name: point for name, point in network.points.items() if name in used}
    points[_CUT] = Point(_CUT, PointKind.SURFACE, height_m, height_m)
    tees = {name: tee for name, tee in network.tees.items() if name in used}
    return replace(network, points=points, runs=runs, tees=tees, falls=network.falls_among(points))


@dataclass(frozen=True, slots=True)
class MeterLimits:
    """Flows of one metered run [m³/s].

    `band_m3_s` is where the first reading lies in 8 of 10 cases, `normal_m3_s` where later ones do if the first was
    `flow_m3_s`. `low_m3_s` and `high_m3_s` are None where no limit can tell a clog or a break from normal scatter;
    `notes` then say why. As shares of `flow_m3_s` they hold for any first reading, but for a low limit that is what the
    run has to carry (`need_m3_s`). `breaks` are (place, flow) of each simulated break; those in `unseen` look like
    normal running.
    """

    run: str
    flow_m3_s: float
    band_m3_s: tuple[float, float]
    normal_m3_s: tuple[float, float]
    low_m3_s: float | None
    high_m3_s: float | None
    breaks: tuple[tuple[Note, float], ...]
    unseen: tuple[Note, ...]
    need_m3_s: float = 0.0  # the least that what the run feeds has to get
    filter_line: bool = False  # from house water through a device: below the low limit the filter is due
    notes: tuple[Note, ...] = ()

    @property
    def low_is_need(self) -> bool:
        return self.low_m3_s is not None and self.low_m3_s == self.need_m3_s

    @property
    def need_in_scatter(self) -> bool:
        """Return whether a normal reading may be less than what is needed here."""
        return self.need_m3_s > self.normal_m3_s[0]

    @property
    def first_tells(self) -> bool:
        """Return whether a first reading beyond a limit is more than the calculation may be off."""
        low_ok = self.low_m3_s is None or self.band_m3_s[0] >= self.low_m3_s
        return low_ok and (self.high_m3_s is None or self.band_m3_s[1] <= self.high_m3_s)


def limits_of(
    network: Network,
    run: str,
    *,
    window_low_m3_s: float = 0.0,
    clog: float = CLOG,
    scatter: float = SCATTER,
    band_m3_s: tuple[float, float] | None = None,
    trials: Trials | None = None,
    flows_m3_s: Mapping[str, float] | None = None,
) -> MeterLimits:
    """Return the limits of one run of a plumbing whose pumps and valves are set.

    The low limit lies halfway between the greatest reading that a clog leaves and the least normal one; where the
    window of what the run feeds begins in between, it is that. The high limit lies halfway between the greatest normal
    reading and the least reading of all breaks that can be told from it.

    Parameters
    ----------
    window_low_m3_s
        Least flow that what the run feeds needs; 0 for none.
    clog
        Share of the section that is lost, above 0 and below 1.
    scatter
        Share of the true flow by which readings differ from it.
    band_m3_s
        Where the flow may lie, as the uncertainty of the calculation has it; None: it is known.
    trials, flows_m3_s
        What `trials_of` returns for this run, clog and plumbing, its pumps at whatever speed, and the flows of the
        plumbing, where they are known already.

    Raises
    ------
    NetworkError
        When the plumbing has no solution, or the shares are out of range.
    """
    if not 0.0 < clog < 1.0 or not 0.0 < scatter < 1.0:
        raise NetworkError(f"clog {clog:g} and scatter {scatter:g} must both lie between 0 and 1")
    flows = flows_m3_s or solve_network(network).flows_m3_s
    flow = flows[run]
    band = band_m3_s or (flow, flow)
    if flow <= NOTHING_M3_S:
        still = (note("nothing flows forward"),)
        return MeterLimits(run, flow, band, (flow, flow), None, None, (), (), notes=still)
    normal = (flow * (1.0 - scatter), flow * (1.0 + scatter))
    trials = trials or trials_of(network, run, clog)
    speeds = {pump.name: pump.speed for pump in network.pumps.values()}
    clogged = trials.clogged_flow_m3_s(speeds, flows)
    low, low_note = _low(normal[0], clogged * (1.0 + scatter), window_low_m3_s, clog)
    breaks = tuple(trials.broken_flows_m3_s(speeds, flows))
    seen = [broken * (1.0 - scatter) for _, broken in breaks if broken * (1.0 - scatter) > normal[1]]
    unseen = tuple(place for place, broken in breaks if broken * (1.0 - scatter) <= normal[1])
    high = (normal[1] + min(seen)) / 2.0 if seen else None
    filters = _is_filter_line(network, network.runs[run])
    notes = (*low_note, *_break_notes(breaks, unseen))
    need = window_low_m3_s
    return MeterLimits(run, flow, band, normal, low, high, breaks, unseen, need, filters, notes)


def _low(normal_low: float, clogged: float, window_low: float, clog: float) -> tuple[float | None, tuple[Note, ...]]:
    """Return the low limit from the least normal reading and the greatest of a clogged run."""
    if clogged < normal_low:
        middle = (clogged + normal_low) / 2.0
        return (window_low if clogged < window_low < normal_low else middle), ()
    if 0.0 < window_low < normal_low:
        return window_low, (note("clog unseen above the minimum", clog_share=clog),)
    return None, (note("clog unseen", clog_share=clog),)


def _break_notes(breaks: tuple[tuple[Note, float], ...], unseen: tuple[Note, ...]) -> tuple[Note, ...]:
    if not breaks:
        return (note("no break to simulate"),)
    if len(unseen) == len(breaks):
        return (note("no break is seen"),)
    return ()  # those in `unseen` are told once for all meters


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
