"""Flows of a plumbing between fixed water levels → those of tanks that give no more than they get.

A gravity line takes what its head gives until the water has fallen to its mouth; from then on it runs partly full and
takes what its tank is fed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimizer.model.circuits import falling_lines, fed_surfaces, inflow_coefficients, once
from optimizer.model.network import Network

Floats = npt.NDArray[np.float64]

_STILL_M3_S = 1e-9


@dataclass(frozen=True)
class TankBalance:
    """Of each tank with gravity lines out of it, from the highest: what runs into it, and the runs of its lines.

    Arrays over runs: `into` counts what flows into the tank but for its lines; `out` what they take out of it.
    """

    tanks: tuple[tuple[Floats, Floats, npt.NDArray[np.int64]], ...]

    def balanced(self, flows_m3_s: Floats) -> Floats:
        """Return flows, shape (..., n_runs), with the lines of each tank carrying no more than comes in.

        Several lines of one tank share it in the proportion of what they could carry. Where nothing comes in, nothing
        goes out once the water has fallen to the mouths; how long that takes is not asked here.
        """
        if not self.tanks:
            return flows_m3_s
        flows = flows_m3_s.copy()
        for into, out, runs in self.tanks:
            comes, goes = flows @ into, flows @ out
            comes = np.maximum(comes, 0.0)
            share = np.where(goes > comes + _STILL_M3_S, comes / np.where(goes > 0.0, goes, 1.0), 1.0)
            flows[..., runs] = flows[..., runs] * share[..., None]
        return flows


def tank_balance(network: Network) -> TankBalance:
    """Return which tanks of a plumbing have to balance: those that are fed and have lines down out of them.

    Those are gravity lines, and lines whose pumps are off.

    None where the plumbing stands between levels that hold whatever flows (`Network.tanks_balance`).
    """
    return once(network, "balance", _balance_of)


def _balance_of(network: Network) -> TankBalance:
    lines: dict[str, list[str]] = {}
    for top, circuit in falling_lines(network) if network.tanks_balance else ():
        lines.setdefault(top, []).extend(run.name for run in circuit.runs)
    fed = set(fed_surfaces(network)) if lines else set()
    index = {name: i for i, name in enumerate(network.runs)}
    tanks = []
    for name in sorted(fed & set(lines), key=lambda tank: -(network.points[tank].head_m or 0.0)):
        counts = np.zeros(len(index))
        for run, count in inflow_coefficients(network, name).items():
            counts[index[run]] = count
        runs = np.array([index[run] for run in lines[name]], dtype=np.int64)
        out = np.zeros(len(index))
        out[runs] = -np.minimum(counts[runs], 0.0) - np.maximum(counts[runs], 0.0)
        counts[runs] = 0.0
        tanks.append((counts, out, runs))
    return TankBalance(tuple(tanks))
