"""Draws by chance → by how much head every path has too much or too little at given flows, and what a share of them is.

Where flows are known beforehand each loss is linear in the factors of its families, so a draw costs a product of
arrays and no solution. Readings narrow the draws themselves (`posterior`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from optimizer.hydraulics.batch import Batch
from optimizer.hydraulics.compiled import CompiledNetwork, Variation
from optimizer.hydraulics.draws import Draws, drawn_of
from optimizer.hydraulics.newton import State

Floats = npt.NDArray[np.float64]

CONFIDENCE = 0.95


def slack_m(
    compiled: CompiledNetwork,
    draws: Draws,
    flows_m3_s: Mapping[str, float],
    ways: Sequence[Sequence[str]],
    speeds: Mapping[str, float],
) -> Floats:
    """Return the head that every draw leaves on each way at given flows [m], shape (n_samples, n_ways).

    A way is the runs that water goes through, one after the other, from a fixed head to a fixed head. Below 0 there is
    not head enough. Valves stand as compiled, pumps run at `speeds` (fractions of full rpm).
    """
    index = compiled.run_index
    flow = np.array([flows_m3_s.get(name, 0.0) for name in compiled.run_names])
    drawn = drawn_of(compiled, draws, Variation(speeds=speeds), flow)
    still = State(flow, compiled.fixed_head_m, np.zeros(len(flow), dtype=bool), [])
    losses = Batch(compiled, drawn, still).losses_m(flow)
    out = np.empty((draws.samples, len(ways)))
    for k, way in enumerate(ways):
        runs = [index[name] for name in way]
        ends = compiled.start[runs[0]], compiled.end[runs[-1]]
        out[:, k] = drawn.fixed_head_m[:, ends[0]] - drawn.fixed_head_m[:, ends[1]] - losses[:, runs].sum(axis=1)
    return out


def least_share(works: int, draws: int) -> float:
    """Return the lower end of the one-sided 95 % confidence interval of a share, `works` of so many draws.

    References
    ----------
    C. J. Clopper, E. S. Pearson, The use of confidence or fiducial limits, Biometrika 26, 1934, pp. 404-413.
    """
    from scipy.special import betaincinv

    return 0.0 if works <= 0 else float(betaincinv(works, draws - works + 1, 1.0 - CONFIDENCE))
