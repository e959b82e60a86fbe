"""Measured flows and the flows that the network gives under the same settings, for any set of factors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from optimizer.errors import NetworkError
from optimizer.hydraulics.compiled import CompiledNetwork, Variation, compile_network
from optimizer.hydraulics.network import solve_flows
from optimizer.model.calibration import Calibration, Measurement, pump_sources
from optimizer.model.catalog import THROTTLES
from optimizer.model.dial import RPM
from optimizer.model.throttling import valve_to_set

if TYPE_CHECKING:
    from optimizer.model.network import Network, Part, Run

Floats = npt.NDArray[np.float64]

_LEAST_SIGMA = 1e-3  # of the largest flow on a pump's curve: no reading of next to nothing is better known
LEVEL_M = 0.01  # how well anyone knows where the water stood: it rises and falls as the pump is turned up and down
_STEP_M = 0.1  # of lift, to see how flow follows it


@dataclass
class State:
    """One way the plumbing was set while something was measured, compiled once; the last flows start the next solve."""

    compiled: CompiledNetwork
    settings: Mapping[str, float]
    flows_m3_s: Floats | None = None


class Readings:
    """Measurements on a plumbing that is as described, without any factors of an earlier calibration."""

    def __init__(self, network: Network, measured: Sequence[Measurement]) -> None:
        self.network, self.measured = network, tuple(measured)
        self.sources = pump_sources(network)
        self._compiled: dict[tuple[tuple[str, float], ...], CompiledNetwork] = {}
        self._states: dict[tuple[tuple[tuple[str, float], ...], ...], State] = {}
        for one in self.measured:
            self._check(one)
        self.flows_m3_s = np.array([one.flow_m3_s for one in self.measured], dtype=np.float64)
        accuracy = np.array([one.accuracy for one in self.measured], dtype=np.float64)
        self.sigma_m3_s = np.maximum(np.abs(self.flows_m3_s) * accuracy, _LEAST_SIGMA * self.scale_m3_s)

    def off(self, expected_m3_s: Floats) -> Floats:
        """Return how far expected flows are from the readings, in spreads of these; shape (n_readings,).

        Flow goes with the root of the head that is left, so distances are taken in its square, which is nearly a
        straight line in every factor: (Q|Q| - M|M|) / spread. Its spread is 2|M|σ by the accuracy of the reading, and
        what a centimetre of water level does, which near shut-off is more.
        """
        goal = self.flows_m3_s
        spread = np.hypot(2.0 * np.maximum(np.abs(goal), self.sigma_m3_s) * self.sigma_m3_s, self.level_m6_s2)
        distance: Floats = (expected_m3_s * np.abs(expected_m3_s) - goal * np.abs(goal)) / spread
        return distance

    @cached_property
    def level_m6_s2(self) -> Floats:
        """Return how much the square of each flow moves with the water level; of the plumbing as described."""
        if not self.sources:
            return np.zeros(len(self.measured))
        full = dict.fromkeys(self.network.pumps, 1.0)
        at_full = [replace(one, settings=full) for one in self.measured]
        lower, higher = (
            self._flows(at_full, Calibration(height_shift_m=shift), both_ways=True) for shift in (_STEP_M, -_STEP_M)
        )
        slope: Floats = np.abs(higher * np.abs(higher) - lower * np.abs(lower)) / (2.0 * _STEP_M)
        return slope * LEVEL_M

    @property
    def scale_m3_s(self) -> float:
        """Return the largest flow on any pump's curve, or that was measured."""
        curves = [pump.curve[-1][0] for pump in self.network.pumps.values()]
        return max((*curves, *(abs(one.flow_m3_s) for one in self.measured)), default=1e-3)

    @property
    def distinct(self) -> int:
        """Return how many different things were measured: the most factors that the readings can carry."""
        return len({(one.run, *_key(one)) for one in self.measured})

    def expected_m3_s(self, calibration: Calibration, *, both_ways: bool = False) -> Floats:
        """Return the flow of every reading under the factors, shape (n_readings,).

        `both_ways` lets water run back through check valves, so that a pump too weak shows by how much.
        """
        return self._flows(self.measured, calibration, both_ways=both_ways)

    def _flows(self, measured: Sequence[Measurement], calibration: Calibration, *, both_ways: bool) -> Floats:
        alike: dict[object, Floats] = {}  # readings under the same settings are of one solution
        found = []
        for one in measured:
            key = _key(one)
            if key not in alike:
                alike[key] = self._solved(one, calibration, both_ways=both_ways)
            found.append(alike[key][self._state(one).compiled.run_index[one.run]])
        return np.array(found, dtype=np.float64)

    def flow_m3_s(self, reading: Measurement, calibration: Calibration, *, both_ways: bool = False) -> float:
        """Return the flow of a run under settings, whether measured or not, under the factors."""
        flows = self._solved(reading, calibration, both_ways=both_ways)
        return float(flows[self._state(reading).compiled.run_index[reading.run]])

    def _solved(self, reading: Measurement, calibration: Calibration, *, both_ways: bool) -> Floats:
        """Return the flows of all runs under the settings of a reading [m³/s]."""
        state = self._state(reading)
        compiled = state.compiled
        if both_ways and compiled.direction.any():
            compiled = replace(compiled, direction=np.zeros_like(compiled.direction))
        variation = variation_of(calibration, self.network, state.settings, self.sources)
        state.flows_m3_s = solve_flows(compiled, variation, state.flows_m3_s)
        return state.flows_m3_s

    def _state(self, reading: Measurement) -> State:
        key = _key(reading)
        if key not in self._states:
            if key[1] not in self._compiled:
                self._compiled[key[1]] = compile_network(with_valves(self.network, reading.openings))
            self._states[key] = State(self._compiled[key[1]], dict(reading.settings))
        return self._states[key]

    def _check(self, one: Measurement) -> None:
        self.network.run(one.run)
        for name in one.settings:
            if name not in self.network.pumps:
                known = ", ".join(self.network.pumps) or "none"
                raise NetworkError(f"a reading names the pump {name!r}; the pumps are {known}")
        if not one.accuracy > 0.0:
            raise NetworkError(f"a reading in run {one.run!r} has accuracy {one.accuracy:g}; it must be above 0")


def _key(one: Measurement) -> tuple[tuple[tuple[str, float], ...], tuple[tuple[str, float], ...]]:
    return tuple(sorted(one.settings.items())), tuple(sorted(one.openings.items()))


def variation_of(
    calibration: Calibration,
    described: Network,
    settings: Mapping[str, float],
    sources: Sequence[str],
) -> Variation:
    """Return what the factors do to a compiled network that has none yet. Settings are those of the pumps' dials."""
    speeds = {}
    for name, pump in described.pumps.items():
        dial = calibration.dials.get(name, pump.dial) or RPM
        speeds[name] = dial.speed(settings.get(name, (pump.dial or RPM).setting(pump.speed)))
    factor = calibration.loss_factor
    return Variation(
        speeds=speeds,
        pump_head_factors=calibration.pump_head_factors,
        head_shifts_m=dict.fromkeys(sources, -calibration.height_shift_m),
        friction_factor=factor,
        fitting_factor=factor,
        device_factor=factor,
        tee_factor=factor,
    )


def with_valves(network: Network, openings: Mapping[str, float]) -> Network:
    """Return the plumbing with the valve of each of these runs at this opening: that which is set, or the first.

    Raises
    ------
    NetworkError
        When there is no such run, or it has no valve that can be throttled.
    """
    return network.with_runs({name: _opened(network.run(name), opening) for name, opening in openings.items()})


def _opened(run: Run, opening: float) -> Run:
    index = valve_to_set(run)
    if index is None:
        index = next((i for i, part in enumerate(run.parts) if part.kind in THROTTLES), None)
    if index is None:
        raise NetworkError(f"run {run.name!r} has no valve that can be throttled")
    valve: Part = replace(run.parts[index], opening=opening)
    return replace(run, parts=(*run.parts[:index], valve, *run.parts[index + 1 :]))
