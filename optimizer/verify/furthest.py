"""Where valves stand when as much as possible of all least flows is reached at once: a small smooth program.

Raise s over valve positions x and s, so that in every setting each row has low(s) <= flows(x) <= high, the flows being
those of the network. What comes out is a start for the network solution, which alone says what is reached.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from optimizer.errors import NetworkError
from optimizer.hydraulics import Conditions, Variation, compile_network, solve_flows
from optimizer.verify.openings import Duty, all_open, pump_wants, valved_runs

Floats = npt.NDArray[np.float64]
_MOST_EXPONENT = 14.0
_STEP = 1e-4  # of an exponent, for a difference quotient
_STARTS = (0.3, 2.0)


@dataclass(frozen=True)
class Rows:
    """The rows of one setting: low + slope × s <= matrix × flows <= high."""

    matrix: Floats
    low: Floats
    slope: Floats
    high: Floats


def furthest(
    duties: Sequence[Duty], slopes: Sequence[Mapping[int, float]], conditions: Conditions, bounds: tuple[float, float]
) -> tuple[float, Mapping[str, float]] | None:
    """Return the largest s that was found within bounds, and what each valve adds there [s²/m⁵ by run]; None: none.

    `slopes` has for each duty what its rows' least flows grow by with s [m³/s], by their places; the least flows of
    the duties are those at s = 0.
    """
    try:
        work = _Work(duties, slopes, conditions)
        found = [work.climb(start, bounds) for start in _STARTS]
    except NetworkError:
        return None
    scale, exponents = max(found, key=lambda pair: pair[0])
    added = work.added(exponents)
    return scale, {name: float(added[column]) for name, column in zip(work.valves, work.columns, strict=True)}


class _Work:
    def __init__(self, duties: Sequence[Duty], slopes: Sequence[Mapping[int, float]], conditions: Conditions) -> None:
        networks = [all_open(duty.network) for duty in duties]
        self.compiled = [compile_network(network, conditions) for network in networks]
        self.names = self.compiled[0].run_names
        self.valves = valved_runs(networks[0])
        self.columns = [self.compiled[0].run_index[name] for name in self.valves]
        self.rows = [self._rows(duty, slope) for duty, slope in zip(duties, slopes, strict=True)]
        open_flows = [solve_flows(compiled) for compiled in self.compiled]
        self.guesses: list[Floats | None] = list(open_flows)
        self.unit_m3_s = max(float(np.abs(q).max()) for q in open_flows)
        largest = np.max([np.abs(q[self.columns]) for q in open_flows], axis=0)
        head_m = max(float(np.nanmax(c.fixed_head_m) - np.nanmin(c.fixed_head_m)) for c in self.compiled)
        self.scale = max(head_m, 1.0) / np.maximum(largest, 0.05 * self.unit_m3_s) ** 2

    def _rows(self, duty: Duty, slopes: Mapping[int, float]) -> Rows:
        wants = (*duty.wants, *pump_wants(duty.network))
        matrix = np.array([[want.coefficients.get(name, 0.0) for name in self.names] for want in wants])
        low = np.array([want.low_m3_s for want in wants])
        slope = np.array([slopes.get(i, 0.0) for i in range(len(wants))])
        high = np.array([want.high_m3_s for want in wants])
        return Rows(matrix.reshape(len(wants), len(self.names)), np.where(slope > 0.0, 0.0, low), slope, high)

    def added(self, exponents: Floats) -> Floats:
        out = np.zeros(len(self.names))
        out[self.columns] = self.scale * np.expm1(np.clip(exponents, 0.0, _MOST_EXPONENT))
        return out

    def amounts(self, exponents: Floats) -> list[Floats]:
        variation = Variation(added_square_s2_m5=self.added(exponents))
        out = []
        for i, (compiled, rows) in enumerate(zip(self.compiled, self.rows, strict=True)):
            flows = solve_flows(compiled, variation, self.guesses[i])
            self.guesses[i] = flows
            out.append(rows.matrix @ flows)
        return out

    def slack(self, amounts: Sequence[Floats], scale: float) -> Floats:
        """Return how far every finite limit is kept, below 0 where it is not, in parts of the largest flow."""
        out = []
        for amount, rows in zip(amounts, self.rows, strict=True):
            low = rows.low + rows.slope * scale
            out += [(amount - low)[np.isfinite(low)], (rows.high - amount)[np.isfinite(rows.high)]]
        return np.concatenate(out) / self.unit_m3_s

    def climb(self, start: float, bounds: tuple[float, float]) -> tuple[float, Floats]:
        from scipy import optimize

        minimize: Any = optimize.minimize  # its stubs do not take a constraint's own slopes

        count = len(self.valves)
        first = np.append(np.full(count, start), bounds[0])
        memo: dict[bytes, list[Floats]] = {}

        def amounts(x: Floats) -> list[Floats]:
            key = x[:count].tobytes()
            if key not in memo:
                memo[key] = self.amounts(x[:count])
            return memo[key]

        def slack(x: Floats) -> Floats:
            return self.slack(amounts(x), float(x[count]))

        def slopes(x: Floats) -> Floats:
            here = slack(x)
            out = np.empty((len(here), count + 1))
            for i in range(count + 1):
                step = np.zeros(count + 1)
                step[i] = _STEP
                out[:, i] = (slack(x + step) - here) / _STEP
            return out

        found = minimize(
            lambda x: -float(x[count]),
            first,
            jac=lambda x: np.append(np.zeros(count), -1.0),
            bounds=[*[(0.0, _MOST_EXPONENT)] * count, bounds],
            constraints=[optimize.NonlinearConstraint(slack, 0.0, np.inf, jac=slopes)],
            method="SLSQP",
            tol=1e-7,
        )
        kept = float(slack(found.x).min(initial=0.0)) > -1e-5
        return (float(found.x[count]) if kept else 0.0), found.x[:count]
