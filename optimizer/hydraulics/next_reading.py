"""Which one further measurement would tell explanations apart: the setting, and what each of them expects there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.errors import NetworkError
from optimizer.hydraulics.readings import Floats, Readings
from optimizer.model.calibration import BUCKET_AND_STOPWATCH, Calibration, Measurement
from optimizer.model.throttling import may_be_throttled

_SETTINGS = tuple(0.05 * step for step in range(4, 21))
_OPENINGS = (0.6, 0.4, 0.3)
_LEAST_FLOW = 0.04  # of the largest flow: a trickle is no reading to ask for
_ALIKE = 0.2  # accuracies: no hand would see a difference
_NEW = 0.075  # a setting as near as this to a measured one is no new one
_TELLS_APART = 2.0  # accuracies of the reading


@dataclass(frozen=True)
class NextReading:
    """A reading to take: its run, dial settings and valves, and the flow that each explanation expects [m³/s].

    `apart` says for each explanation whether this reading would tell it from the first one, if good to 5 %.
    """

    reading: Measurement
    expected_m3_s: tuple[float, ...]
    apart: tuple[bool, ...]


def best_next_reading(readings: Readings, explanations: Sequence[Calibration]) -> NextReading | None:
    """Return the reading that tells the first explanation from the most others; None where all expect the same.

    Of those that do equally well the one with the least flow is taken: a pump turned up can flood what its owner has
    never seen it fill.
    """
    if len(explanations) < 2:
        return None
    best: NextReading | None = None
    most = (0, 0.0)
    for candidate in _candidates(readings):
        try:
            flows = np.array([readings.flow_m3_s(candidate, one) for one in explanations])
        except NetworkError:
            continue  # a setting that can not be solved is not one to ask for
        if flows[0] < _LEAST_FLOW * readings.scale_m3_s or flows.min() < 0.0:
            continue
        distances = _distances(readings, candidate.run, flows)
        apart = distances >= _TELLS_APART
        worth = (int(apart.sum()), -float(flows.max()) if apart.any() else float(distances.max()))
        if (best is None and distances.max() > _ALIKE) or (best is not None and worth > most):
            best, most = NextReading(candidate, tuple(flows.tolist()), (False, *apart.tolist())), worth
    return best


def _distances(readings: Readings, run: str, flows: Floats) -> Floats:
    """Return how far the first flow is from each other, in spreads of a reading by bucket and stopwatch."""
    size = np.maximum(np.abs(flows[1:]), abs(flows[0]))
    level = max(move for one, move in zip(readings.measured, readings.level_m6_s2, strict=True) if one.run == run)
    spread = np.hypot(BUCKET_AND_STOPWATCH * size, level / (2.0 * size))
    distances: Floats = np.abs(flows[1:] - flows[0]) / spread
    return distances


def _candidates(readings: Readings) -> Iterator[Measurement]:
    """Yield readings in the runs measured so far: other dial settings first, then its valve partly closed."""
    for run in dict.fromkeys(one.run for one in readings.measured):
        same = [one for one in readings.measured if one.run == run]
        last = same[-1]
        for pump in readings.network.pumps.values():
            taken = [one.settings.get(pump.name, pump.speed) for one in same]
            for setting in _SETTINGS:
                if all(abs(setting - other) >= _NEW for other in taken):
                    settings = {**last.settings, pump.name: round(setting, 2)}
                    yield Measurement(run, 0.0, settings, dict(last.openings))
        if may_be_throttled(readings.network.runs[run]):
            for opening in _OPENINGS:
                yield Measurement(run, 0.0, dict(last.settings), {**last.openings, run: opening})
