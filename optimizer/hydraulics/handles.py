"""A solved plumbing and a valve that is turned → what flows then, all other valves as they are.

The plumbing becomes arrays once, and each turn is solved from the flows that it begins with.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from optimizer.errors import NetworkError
from optimizer.hydraulics.compiled import AS_COMPILED, CompiledNetwork, Variation, compile_network
from optimizer.hydraulics.elements import element_of
from optimizer.hydraulics.network import carried_flows_m3_s
from optimizer.model.network import Network


class Handles:
    """The flows of a plumbing with one of its valves at a time elsewhere than it stands.

    Parameters
    ----------
    network
        The plumbing with its valves where they stand.

    Raises
    ------
    NetworkError
        When the plumbing has no solution as it stands.
    """

    def __init__(self, network: Network) -> None:
        self._network = network
        self._compiled = compile_network(network)
        self._now_m3_s = carried_flows_m3_s(self._compiled)

    @property
    def flows_m3_s(self) -> Mapping[str, float]:
        """Return what flows as the valves stand [m³/s by run]."""
        return dict(zip(self._compiled.run_names, self._now_m3_s.tolist(), strict=True))

    def turned_m3_s(self, run: str, part_index: int, opening: float) -> Mapping[str, float]:
        """Return what flows with one valve this far open, 0 shut to 1 open [m³/s by run].

        Raises
        ------
        NetworkError
            When the plumbing has no solution then.
        """
        if self._network.runs[run].parts[part_index].opening == opening:
            return self.flows_m3_s
        compiled, variation = self._at(run, part_index, opening)
        try:
            flows = carried_flows_m3_s(compiled, variation, self._now_m3_s)
        except NetworkError:  # far from where it stood
            flows = carried_flows_m3_s(compiled, variation)
        return dict(zip(compiled.run_names, flows.tolist(), strict=True))

    def _at(self, run: str, part_index: int, opening: float) -> tuple[CompiledNetwork, Variation]:
        compiled, index = self._compiled, self._compiled.run_index[run]
        part = self._network.runs[run].parts[part_index]
        there = element_of(replace(part, opening=opening), compiled.conditions)
        if there.shut:
            shut = compiled.shut.copy()
            shut[index] = True
            return replace(compiled, shut=shut), AS_COMPILED
        added = np.zeros(len(compiled.run_names))
        added[index] = there.square_s2_m5 - compiled.elements[index][part_index].square_s2_m5
        return compiled, Variation(added_square_s2_m5=added)
