"""Runs and their flows → what each loses on its own, without pumps and tees, all at once."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from optimizer.hydraulics.compiled import AS_COMPILED, compile_network, without_tees
from optimizer.hydraulics.conditions import Conditions
from optimizer.hydraulics.newton import Newton
from optimizer.model.network import Network


class RunLosses:
    """What the runs of a plumbing lose at any flows; made once, asked many times.

    A check valve is taken as open; entrance and exit are in it, what tees and the reducers in their legs take is not.
    """

    def __init__(self, network: Network, conditions: Conditions) -> None:
        self._compiled = replace(without_tees(compile_network(network, conditions)), pumps=())
        self._shut = np.array([any(element.shut for element in parts) for parts in self._compiled.elements], dtype=bool)
        self._newton = Newton(self._compiled, AS_COMPILED)

    def at(self, flows_m3_s: Mapping[str, float]) -> dict[str, float]:
        """Return the head [m] that each run loses, with the sign of its flow; endless where something in it is shut."""
        names = self._compiled.run_names
        flows = np.array([flows_m3_s[name] for name in names])
        lost = self._newton.losses(flows)[0]
        lost = np.where(self._shut & (flows != 0.0), np.copysign(math.inf, flows), lost)
        return dict(zip(names, lost.tolist(), strict=True))
