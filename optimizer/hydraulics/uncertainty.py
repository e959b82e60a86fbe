"""How sure a predicted flow is: a few hundred solutions with everything that is not known drawn by chance, seeded.

What is not known, and how it is drawn: the K of each family of parts (one draw for all parts of a kind from one source,
within the band of the catalog row; of bends one for which handbook holds), what close coupling adds, throttled valves,
tees, openings, devices, the pump curve, the bore between average and minimum wall, roughness, the friction formula, and
heights. Flows that were measured narrow the draws, and bring in what a calibration may still have wrong, see
`posterior`.
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
from optimizer.hydraulics.posterior import draws_after, unknown_dials
from optimizer.hydraulics.tank_balance import tank_balance
from optimizer.model.doubt import Doubt, doubt_of
from optimizer.model.note import Note, note

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

    def change_band_m3_s(self, before: Uncertainty, runs: Sequence[str]) -> tuple[float, float] | None:
        """Return (low, high) of what some runs carry more together than before, draw by draw; None where not known.

        Both have to come from the same draws: what makes one flow less makes the other less too, and a change is surer
        than the flows that it lies between.
        """
        sums = []
        for each in (before, self):
            if not set(runs) <= set(each.run_names):
                return None
            span = each.sum_band_m3_s(runs)
            if span is None or np.isinf(span[1]):
                return None
            sums.append(each.flows_m3_s[:, [each.run_names.index(run) for run in runs]].sum(axis=1))
        change = sums[1] - sums[0]
        return float(share_below(change, _LOW)), float(share_below(change, HIGH))

    def chance_of(self, targets: Sequence[Target]) -> float | None:
        """Return the share of draws in which all targets are met at once, with valves and pumps as they are set.

        None where a flow in them is not known for want of points on a pump's curve; a flow that is known from below
        counts where a minimum alone is asked. A valve trimmed to a measured flow does better than one left as set.
        """
        index = {name: i for i, name in enumerate(self.run_names)}
        held = np.ones(len(self.flows_m3_s), dtype=bool)
        for target in targets:
            of = () if target.share is None else target.share.of
            for name in (*target.summed, *of):
                if name not in index:
                    raise NetworkError(f"a target names run {name!r}; the runs are {', '.join(self.run_names)}")
            if not self._tells(target):
                return None
            flow = self.flows_m3_s[:, [index[name] for name in target.summed]].sum(axis=1)
            held &= flow >= target.low_m3_s - _HELD * abs(target.low_m3_s)
            if target.high_m3_s is not None:
                held &= flow <= target.high_m3_s + _HELD * abs(target.high_m3_s)
            if target.share is not None:
                whole = self.flows_m3_s[:, [index[name] for name in of]].sum(axis=1)
                room = _HELD * np.abs(whole)
                held &= flow >= target.share.low * whole - room
                if target.share.high is not None:
                    held &= flow <= target.share.high * whole + room
        return float(held.mean())

    def _tells(self, target: Target) -> bool:
        """Return whether enough is known of the flows of a target to say in which draws it is met."""
        share = target.share
        counts = dict.fromkeys((*target.summed, *(() if share is None else share.of)), 1.0)
        doubts = [doubt.sums(counts) for doubt in (self.doubt, self.doubt_high)]
        from_below = target.high_m3_s is None and share is None
        return all(doubt.known("") or (from_below and not doubt.unknown) for doubt in doubts)


def chance_notes(drawn: Uncertainty, targets: Sequence[Target]) -> tuple[Note, ...]:
    """Return in what share of all cases a plumbing meets its targets as it is set; nothing where it has none to meet.

    Nothing, too, where the flows are not known.
    """
    asked = [target for target in targets if target.asks_for_flow or target.high_m3_s is not None or target.share]
    share = drawn.chance_of(asked) if asked else None
    return () if share is None else (note("all targets met in", share=share),)


def dial_notes(networks: Sequence[Network], calibrated: bool) -> tuple[Note, ...]:
    """Return which ranges are wide because nobody said what a pump's dial means; nothing once readings were fitted."""
    return () if calibrated else tuple(note("dial not stated", pump=name) for name in unknown_dials(networks))


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
    running: Sequence[Network] = (),
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
    running
        Networks whose flows are to come from the same draws.
    samples, seed
        How many draws; the same seed gives the same draws.

    Raises
    ------
    NetworkError
        When the plumbing can not be solved as it stands. A draw that can not be solved counts as the value itself.
    """
    if samples < 2:
        raise NetworkError(f"{samples} draws say nothing about a spread; at least 2")
    draws = draws_after(measured, measured_on or network, samples, seed, conditions, (network, *running))
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
