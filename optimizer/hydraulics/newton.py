"""Newton's method on flows and heads together: a compiled network becomes flows that close mass and energy.

For every run, loss(q) - (head at start - head at end) = 0; for every free point, what flows in flows out. The global
gradient algorithm of Todini and Pilati (1988), with the full matrix, because tees tie the runs that meet in them.

References
----------
E. Todini, S. Pilati, A gradient algorithm for the analysis of pipe networks, in: Computer Applications in Water Supply,
vol. 1, Research Studies Press, 1988, pp. 1-20.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from optimizer.errors import NetworkError
from optimizer.hydraulics.compiled import CompiledNetwork, Variation
from optimizer.hydraulics.elements import lift_head_and_slope
from optimizer.hydraulics.junctions import summed
from optimizer.hydraulics.suspects import suspects, where

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

MASS_TOLERANCE_M3_S = 1e-9
ENERGY_TOLERANCE_M = 1e-6
_GOAL_M = 1e-11  # Newton doubles the digits, so the last step is free; the stated tolerance is what must be met
_STATUS_BELOW_M = 1e-2  # check valves are judged once the energy equations close this well
_MAX_ITERATIONS = 40
_MAX_HALVINGS = 8
_WORSE = 4.0  # a step may leave the worst energy equation this many times worse
# A tee's heads may fall as flow rises, and the steps can then swing to and fro for ever: begin again from other flows.
_RESTARTS = 30
_START_M_S = 0.3  # velocity of the cold start
DENSE_UP_TO = 160  # unknowns; beyond, a sparse factorization is faster
FLOOR_M_S = 1e-7  # velocity under which the slope of a square law is not let fall
CLOSES_BELOW_M3_S = 1e-10
OPENS_ABOVE_M = 1e-9


@dataclass
class State:
    """Where an iteration stands: flows (n_runs,), heads (n_points,), runs held shut, points without a fixed head."""

    flow_m3_s: Floats
    head_m: Floats
    closed: Bools
    afloat: list[int]  # one point of every part of the network that touches no fixed head
    iterations: int = 0
    energy_m: float = float("inf")
    mass_m3_s: float = float("inf")


class Newton:
    """One solution of one compiled network under one variation."""

    def __init__(self, compiled: CompiledNetwork, variation: Variation) -> None:
        self._c, self._v = compiled, variation
        self._n = len(compiled.run_names)
        shifts = np.array([variation.head_shifts_m.get(name, 0.0) for name in compiled.point_names])
        self._fixed = compiled.fixed_head_m + shifts
        self._is_free = np.isnan(compiled.fixed_head_m)
        self._free = np.flatnonzero(self._is_free)
        self._place = np.full(len(self._fixed), -1)
        self._place[self._free] = np.arange(len(self._free))
        area = compiled.narrowest_area_m2
        self._area = np.where(np.isnan(area), 1e-4, area)
        self._fitting = variation.fitting_factor
        self._square = np.array([compiled.coefficients[1], compiled.coefficients[3]]) * self._fitting
        self._square = self._square + variation.added_square_s2_m5
        self._linear = np.array([compiled.coefficients[0], compiled.coefficients[2]]) * self._fitting
        factor = variation.friction_factor
        self._piece_factor = factor if isinstance(factor, float | int) else factor[compiled.piece_run]
        devices = np.full(len(compiled.devices), compiled.conditions.loss_factor) * variation.device_factor
        self._device_factors: list[float] = devices.tolist()
        times = variation.fitting_factor
        self._lift_factors = [
            float(times if isinstance(times, float | int) else times[lift.run]) for lift in compiled.lifts
        ]
        self._pattern()

    # ---- the equations

    def losses(self, flow: Floats) -> tuple[Floats, Floats, Floats | None]:
        """Return loss less pump head [m] and slope [s/m²] of every run, and the slope entries of the tees."""
        c, v = self._c, self._v
        size = np.abs(flow)
        back = flow < 0.0
        linear = np.where(back, self._linear[1], self._linear[0])
        square = np.where(back, self._square[1], self._square[0])
        loss = flow * (linear + square * size)
        slope = linear + 2.0 * square * np.maximum(size, FLOOR_M_S * self._area)
        if len(c.piece_run):
            head, rise = c.pieces.head_and_slope(flow[c.piece_run])
            loss += summed(c.piece_run, head * self._piece_factor, self._n)
            slope += summed(c.piece_run, rise * self._piece_factor, self._n)
        for (run, curve), times in zip(c.devices, self._device_factors, strict=True):
            head_m, rise_s_m2 = curve.head_and_slope(float(flow[run]))
            loss[run] += head_m * times
            slope[run] += rise_s_m2 * times
        for lift, times in zip(c.lifts, self._lift_factors, strict=True):
            head_m, rise_s_m2 = lift_head_and_slope(lift.square_s2_m5, lift.least_flow_m3_s, float(flow[lift.run]))
            loss[lift.run] += head_m * times
            slope[lift.run] += rise_s_m2 * times
        for pump in c.pumps:
            head_m, rise_s_m2 = pump.curve.head_and_slope(float(flow[pump.run]), v.speeds.get(pump.name, pump.speed))
            factor = v.pump_head_factors.get(pump.name, 1.0)
            loss[pump.run] -= head_m * factor
            slope[pump.run] -= rise_s_m2 * factor
        entries = None
        if c.junctions is not None:
            heads, entries = c.junctions.heads_and_slopes(flow, v.tee_factor)
            loss += heads
        return loss, np.maximum(slope, 1e-9), entries

    def _residuals(self, state: State, loss: Floats) -> tuple[Floats, Floats]:
        c = self._c
        energy = loss - (state.head_m[c.start] - state.head_m[c.end])
        energy[state.closed] = state.flow_m3_s[state.closed]
        into = summed(c.end, state.flow_m3_s, len(self._fixed))
        mass = (into - summed(c.start, state.flow_m3_s, len(self._fixed)))[self._free]
        mass[self._place[state.afloat]] = 0.0
        return energy, mass

    # ---- the matrix

    def _pattern(self) -> None:
        """Places of the entries: slopes, tees, heads in the energy equations, flows in the mass equations."""
        c, n = self._c, self._n
        runs = np.arange(n)
        from_free, to_free = self._is_free[c.start], self._is_free[c.end]
        starts = n + self._place[c.start[from_free]]
        ends = n + self._place[c.end[to_free]]
        tee_rows = c.junctions.slope_rows if c.junctions is not None else np.array([], dtype=np.int64)
        tee_columns = c.junctions.slope_columns if c.junctions is not None else np.array([], dtype=np.int64)
        floats = n + np.arange(len(self._free))
        rows = (runs, tee_rows, runs[from_free], runs[to_free], starts, ends, floats)
        columns = (runs, tee_columns, starts, ends, runs[from_free], runs[to_free], floats)
        self._rows, self._columns = np.concatenate(rows), np.concatenate(columns)
        self._head_signs = np.concatenate((-np.ones(len(starts)), np.ones(len(ends))))
        self._tee_rows = tee_rows
        self._head_runs = np.concatenate((runs[from_free], runs[to_free]))
        self._mass_points = np.concatenate((starts, ends)) - n

    def _solve(self, state: State, slope: Floats, entries: Floats | None, right: Floats) -> Floats:
        """Solve the linearized equations for one right side, shape (n,), or several, shape (n, n_sides)."""
        held = state.closed
        afloat = np.zeros(len(self._free), dtype=bool)
        afloat[self._place[state.afloat]] = True
        data = np.concatenate(
            (
                np.where(held, 1.0, slope),
                np.array([]) if entries is None else np.where(held[self._tee_rows], 0.0, entries),
                np.where(held[self._head_runs], 0.0, self._head_signs),
                np.where(afloat[self._mass_points], 0.0, self._head_signs),
                np.where(afloat, 1.0, 0.0),
            )
        )
        size = self._n + len(self._free)
        if size <= DENSE_UP_TO:
            matrix = summed(self._rows * size + self._columns, data, size * size)
            return np.linalg.solve(matrix.reshape(size, size), right).astype(np.float64, copy=False)
        return _sparse_solve(data, self._rows, self._columns, size, right)

    def rates(self, state: State, runs: npt.NDArray[np.int64]) -> Floats:
        """Return d flow / d (square-law loss added to a run) at a solution [m⁸/s³], shape (n_runs, len(runs)).

        The implicit function theorem on the equations of the solution; runs held shut do not move.
        """
        _, slope, entries = self.losses(state.flow_m3_s)
        flow = state.flow_m3_s[runs]
        right = np.zeros((self._n + len(self._free), len(runs)))
        right[runs, np.arange(len(runs))] = np.where(state.closed[runs], 0.0, -flow * np.abs(flow))
        return self._solve(state, slope, entries, right)[: self._n]

    # ---- the iteration

    def start(self, guess_m3_s: Floats | None = None) -> State:
        c = self._c
        sign = np.where(c.direction < 0, -1.0, 1.0)
        flow = sign * _START_M_S * self._area if guess_m3_s is None else guess_m3_s.copy()
        head = np.where(self._is_free, 0.0, self._fixed)
        state = State(flow, head, c.shut.copy(), [])
        state.flow_m3_s[state.closed] = 0.0
        state.afloat = self._find_afloat(state)
        return state

    def shutting(self, state: State, runs: npt.NDArray[np.int64]) -> State:
        """Return a state with one-way runs shut besides, by index."""
        closed = state.closed.copy()
        closed[runs] = True
        shut = replace(
            state, flow_m3_s=np.where(closed, 0.0, state.flow_m3_s), head_m=state.head_m.copy(), closed=closed
        )
        shut.afloat = self._find_afloat(shut)
        return shut

    def run(self, guess_m3_s: Floats | None = None) -> State:
        """Iterate until mass and energy close and every one-way run stands as its flow or its heads want it.

        Raises
        ------
        NetworkError
            When the equations do not close; names the run that is worst.
        """
        state = self.start(guess_m3_s)
        restarts = _RESTARTS if self._c.junctions is not None else 0
        dice = None
        while not self._iterate(state):
            if restarts == 0:
                raise NetworkError(self._diagnosis(state, self.losses(state.flow_m3_s)[0]))
            restarts -= 1
            spent = state.iterations
            dice = dice or np.random.default_rng(1)  # the same flows every time
            state = self.start(dice.normal(scale=3.0 * _START_M_S, size=self._n) * self._area)
            state.iterations = spent
        return state

    def _iterate(self, state: State) -> bool:
        """Take steps until the equations close, and say whether they do."""
        evaluated = self.losses(state.flow_m3_s)
        best, rounds, last = float("inf"), 0, state.iterations + _MAX_ITERATIONS
        while state.iterations < last:
            evaluated = self._advance(state, evaluated)
            if state.energy_m < _STATUS_BELOW_M and self._switch(state, rounds, evaluated[0]):
                best, rounds = float("inf"), rounds + 1
                evaluated = self.losses(state.flow_m3_s)
                continue
            near = state.energy_m <= 1e-3 * ENERGY_TOLERANCE_M
            if state.energy_m <= _GOAL_M or (near and state.energy_m > 0.5 * best):
                break
            best = min(best, state.energy_m)
        return state.energy_m <= ENERGY_TOLERANCE_M and state.mass_m3_s <= MASS_TOLERANCE_M3_S

    def _advance(
        self, state: State, evaluated: tuple[Floats, Floats, Floats | None]
    ) -> tuple[Floats, Floats, Floats | None]:
        """Take one Newton step, halved while it makes the equations worse; return the losses where it ends."""
        loss, slope, entries = evaluated
        energy, mass = self._residuals(state, loss)
        try:
            step = self._solve(state, slope, entries, -np.concatenate((energy, mass)))
        except (np.linalg.LinAlgError, RuntimeError) as error:
            raise NetworkError(self._diagnosis(state, loss)) from error
        flow, head = state.flow_m3_s, state.head_m
        before = np.inf if np.isinf(state.energy_m) else float(np.abs(energy).max(initial=0.0))
        share = 1.0
        for halving in range(_MAX_HALVINGS + 1):
            state.flow_m3_s = np.where(state.closed, 0.0, flow + share * step[: self._n])
            state.head_m = head.copy()
            state.head_m[self._free] += share * step[self._n :]
            after = self.losses(state.flow_m3_s)
            energy, mass = self._residuals(state, after[0])
            state.energy_m = float(np.abs(energy).max(initial=0.0))
            state.mass_m3_s = float(np.abs(mass).max(initial=0.0))
            if state.energy_m <= _WORSE * before or halving == _MAX_HALVINGS:
                break
            share *= 0.5
        state.iterations += 1
        return after

    # ---- one-way runs and parts of the network that touch no fixed head

    def _switch(self, state: State, rounds: int, loss: Floats) -> bool:
        """Close one-way runs that run backwards and open closed ones that want to run; say whether any changed.

        `loss` is that of the state's flows, in which closed runs carry nothing.
        """
        direction = self._c.direction
        if not direction.any():
            return False
        pull = (state.head_m[self._c.start] - state.head_m[self._c.end] - loss) * direction
        may = (direction != 0) & ~self._c.shut
        closing = may & ~state.closed & (state.flow_m3_s * direction < -CLOSES_BELOW_M3_S)
        opening = may & state.closed & (pull > OPENS_ABOVE_M)
        if not (closing.any() or opening.any()):
            return False
        if rounds > 10:  # one at a time, the worst first: all at once may go round in a circle
            worst = int(np.argmax(np.where(closing, np.abs(state.flow_m3_s) * 1e6, 0.0) + np.where(opening, pull, 0.0)))
            closing, opening = closing & (np.arange(self._n) == worst), opening & (np.arange(self._n) == worst)
        state.closed = (state.closed | closing) & ~opening
        state.flow_m3_s = np.where(state.closed, 0.0, state.flow_m3_s)
        state.afloat = self._find_afloat(state)
        return True

    def _find_afloat(self, state: State) -> list[int]:
        """Return one point of every part of the network that touches no fixed head.

        A part that only closed check valves hold apart is tied back by the one that offers the most head: it opens,
        carries nothing, and gives that part its pressure.
        """
        while True:
            roots = self._roots(state)
            held = {roots[i] for i in np.flatnonzero(~self._is_free)}
            adrift = {roots[i]: int(i) for i in self._free[::-1] if roots[i] not in held}
            tied = self._tie(state, roots, held) if adrift else False
            if not tied:
                return sorted(adrift.values())

    def _tie(self, state: State, roots: list[int], held: set[int]) -> bool:
        c = self._c
        candidates = np.flatnonzero(state.closed & ~c.shut & (c.direction != 0))
        offers: list[tuple[float, int]] = []
        loss = self.losses(np.where(state.closed, 0.0, state.flow_m3_s))[0]
        for run in candidates:
            source, target = (c.start[run], c.end[run]) if c.direction[run] > 0 else (c.end[run], c.start[run])
            if roots[source] in held and roots[target] not in held:
                offers.append((float(state.head_m[source] - loss[run] * c.direction[run]), int(run)))
        if not offers:
            return False
        state.closed[max(offers)[1]] = False
        return True

    def _roots(self, state: State) -> list[int]:
        """Return for each point the part of the network that it is in: what open runs connect."""
        if self._n > DENSE_UP_TO:
            return self._labels(~state.closed)
        parent = list(range(len(self._fixed)))

        def root(i: int) -> int:
            while parent[i] != i:
                parent[i] = parent[parent[i]]
                i = parent[i]
            return i

        for run in np.flatnonzero(~state.closed):
            parent[root(int(self._c.start[run]))] = root(int(self._c.end[run]))
        return [root(i) for i in range(len(parent))]

    def _labels(self, open_runs: Bools) -> list[int]:
        from scipy.sparse import coo_matrix
        from scipy.sparse.csgraph import connected_components

        start, end, size = self._c.start[open_runs], self._c.end[open_runs], len(self._fixed)
        ties = coo_matrix((np.ones(len(start)), (start, end)), shape=(size, size))
        labels: list[int] = connected_components(ties, directed=False)[1].tolist()
        return labels

    def undetermined(self, state: State) -> Bools:
        """Say which points have no path to a fixed head, so that their pressure cannot be told."""
        roots = self._roots(state)
        adrift = {roots[i] for i in state.afloat}
        return np.array([root in adrift for root in roots], dtype=bool)

    def _diagnosis(self, state: State, loss: Floats) -> str:
        c = self._c
        energy, _ = self._residuals(state, loss)
        worst = int(np.argmax(np.abs(energy)))
        name, at_ends = c.run_names[worst], ~self._is_free[c.start] & ~self._is_free[c.end]
        idle = np.flatnonzero(
            at_ends & ~state.closed & (self._square.max(axis=0) <= 0.0) & (self._linear.max(axis=0) <= 0)
        )
        bare = [c.run_names[i] for i in idle if i not in set(c.piece_run) and i not in {run for run, _ in c.devices}]
        if bare:
            return (
                f"run {bare[0]!r} ties two fixed heads together without any resistance, so its flow has no bound; "
                "give it a pipe or a fitting with a loss"
            )
        return (
            f"the network does not close after {state.iterations} steps: run {where(c.network.runs[name])} is off by "
            f"{energy[worst]:.3g} m. {suspects(c.network, name)}"
        )


def _sparse_solve(
    data: Floats, rows: npt.NDArray[np.int64], columns: npt.NDArray[np.int64], size: int, right: Floats
) -> Floats:
    from scipy.sparse import csc_matrix
    from scipy.sparse.linalg import splu

    solution: Floats = splu(csc_matrix((data, (rows, columns)), shape=(size, size))).solve(right)
    return solution
