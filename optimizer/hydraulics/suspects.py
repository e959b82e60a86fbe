"""A network that cannot be solved → what in it is so large or small that it is most likely a slip."""

from __future__ import annotations

from collections.abc import Iterator

from optimizer.model.catalog import PIPES
from optimizer.model.network import Network, Run
from optimizer.ranges import RANGES

_NARROW_M = 1e-3  # the bore of no pipe or valve
_BARELY_OPEN = 0.02
_MOST = 3


def suspects(network: Network, worst: str) -> str:
    """Return in words what is implausible, first in the worst run; without anything of the kind, where to look."""
    runs = [network.runs[worst], *(run for name, run in network.runs.items() if name != worst)]
    found = [
        *_of_run(runs[0]),
        *_of_machines(network),
        *_of_points(network),
        *(words for run in runs[1:] for words in _of_run(run)),
    ]
    if not found:
        return "Look at its valves, pump curve and the heads at its ends"
    return f"Implausible: {'; '.join(found[:_MOST])}"


def where(run: Run) -> str:
    """Return a run's name with its place in the file, where it has one."""
    return f"{run.name!r} ({run.place})" if run.place else repr(run.name)


def _of_run(run: Run) -> Iterator[str]:
    for part in run.parts:
        at = f"in run {where(run)}"
        if part.kind in PIPES and not RANGES["length"].low <= part.length_m <= RANGES["length"].high:
            yield f"{part.words} of {part.length_m:g} m {at}"
        if 0.0 < part.opening < _BARELY_OPEN:
            yield f"{part.words} {100 * part.opening:g} % open {at}"
        if part.end_bores_m and min(part.end_bores_m) < _NARROW_M:
            yield f"{part.words} with a bore of {1000 * min(part.end_bores_m):g} mm {at}"


def _of_machines(network: Network) -> Iterator[str]:
    for pump in network.pumps.values():
        flow, head = max(point[0] for point in pump.curve), max(point[1] for point in pump.curve)
        if head > RANGES["head"].high or flow > RANGES["flow"].high:
            yield f"pump {pump.name!r} with {head:g} m and {flow * 3600:g} m3/h"
    for device in network.devices.values():
        flow, loss = device.curve[-1]
        if loss > RANGES["head"].high or flow < 1e-7:
            yield f"device {device.name!r} with {loss:g} m at {flow * 3.6e6:g} L/h"


def _of_points(network: Network) -> Iterator[str]:
    for point in network.points.values():
        if point.head_m is not None and not abs(point.head_m) <= RANGES["head"].high:
            yield f"{point.kind} {point.name!r} with a head of {point.head_m:g} m"
