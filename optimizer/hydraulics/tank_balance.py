"""Flows of a plumbing between fixed water levels → those of tanks that give no more than they get.

A gravity line takes what its head gives until the water has fallen to its mouth; from then on it runs partly full and
takes what its tank is fed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimizer.model.circuits import circuits, falling_lines, fed_surfaces, inflow_coefficients, once
from optimizer.model.network import Network, PointKind

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

_STILL_M3_S = 1e-9
_SHORT_M3_S = 1e-8  # less is what mass closes to


@dataclass(frozen=True)
class TankBalance:
    """Of each fed tank, from the highest: what runs into it, and the lines that take out of it what comes, no more.

    Arrays over runs: `into` counts what flows into the tank but for its gravity lines; `out` what those take out of it.
    `alone` are lines of pumps that run, each from a sump to this tank and nowhere else: one that is too weak runs back.
    """

    tanks: tuple[tuple[Floats, Floats, Indices, Indices], ...]

    def balanced(self, flows_m3_s: Floats) -> Floats:
        """Return flows, shape (..., n_runs), with the lines of each tank carrying no more than comes in.

        Several lines of one tank share it in the proportion of what they could carry. Where nothing comes in, nothing
        goes out once the water has fallen to the mouths; how long that takes is not asked here.
        """
        if not self.tanks:
            return flows_m3_s
        flows = flows_m3_s.copy()
        for into, out, runs, alone in self.tanks:
            back = np.minimum(flows[..., alone], 0.0)
            comes, goes = flows @ into - back.sum(axis=-1), -back.sum(axis=-1)
            flows[..., alone] -= back * (1.0 - _share(comes, goes))[..., None]
            flows[..., runs] *= _share(flows @ into, flows @ out)[..., None]
        return flows

    def rates(self, flows_m3_s: Floats, rates: Floats) -> Floats:
        """Return how the balanced flows move where flows (..., n_runs) move at rates (..., n_runs, n): the same shape.

        Where a tank gets just what its lines could take, this is the side on which they run full.
        """
        if not self.tanks:
            return rates
        flows, moves = flows_m3_s.copy(), rates.copy()
        for into, out, runs, alone in self.tanks:
            back = np.minimum(flows[..., alone], 0.0)
            back_moves = np.where((back < 0.0)[..., None], moves[..., alone, :], 0.0)
            goes, goes_moves = -back.sum(axis=-1), -back_moves.sum(axis=-2)
            comes, comes_moves = flows @ into + goes, into @ moves + goes_moves
            share, share_moves = _share(comes, goes), _share_moves(comes, goes, comes_moves, goes_moves)
            flows[..., alone] -= back * (1.0 - share)[..., None]
            moves[..., alone, :] -= back_moves * (1.0 - share)[..., None, None]
            moves[..., alone, :] += back[..., None] * share_moves[..., None, :]
            comes, goes, comes_moves, goes_moves = flows @ into, flows @ out, into @ moves, out @ moves
            share, share_moves = _share(comes, goes), _share_moves(comes, goes, comes_moves, goes_moves)
            moves[..., runs, :] *= share[..., None, None]
            moves[..., runs, :] += flows[..., runs, None] * share_moves[..., None, :]
            flows[..., runs] *= share[..., None]
        return moves


def _share(comes: Floats, goes: Floats) -> Floats:
    """Return which share of what goes out of a tank comes into it, 1 where there is enough."""
    comes = np.maximum(comes, 0.0)
    return np.where(goes > comes + _STILL_M3_S, comes / np.where(goes > 0.0, goes, 1.0), 1.0)


def _share_moves(comes: Floats, goes: Floats, comes_moves: Floats, goes_moves: Floats) -> Floats:
    """Return how `_share` moves (..., n) where what comes and what goes (...) move so, (..., n)."""
    short = (goes > np.maximum(comes, 0.0) + _STILL_M3_S)[..., None]
    comes_moves = np.where((comes > 0.0)[..., None], comes_moves, 0.0)
    comes, goes = np.maximum(comes, 0.0)[..., None], np.where(goes > 0.0, goes, 1.0)[..., None]
    return np.where(short, (comes_moves - comes / goes * goes_moves) / goes, 0.0)


@dataclass(frozen=True)
class Overdraft:
    """Of each fed tank: what flows into it but for its own gravity lines, (n_runs,), and the lines that end in it.

    These are lines of pumps that run, and that part on their way. One that runs backwards takes water out of the tank.
    Where less comes in, that ends once the water has fallen to the mouth of the line, or to its siphon break: from then
    on the line is taken to carry nothing, and the water in it goes where the pump sends it.
    """

    tanks: tuple[tuple[Floats, Indices], ...]

    def taking(self, balanced_m3_s: Floats) -> npt.NDArray[np.bool_]:
        """Say of every run whether it takes more out of a tank than comes in; flows (..., n_runs) as `balanced`."""
        found = np.zeros(balanced_m3_s.shape, dtype=bool)
        for counts, lines in self.tanks:
            over = balanced_m3_s @ counts < -_STILL_M3_S
            found[..., lines] |= over[..., None] & (balanced_m3_s[..., lines] < -_STILL_M3_S)
        return found


def overdraft(network: Network) -> Overdraft:
    """Return of which tanks a plumbing could take more than they get, through the lines of pumps that run."""
    return once(network, "overdraft", _overdraft_of)


def sole_feeds(network: Network) -> frozenset[str]:
    """Return the lines of pumps, parting on their way, that alone bring water to a tank: none runs back for long."""
    return once(network, "sole feeds", _sole_feeds_of)


def _sole_feeds_of(network: Network) -> frozenset[str]:
    names = tuple(network.runs)
    feeds = ((np.flatnonzero(tank.counts > 0.0), set(tank.parting.tolist())) for tank in _fed_tanks(network))
    return frozenset(names[into[0]] for into, parting in feeds if len(into) == 1 and int(into[0]) in parting)


def tank_balance(network: Network) -> TankBalance:
    """Return which tanks of a plumbing have to balance: those that are fed and have lines down out of them.

    Those are gravity lines, and lines whose pumps are off or too weak.

    None where the plumbing stands between levels that hold whatever flows (`Network.tanks_balance`).
    """
    return once(network, "balance", _balance_of)


def falling_short(network: Network, balanced_m3_s: Floats) -> dict[str, float]:
    """Return the fed tanks out of which pumps draw more than comes in, and by how much [m³/s], at flows (n_runs,).

    Such a tank empties: that is no steady state. Where outlets stand over several tanks and no tank is named for one
    of them, nothing is told: what it brings is not known.
    """
    over = {top for top, _ in network.falls}
    loose = [p.name for p in network.points.values() if p.kind is PointKind.OUTLET and p.name not in over]
    tanks = _fed_tanks(network)
    if loose and len(tanks) > 1:
        return {}
    short = {tank.name: -float(balanced_m3_s @ tank.counts) for tank in tanks}
    return {name: lack for name, lack in short.items() if lack > _SHORT_M3_S}


@dataclass(frozen=True)
class _FedTank:
    """A tank that is fed: what its runs count but for its gravity lines, and its lines, by index."""

    name: str
    counts: Floats
    into: Floats
    falling: Indices
    alone: Indices
    parting: Indices


def _fed_tanks(network: Network) -> tuple[_FedTank, ...]:
    return once(network, "fed tanks", _find_fed_tanks)


def _find_fed_tanks(network: Network) -> tuple[_FedTank, ...]:
    if not network.tanks_balance:
        return ()
    index = {name: i for i, name in enumerate(network.runs)}
    lines: dict[str, list[str]] = {}
    for top, circuit in falling_lines(network):
        lines.setdefault(top, []).extend(run.name for run in circuit.runs)
    falls = {name for names in lines.values() for name in names}
    single = {circuit.runs[0].name for circuit in circuits(network) if len(circuit.runs) == 1}
    found = []
    for name in sorted(fed_surfaces(network), key=lambda tank: -(network.points[tank].head_m or 0.0)):
        counts = np.zeros(len(index))
        for run, count in inflow_coefficients(network, name).items():
            counts[index[run]] = count
        own = np.array([index[run] for run in lines.get(name, ())], dtype=np.int64)
        into = counts.copy()
        into[own] = 0.0
        pumped = [run for run in network.runs.values() if run.end.point == name and run.name not in falls]
        alone = [index[run.name] for run in pumped if run.name in single and counts[index[run.name]] > 0.0]
        parting = [index[run.name] for run in pumped if run.name not in single and counts[index[run.name]] > 0.0]
        found.append(_FedTank(name, counts, into, own, *(np.array(each, dtype=np.int64) for each in (alone, parting))))
    return tuple(found)


def _overdraft_of(network: Network) -> Overdraft:
    return Overdraft(tuple((tank.into, tank.parting) for tank in _fed_tanks(network) if len(tank.parting)))


def _balance_of(network: Network) -> TankBalance:
    tanks = []
    for tank in _fed_tanks(network):
        if len(tank.falling) or len(tank.alone):
            out = np.zeros(len(tank.counts))
            out[tank.falling] = -tank.counts[tank.falling]
            tanks.append((tank.into, out, tank.falling, tank.alone))
    return TankBalance(tuple(tanks))
