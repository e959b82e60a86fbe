"""All tees and crosses of a network at once: run flows become what each run's energy equation loses at its ends."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimizer.hydraulics.conditions import Conditions
from optimizer.hydraulics.tees import TeeGeometry, TeeShapes, tee_geometry, tee_shapes
from optimizer.model.network import Leg, Network

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class LegRun:
    """A run that sits in a leg: its index, and +1 where its flow runs into the tee, -1 where it runs out of it."""

    run: int
    into: float


@dataclass(frozen=True)
class Junctions:
    """Three-legged junctions (a cross is four: two in a row, in both orders) and their ties to the runs.

    For junction s, x[s] is the flow into its second run leg, x[n + s] into its branch; e[s], e[n + s] the heads there
    above the first run leg. x = gather·q, and the energy equations get spread·e; both kept as (row, column, value).
    """

    shapes: TeeShapes
    count: int
    gather: tuple[Ints, Ints, Floats]
    spread: tuple[Ints, Ints, Floats]
    slope_rows: Ints  # run whose equation feels ...
    slope_columns: Ints  # ... this run's flow ...
    slope_junction: Ints  # ... through this junction ...
    slope_values: Floats  # (n_entries, 4): shares of de2/dx2, de2/dxb, deb/dx2, deb/dxb

    def heads(self, flows_m3_s: Floats, factor: Floats | float = 1.0) -> Floats:
        """Return what is added to each run's loss [m], shape (n_runs,)."""
        x = self._inflows(flows_m3_s)
        e = np.concatenate(self.shapes.head_rises(x[: self.count], x[self.count :]))
        return self._spread(e, len(flows_m3_s), factor)

    def heads_and_slopes(self, flows_m3_s: Floats, factor: Floats | float = 1.0) -> tuple[Floats, Floats]:
        """Return `heads`, and the slope entries that go with `slope_rows` and `slope_columns` [s/m²]."""
        rises, slopes = self.shapes.rises_and_slopes(self._inflows(flows_m3_s))
        each = slopes.reshape(4, self.count) * factor
        entries = (self.slope_values * each.T[self.slope_junction]).sum(axis=1)
        return self._spread(rises, len(flows_m3_s), factor), entries

    def _inflows(self, flows: Floats) -> Floats:
        rows, columns, values = self.gather
        return summed(rows, values * flows[columns], 2 * self.count)

    def _spread(self, e: Floats, n_runs: int, factor: Floats | float) -> Floats:
        rows, columns, values = self.spread
        doubled = factor if isinstance(factor, float) else np.concatenate((factor, factor))
        return summed(rows, values * (e * doubled)[columns], n_runs)


def summed(index: Ints, values: Floats, size: int) -> Floats:
    """Return the sums of the values that share an index, shape (size,)."""
    sums: Floats = np.bincount(index, values, minlength=size).astype(np.float64, copy=False)
    return sums


def legs_of(network: Network, run_index: Mapping[str, int]) -> dict[str, dict[Leg, LegRun]]:
    """Return the runs in the legs of every tee and cross."""
    legs: dict[str, dict[Leg, LegRun]] = {}
    for run in network.runs.values():
        if run.start.leg is not Leg.NONE:
            legs.setdefault(run.start.point, {})[run.start.leg] = LegRun(run_index[run.name], -1.0)
        if run.end.leg is not Leg.NONE:
            legs.setdefault(run.end.point, {})[run.end.leg] = LegRun(run_index[run.name], 1.0)
    return legs


@dataclass(frozen=True)
class _Half:
    """One three-legged junction: which legs of the fitting lie behind its second run leg, and which at its branch."""

    bores_m: tuple[float, float]
    second: tuple[Leg, ...]
    branch: Leg
    weight: float
    leans: bool


def _halves(geometry: TeeGeometry) -> Iterator[_Half]:
    run, branches = geometry.run_bore_m, geometry.branch_bores_m
    if len(branches) == 1:
        yield _Half((run, branches[0]), (Leg.RUN_2,), Leg.BRANCH, 1.0, geometry.leans)
        return
    bores = {Leg.BRANCH: branches[0], Leg.BRANCH_2: branches[1]}
    for near, far in ((Leg.BRANCH, Leg.BRANCH_2), (Leg.BRANCH_2, Leg.BRANCH)):
        yield _Half((run, bores[near]), (Leg.RUN_2, far), near, 0.5, geometry.leans)
        yield _Half((run, bores[far]), (Leg.RUN_2,), far, 0.5, geometry.leans)


def build_junctions(
    network: Network,
    run_index: Mapping[str, int],
    conditions: Conditions,
    level: Mapping[tuple[str, Leg], Leg] | None = None,
) -> Junctions | None:
    """Return all junctions; None when no tee has a loss. A leg in `level` has the head of that other leg of its tee."""
    bores: list[tuple[float, float]] = []
    leans: list[bool] = []
    gather: list[tuple[int, bool, int, float]] = []  # junction, is branch, run, value
    spread: list[tuple[int, int, bool, float]] = []  # run, junction, is branch, value
    for point, legs in legs_of(network, run_index).items():
        tee = network.tees.get(point)
        geometry = tee_geometry(tee.item if tee else None, conditions)
        if geometry is None:
            continue
        heads: dict[Leg, list[tuple[int, bool, float]]] = {}  # of a leg above run leg 1, as a sum over junctions
        for half in _halves(geometry):
            s = len(bores)
            bores.append(half.bores_m)
            leans.append(half.leans)
            for leg, is_branch in (*((leg, False) for leg in half.second), (half.branch, True)):
                heads.setdefault(leg, []).append((s, is_branch, half.weight))
                if leg in legs:
                    gather.append((s, is_branch, legs[leg].run, legs[leg].into))
        for leg, sit in legs.items():
            source = (level or {}).get((point, leg), leg)
            # the head of a leg lies at the run's start (into -1) or end (+1): f - (start + rise) + (end + rise) = 0
            spread += [(sit.run, s, is_branch, sit.into * weight) for s, is_branch, weight in heads.get(source, ())]
    return _assemble(tee_shapes(bores, conditions.loss_factor, leans), gather, spread) if bores else None


def _assemble(
    shapes: TeeShapes, gather: list[tuple[int, bool, int, float]], spread: list[tuple[int, int, bool, float]]
) -> Junctions:
    n = len(shapes.beta_squared)
    by_junction: dict[int, list[tuple[bool, int, float]]] = {}
    for s, is_branch, run, value in gather:
        by_junction.setdefault(s, []).append((is_branch, run, value))
    rows, columns, junction, values = [], [], [], []
    for run, s, is_branch, value in spread:
        for from_branch, source, share in by_junction.get(s, ()):
            entry = [0.0] * 4
            entry[2 * is_branch + from_branch] = value * share
            rows.append(run)
            columns.append(source)
            junction.append(s)
            values.append(entry)
    return Junctions(
        shapes,
        n,
        (_ints([s + n * b for s, b, _, _ in gather]), _ints([g[2] for g in gather]), np.array([g[3] for g in gather])),
        (_ints([p[0] for p in spread]), _ints([p[1] + n * p[2] for p in spread]), np.array([p[3] for p in spread])),
        _ints(rows),
        _ints(columns),
        _ints(junction),
        np.array(values, dtype=np.float64).reshape(-1, 4),
    )


def _ints(values: list[int]) -> Ints:
    return np.array(values, dtype=np.int64)
