"""Many networks of one shape solved together as arrays: losses that differ from draw to draw become flows.

The equations and Newton's steps are those of `newton`, each array with a first axis over the draws, all from one
solution near by. What a step alone does not settle (a check valve that flips, a draw far off) is said, to be solved one
by one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from optimizer.hydraulics.compiled import CompiledNetwork, Lift
from optimizer.hydraulics.friction import PipePieces
from optimizer.hydraulics.newton import CLOSES_BELOW_M3_S, DENSE_UP_TO, FLOOR_M_S, OPENS_ABOVE_M, State

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_MOST_STEPS = 12
_CLOSED_M = 1e-10  # energy equations that close this well count as solved
_CLOSED_M3_S = 1e-13


@dataclass(frozen=True)
class Drawn:
    """What differs from draw to draw; the first axis of every array is that of the draws, (n_draws, ...)."""

    coefficients: Floats  # (n_draws, 4, n_runs)
    pieces: PipePieces  # its arrays (n_draws, n_pieces), or without the first axis
    friction_factor: Floats  # (n_draws,)
    tee_factor: Floats  # (n_draws, n_junctions)
    device_factor: Floats  # (n_draws, n_devices)
    pump_factor: Floats  # (n_draws, n_pumps), in the order of the compiled pumps
    lift_square_s2_m5: Floats  # (n_draws, n_lifts)
    fixed_head_m: Floats  # (n_draws, n_points), NaN where the head is sought
    speeds: Floats  # (n_draws, n_pumps), fractions of full rpm

    def of(self, at: npt.NDArray[np.int64]) -> Drawn:
        """Return some of the draws."""
        arrays = {name: getattr(self, name)[at] for name in _EACH}
        return Drawn(pieces=pieces_at(self.pieces, at), **arrays)


_EACH = tuple(each.name for each in fields(Drawn) if each.name != "pieces")


def is_small(compiled: CompiledNetwork) -> bool:
    """Return whether many draws of a network are solved together; in a large one each alone is quicker."""
    return len(compiled.run_names) + int(np.isnan(compiled.fixed_head_m).sum()) <= DENSE_UP_TO


def as_compiled(compiled: CompiledNetwork, count: int) -> Drawn:
    """Return so many draws that differ in nothing from the network as it is: for one network from many starts."""

    def each(values: Sequence[float] | Floats) -> Floats:
        return np.repeat(np.array(values, dtype=np.float64)[None], count, axis=0)

    tees = 0 if compiled.junctions is None else compiled.junctions.count
    return Drawn(
        coefficients=each(compiled.coefficients),
        pieces=compiled.pieces,
        friction_factor=np.ones(count),
        tee_factor=np.ones((count, tees)),
        device_factor=np.ones((count, len(compiled.devices))),
        pump_factor=np.ones((count, len(compiled.pumps))),
        lift_square_s2_m5=each([lift.square_s2_m5 for lift in compiled.lifts]),
        fixed_head_m=each(compiled.fixed_head_m),
        speeds=each([pump.speed for pump in compiled.pumps]),
    )


class Batch:
    """Networks of one shape under many draws, started from one solution; its closed runs stay closed."""

    def __init__(self, compiled: CompiledNetwork, drawn: Drawn, start: State) -> None:
        self._c, self._d, self._start = compiled, drawn, start
        self._n = len(compiled.run_names)
        self._free = np.flatnonzero(np.isnan(compiled.fixed_head_m))
        self._held = start.closed
        area = compiled.narrowest_area_m2
        self._floor_m3_s = FLOOR_M_S * np.where(np.isnan(area), 1e-4, area)
        self._of_pieces = _one_hot(compiled.piece_run, self._n)
        self._heads = _incidence(compiled)
        self._free_heads = self._heads[:, self._free]
        self._afloat = (self._free[:, None] == np.asarray(start.afloat)).any(axis=1)
        self._base = self._constant_part()
        self._tees()

    def _constant_part(self) -> Floats:
        """Return what of the matrix no flow changes: heads in the energy equations, flows in the mass equations."""
        size = self._n + len(self._free)
        base = np.zeros((size, size))
        base[: self._n, self._n :] = np.where(self._held[:, None], 0.0, -self._free_heads)
        base[self._n :, : self._n] = np.where(self._afloat[:, None], 0.0, -self._free_heads.T)
        at = self._n + np.flatnonzero(self._afloat)
        base[at, at] = 1.0
        return base

    def _tees(self) -> None:
        """Set down the ties of tees to runs as matrices, and where their slopes stand in the matrix."""
        j = self._c.junctions
        if j is None:
            return
        rows, columns, values = j.gather
        self._gather = np.zeros((self._n, 2 * j.count))
        np.add.at(self._gather, (columns, rows), values)
        rows, columns, values = j.spread
        self._spread = np.zeros((2 * j.count, self._n))
        np.add.at(self._spread, (columns, rows), values)
        places, which = np.unique(j.slope_rows * self._n + j.slope_columns, return_inverse=True)
        self._slope_rows, self._slope_columns = np.divmod(places, self._n)
        self._slopes = np.zeros((4 * j.count, len(places)))
        for k in range(4):
            np.add.at(self._slopes, (k * j.count + j.slope_junction, which), j.slope_values[:, k])
        self._slopes[:, self._held[self._slope_rows]] = 0.0

    def solve(self, flow_m3_s: Floats | None = None) -> tuple[Floats, Bools]:
        """Return the flows (n_draws, n_runs), and which draws are solved, one-way runs as their heads want them.

        `flow_m3_s` is where each draw starts, (n_draws, n_runs); all from the one solution where it is left out.
        """
        count = len(self._d.friction_factor)
        flow = np.repeat(self._start.flow_m3_s[None, :], count, axis=0) if flow_m3_s is None else flow_m3_s.copy()
        head = np.where(np.isnan(self._d.fixed_head_m), self._start.head_m, self._d.fixed_head_m)
        open_, solved = np.arange(count), np.zeros(count, dtype=bool)
        for _ in range(_MOST_STEPS):
            loss, slope, tees = self._losses(flow[open_], open_)
            energy, mass = self._residuals(flow[open_], head[open_], loss)
            good = (np.abs(energy).max(axis=1, initial=0.0) <= _CLOSED_M) & (
                np.abs(mass).max(axis=1, initial=0.0) <= _CLOSED_M3_S
            )
            solved[open_[good]] = True
            open_, energy, mass, slope = open_[~good], energy[~good], mass[~good], slope[~good]
            tees = None if tees is None else tees[~good]
            if not len(open_):
                break
            step = self._step(energy, mass, slope, tees)
            flow[open_] += step[:, : self._n]
            head[np.ix_(open_, self._free)] += step[:, self._n :]
        return flow, solved & self._stand(flow, head)

    def rates(self, flow_m3_s: Floats, columns: npt.NDArray[np.int64]) -> Floats:
        """Return how the flows move with a loss k Q² added to some runs, (n_draws, n_runs, n_columns) [m³/s per s²/m⁵].

        Not a number in draws whose matrix is singular.
        """
        count = len(flow_m3_s)
        _, slope, tees = self._losses(flow_m3_s, np.arange(count))
        right = np.zeros((count, self._n + len(self._free), len(columns)))
        taken = flow_m3_s[:, columns]
        right[:, columns, np.arange(len(columns))] = np.where(self._held[columns], 0.0, -taken * np.abs(taken))
        try:
            found = np.linalg.solve(self._matrix(slope, tees), right)
        except np.linalg.LinAlgError:
            found = np.full_like(right, np.nan)
        return found[:, : self._n].astype(np.float64, copy=False)

    def _matrix(self, slope: Floats, tees: Floats | None) -> Floats:
        matrix = np.repeat(self._base[None], len(slope), axis=0)
        runs = np.arange(self._n)
        matrix[:, runs, runs] += np.where(self._held, 1.0, slope)
        if tees is not None:
            matrix[:, self._slope_rows, self._slope_columns] += tees
        return matrix

    def _residuals(self, flow: Floats, head: Floats, loss: Floats) -> tuple[Floats, Floats]:
        energy = np.where(self._held, flow, loss - head @ self._heads.T)
        mass = np.where(self._afloat, 0.0, -flow @ self._free_heads)
        return energy, mass

    def _step(self, energy: Floats, mass: Floats, slope: Floats, tees: Floats | None) -> Floats:
        matrix = self._matrix(slope, tees)
        right = -np.concatenate((energy, mass), axis=1)
        try:
            return np.linalg.solve(matrix, right[..., None])[..., 0].astype(np.float64, copy=False)
        except np.linalg.LinAlgError:
            return np.full_like(right, np.nan)  # solved one by one

    def _losses(self, flow: Floats, at: npt.NDArray[np.int64]) -> tuple[Floats, Floats, Floats | None]:
        """Return loss less pump head [m] and slope [s/m²] of every run, and the slope entries of the tees."""
        c, d = self._c, self._d
        size, back = np.abs(flow), flow < 0.0
        linear = np.where(back, d.coefficients[at, 2], d.coefficients[at, 0])
        square = np.where(back, d.coefficients[at, 3], d.coefficients[at, 1])
        loss = flow * (linear + square * size)
        slope = linear + 2.0 * square * np.maximum(size, self._floor_m3_s)
        if len(c.piece_run):
            head, rise = pieces_at(d.pieces, at).head_and_slope(flow[:, c.piece_run])
            factor = d.friction_factor[at, None]
            loss += (head * factor) @ self._of_pieces
            slope += (rise * factor) @ self._of_pieces
        for i, (run, curve) in enumerate(c.devices):
            head, rise = curve.heads_and_slopes(flow[:, run])
            times = c.conditions.loss_factor * d.device_factor[at, i]
            loss[:, run] += head * times
            slope[:, run] += rise * times
        for i, lift in enumerate(c.lifts):
            head, rise = lifted(lift, d.lift_square_s2_m5[at, i], flow[:, lift.run])
            loss[:, lift.run] += head
            slope[:, lift.run] += rise
        for i, pump in enumerate(c.pumps):
            head, rise = pump.curve.heads_and_slopes(flow[:, pump.run], d.speeds[at, i])
            loss[:, pump.run] -= head * d.pump_factor[at, i]
            slope[:, pump.run] -= rise * d.pump_factor[at, i]
        tees = None
        if c.junctions is not None:
            heads, slopes = c.junctions.shapes.rises_and_slopes(flow @ self._gather)
            both = np.concatenate((d.tee_factor[at], d.tee_factor[at]), axis=1)
            loss += (heads * both) @ self._spread
            tees = (slopes * np.concatenate((both, both), axis=1)) @ self._slopes
        return loss, np.maximum(slope, 1e-9), tees

    def _stand(self, flow: Floats, head: Floats) -> Bools:
        """Say of which draws every one-way run stands as its flow and heads want it."""
        direction = self._c.direction
        if not direction.any():
            return np.ones(len(flow), dtype=bool)
        loss, _, _ = self._losses(flow, np.arange(len(flow)))
        pull = (head @ self._heads.T - loss) * direction
        may = (direction != 0) & ~self._c.shut
        closing = may & ~self._held & (flow * direction < -CLOSES_BELOW_M3_S)
        opening = may & self._held & (pull > OPENS_ABOVE_M)
        flips: Bools = (closing | opening).any(axis=1)
        return ~flips


def _one_hot(index: npt.NDArray[np.int64], size: int) -> Floats:
    out = np.zeros((len(index), size))
    out[np.arange(len(index)), index] = 1.0
    return out


def _incidence(compiled: CompiledNetwork) -> Floats:
    """Return (n_runs, n_points): 1 where a run starts, -1 where it ends."""
    runs = np.arange(len(compiled.run_names))
    out = np.zeros((len(runs), len(compiled.point_names)))
    out[runs, compiled.start] += 1.0
    out[runs, compiled.end] -= 1.0
    return out


def pieces_at(pieces: PipePieces, at: npt.NDArray[np.int64] | int) -> PipePieces:
    """Return the pieces of some draws, or of one."""

    def taken(array: Floats) -> Floats:
        return array[at] if array.ndim > 1 else array

    return PipePieces(
        taken(pieces.length_m),
        taken(pieces.re_per_m3_s),
        taken(pieces.laminar_s_m3),
        taken(pieces.square_s2_m6),
        taken(pieces.rough),
        taken(pieces.bore_m),
        pieces.hazen_williams,
    )


def lifted(lift: Lift, square_s2_m5: Floats, flow: Floats) -> tuple[Floats, Floats]:
    """Return what check valves lose above b Q² below their least flow [m], and the slope; see `lift_head_and_slope`."""
    least = lift.least_flow_m3_s
    x = flow / least
    below = (x > 0.0) & (x < 1.0)
    head = np.where(below, 2.0 * square_s2_m5 * least**2 * x * (1.0 - x), 0.0)
    slope = 2.0 * square_s2_m5 * least * (1.0 - 2.0 * x)
    return head, np.where(below | (x == 0.0), slope, 0.0)
