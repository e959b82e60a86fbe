"""A metered run → what can befall it, compiled once and solved at every speed: a clog, and a break at each joint."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from optimizer.errors import NetworkError
from optimizer.hydraulics import GRAVITY_M_S2, CompiledNetwork, Variation, compile_network
from optimizer.hydraulics.friction import area_m2
from optimizer.hydraulics.network import carried_flows_m3_s
from optimizer.model.catalog import PIPES, Kind
from optimizer.model.network import Network, Point, PointKind, Run, RunEnd
from optimizer.model.note import Note, note

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
