"""A solved plumbing → other steady states that it may be in: solutions that other starts lead to."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from optimizer.errors import NetworkError
from optimizer.hydraulics.batch import Batch, as_compiled, is_small
from optimizer.hydraulics.compiled import AS_COMPILED, CompiledNetwork, compile_network
from optimizer.hydraulics.network import settled
from optimizer.hydraulics.newton import Newton
from optimizer.hydraulics.tank_balance import tank_balance
from optimizer.model.doubt import doubt_of
from optimizer.model.note import Note, note

if TYPE_CHECKING:
    from optimizer.model.network import Network

Floats = npt.NDArray[np.float64]

_START_M_S = 0.5
_CHANCE_STARTS, _SEED = 6, 7
_STILL_M3_S = 1e-9
_APART = 1e-3  # of the largest flow: solutions that are nearer are one and the same
_SEEN_M3_S = 1e-7  # so are those that differ by less than this, a third of a litre an hour: water at rest


def other_states(network: Network, flows_m3_s: Mapping[str, float]) -> tuple[dict[str, float], ...]:
    """Return the flows of further steady states, each once [m³/s by run]; nothing where every start ends in the known.

    Tees and wyes make it possible: what one loses may fall while its flow rises, so that energy and mass can close
    twice. That no other state is found does not prove that there is none. Where a pump is at the end of its curve
    nothing is told: beyond it no flow is known.
    """
    compiled = compile_network(network)
    if compiled.junctions is None or doubt_of(network, flows_m3_s).pumps:
        return ()  # losses that all rise with the flow leave one solution
    if any(abs(flow) <= _STILL_M3_S for flow in flows_m3_s.values()):
        compiled, _ = settled(compiled)
    balance = tank_balance(network)
    known = [np.array([flows_m3_s[name] for name in compiled.run_names])]
    for found in balance.balanced(_ends(compiled, known[0], np.array(list(_starts(compiled))))):
        apart = max(_APART * float(np.abs(found).max()), _SEEN_M3_S)
        if all(float(np.abs(found - other).max()) > apart for other in known):
            known.append(found)
    others = (dict(zip(compiled.run_names, one.tolist(), strict=True)) for one in known[1:])
    return tuple(other for other in others if not doubt_of(network, other).pumps)


def state_notes(flows_m3_s: Mapping[str, float], others: Sequence[Mapping[str, float]]) -> list[Note]:
    """Return in which other steady states a plumbing may be, by the run that they differ in most."""
    told = []
    for other in others:
        run = max(other, key=lambda name: abs(other[name] - flows_m3_s[name]))
        told.append(note("two steady states", run=run, shown_m3_s=flows_m3_s[run], other_m3_s=other[run]))
    return told


def _ends(compiled: CompiledNetwork, known: Floats, starts: Floats) -> Floats:
    """Return the solutions that starts of shape (n_starts, n_runs) lead to; one that leads nowhere tells of none.

    All go together; one that Newton's steps alone do not bring home goes by itself, its steps halved where they must.
    """
    ends, home = starts, np.zeros(len(starts), dtype=bool)
    if is_small(compiled):
        with suppress(NetworkError), np.errstate(all="ignore"):  # a step into nowhere is solved by itself
            near = Newton(compiled, AS_COMPILED).run(known)
            ends, home = Batch(compiled, as_compiled(compiled, len(starts)), near).solve(starts)
    found = list(ends[home])
    for start in starts[~home]:
        with suppress(NetworkError):
            found.append(Newton(compiled, AS_COMPILED).run(start).flow_m3_s)
    return np.array(found).reshape(-1, len(compiled.run_names))


def _starts(compiled: CompiledNetwork) -> Iterator[Floats]:
    area = np.where(np.isnan(compiled.narrowest_area_m2), 1e-4, compiled.narrowest_area_m2)
    for velocity_m_s in (-_START_M_S, 0.02, 4.0):
        yield velocity_m_s * area
    dice = np.random.default_rng(_SEED)  # the same every time
    for _ in range(_CHANCE_STARTS):
        yield dice.normal(scale=3.0 * _START_M_S, size=len(area)) * area
