"""How sure a predicted flow is: a few hundred solutions with everything that is not known drawn by chance, seeded.

What is not known, and how it is drawn: the K of each family of parts (one draw for all parts of a kind from one source,
within the band of the catalog row), what close coupling adds, throttled valves, tees, openings, devices, the pump
curve, the bore between average and minimum wall, roughness, the friction formula, and heights. Flows that were measured
narrow the draws, and bring in what a calibration may still have wrong, see `posterior`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from optimizer.errors import NetworkError
from optimizer.hydraulics.compiled import compile_network
from optimizer.hydraulics.draws import settled_draws_m3_s
from optimizer.hydraulics.network import settled
from optimizer.hydraulics.posterior import draws_after
from optimizer.hydraulics.tank_balance import tank_balance
from optimizer.model.doubt import Doubt, doubt_of

if TYPE_CHECKING:
    from optimizer.hydraulics.conditions import Conditions
    from optimizer.model.calibration import Measurement
    from optimizer.model.network import Network
    from optimizer.model.system import Target

Floats = npt.NDArray[np.float64]

SAMPLES = 256
SEED = 20
_LOW, HIGH = 0.1, 0.9  # shares of the draws below an end of the band: 80 % of them lie in it
_HELD = 1e-5  # relative: the network closes heads to 1e-6 m


@dataclass(frozen=True)
class Uncertainty:
    """Flows of every run [m³/s] under each draw, shape (n_samples, n_runs), beside the predicted value.

    `doubt` is what the ends of pump curves leave unknown of the value, `doubt_high` of the high end of the band.
    """

    run_names: tuple[str, ...]
    value_m3_s: Mapping[str, float]
    flows_m3_s: Floats
    doubt: Doubt = field(default_factory=Doubt)
    doubt_high: Doubt = field(default_factory=Doubt)

    @property
    def band_m3_s(self) -> dict[str, tuple[float, float]]:
        """Return (low, high) of each run: the true flow lies between them in 8 of 10 cases.

        A run whose pump runs to the end of its curve has no band; where it does so only at the high end, that end is
        endless: nothing is known of it.
        """
        low, high = share_below(self.flows_m3_s, _LOW), share_below(self.flows_m3_s, HIGH)
        high = np.where([name in self.doubt_high.at_least for name in self.run_names], np.inf, high)
        bands = zip(self.run_names, zip(low.tolist(), high.tolist(), strict=True), strict=True)
        return {name: band for name, band in bands if self.doubt.known(name) and name not in self.doubt_high.unknown}

    def sum_band_m3_s(self, runs: Sequence[str]) -> tuple[float, float] | None:
        """Return (low, high) of what some runs carry together; None where that is not known."""
        counts = dict.fromkeys(runs, 1.0)
        if not self.doubt.sums(counts).known("") or self.doubt_high.sums(counts).unknown:
            return None
        flows = self.flows_m3_s[:, [self.run_names.index(run) for run in runs]].sum(axis=1)
        high = float(share_below(flows, HIGH)) if self.doubt_high.sums(counts).known("") else np.inf
        return float(share_below(flows, _LOW)), high

    def chance_of(self, targets: Sequence[Target]) -> float:
        """Return the share of draws in which all targets are met at once, with valves and pumps as they are set.

        A valve trimmed to a measured flow does better than one left at its computed setting.
        """
        index = {name: i for i, name in enumerate(self.run_names)}
        held = np.ones(len(self.flows_m3_s), dtype=bool)
        for target in targets:
            if target.run not in index:
                raise NetworkError(f"a target names run {target.run!r}; the runs are {', '.join(self.run_names)}")
            flow = self.flows_m3_s[:, index[target.run]]
            held &= flow >= target.low_m3_s * (1.0 - _HELD)
            if target.high_m3_s is not None:
                held &= flow <= target.high_m3_s * (1.0 + _HELD)
        return float(held.mean())


def share_below(draws: Floats, share: float) -> Floats:
    """Return the value below which a share of the draws lies, along the first axis, on the line between two draws.

    `np.quantile` does the same, and imports numpy's masked arrays for it, a tenth of the time of a short command.
    """
    ordered = np.sort(draws, axis=0)
    below = share * (len(ordered) - 1)
    first = int(below)
    between = below - first
    last = ordered[min(first + 1, len(ordered) - 1)]
    return np.asarray(ordered[first] + between * (last - ordered[first]), dtype=np.float64)


def uncertainty(
    network: Network,
    conditions: Conditions | None = None,
    *,
    measured: Sequence[Measurement] = (),
    measured_on: Network | None = None,
    samples: int = SAMPLES,
    seed: int = SEED,
) -> Uncertainty:
    """Return the flows of a plumbing with how sure they are.

    Parameters
    ----------
    network
        The plumbing to predict, with its factors from calibration.
    measured, measured_on
        Readings, and the plumbing (with the same factors) on which they were taken, if it is another one. Give them
        only when the factors came from them: they say how far the factors can still be off.
    samples, seed
        How many draws; the same seed gives the same draws.

    Raises
    ------
    NetworkError
        When the plumbing can not be solved as it stands. A draw that can not be solved counts as the value itself.
    """
    if samples < 2:
        raise NetworkError(f"{samples} draws say nothing about a spread; at least 2")
    draws = draws_after(measured, measured_on or network, samples, seed, conditions)
    compiled = compile_network(network, conditions)
    compiled, value = settled(compiled)
    flows = settled_draws_m3_s(compiled, draws, value)
    balance = tank_balance(network)
    value, flows = balance.balanced(value), balance.balanced(flows)
    names = compiled.run_names
    values = dict(zip(names, value.tolist(), strict=True))
    highs = dict(zip(names, share_below(flows, HIGH).tolist(), strict=True))
    return Uncertainty(names, values, flows, doubt_of(network, values), doubt_of(network, highs))


def band(
    network: Network,
    conditions: Conditions | None = None,
    *,
    measured: Sequence[Measurement] = (),
    measured_on: Network | None = None,
) -> dict[str, tuple[float, float]]:
    """Return the 80 % band (low, high) of the flow in every run [m³/s]; see `uncertainty`."""
    return uncertainty(network, conditions, measured=measured, measured_on=measured_on).band_m3_s
