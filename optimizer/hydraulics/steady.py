"""A solved plumbing → other steady states that it may be in: solutions that other starts lead to."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from optimizer.errors import NetworkError
from optimizer.hydraulics.compiled import AS_COMPILED, CompiledNetwork, compile_network
from optimizer.hydraulics.newton import Newton
from optimizer.hydraulics.tank_balance import tank_balance

if TYPE_CHECKING:
    from optimizer.model.network import Network

Floats = npt.NDArray[np.float64]

_START_M_S = 0.5
_CHANCE_STARTS, _SEED = 6, 7
_APART = 1e-3  # of the largest flow: solutions that are nearer are one and the same


def other_states(network: Network, flows_m3_s: Mapping[str, float]) -> tuple[dict[str, float], ...]:
    """Return the flows of further steady states, each once [m³/s by run]; nothing where every start ends in the known.

    Tees make it possible: what one loses may fall while its flow rises, so that energy and mass can close twice. That
    no other state is found does not prove that there is none.
    """
    compiled = compile_network(network)
    if compiled.junctions is None:
        return ()  # losses that all rise with the flow leave one solution
    balance = tank_balance(network)
    known = [np.array([flows_m3_s[name] for name in compiled.run_names])]
    for start in _starts(compiled):
        try:
            found = balance.balanced(Newton(compiled, AS_COMPILED).run(start).flow_m3_s)
        except NetworkError:
            continue  # a start that leads nowhere tells of no state
        scale = max(float(np.abs(found).max()), 1e-9)
        if all(float(np.abs(found - other).max()) > _APART * scale for other in known):
            known.append(found)
    return tuple(dict(zip(compiled.run_names, one.tolist(), strict=True)) for one in known[1:])


def _starts(compiled: CompiledNetwork) -> Iterator[Floats]:
    area = np.where(np.isnan(compiled.narrowest_area_m2), 1e-4, compiled.narrowest_area_m2)
    for velocity_m_s in (-_START_M_S, 0.02, 4.0):
        yield velocity_m_s * area
    dice = np.random.default_rng(_SEED)  # the same every time
    for _ in range(_CHANCE_STARTS):
        yield dice.normal(scale=3.0 * _START_M_S, size=len(area)) * area
