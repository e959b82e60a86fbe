"""A water network to be sized: points with demands and least heads, pipes with sizes to choose from, and its solution.

Hazen-Williams, as published least-cost networks use it. Many designs are solved at once as true networks, by Newton's
method on flows and heads together (Todini and Pilati 1988, as in `hydraulics.newton`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from optimizer.errors import NetworkError
from optimizer.hydraulics.friction import HazenWilliams, pipe_head_loss_m
from optimizer.hydraulics.water import Fluid

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ENERGY_TOLERANCE_M = 1e-6  # a design whose equations do not close this well counts as unsolved
_GOAL_M = 1e-10
_ITERATIONS = 60
_LEAST_FLOW = 1e-7  # share of the whole demand under which the slope of the loss is not let fall
_NO_FLUID = Fluid(density_kg_m3=1000.0, kinematic_viscosity_m2_s=1e-6)  # Hazen-Williams does not ask


@dataclass(frozen=True, slots=True)
class SizingPoint:
    """A point: either a fixed head [m], or a demand [m³/s] and the head [m] that must be left there."""

    name: str
    fixed_head_m: float | None = None
    demand_m3_s: float = 0.0
    least_head_m: float = -np.inf


@dataclass(frozen=True, slots=True)
class PipeSize:
    """A bore and what a metre of it costs; bore 0: no pipe is laid (only beside an existing one)."""

    bore_m: float
    cents_per_m: float
    c: float


@dataclass(frozen=True, slots=True)
class SizingPipe:
    """A pipe to be sized, dearer sizes last; `existing` stays and a new pipe is laid beside it."""

    name: str
    start: str
    end: str
    length_m: float
    sizes: tuple[PipeSize, ...]
    existing: PipeSize | None = None

    def cents(self, k: int) -> int:
        return round(self.sizes[k].cents_per_m * self.length_m)

    def coefficients(self, k: int, law: HazenWilliams) -> list[float]:
        """Return h / q^n of what lies side by side with size k."""
        laid = [size for size in (self.existing, self.sizes[k]) if size is not None and size.bore_m > 0.0]
        if not laid:
            raise NetworkError(f"pipe {self.name!r}: size {k} has no bore, and nothing else is there")
        return [
            pipe_head_loss_m(
                1.0,
                self.length_m,
                size.bore_m,
                0.0,
                _NO_FLUID,
                HazenWilliams(size.c, law.constant, law.flow_exponent, law.diameter_exponent),
            )
            for size in laid
        ]


@dataclass(frozen=True)
class NetworkSizing:
    """Points and pipes by name, and the law's constants (its `c` is not used: each size has its own)."""

    points: Mapping[str, SizingPoint]
    pipes: Mapping[str, SizingPipe]
    law: HazenWilliams

    def cents(self, design: Mapping[str, int]) -> int:
        return sum(pipe.cents(design[name]) for name, pipe in self.pipes.items())


@dataclass(frozen=True)
class Solved:
    """Designs as networks: flows (n_designs, n_pipes), heads of free points, how far the worst head falls short [m].

    A shortfall of at most 0 is a design that keeps every least head; of an unsolved one it is inf.
    """

    flows_m3_s: Floats
    heads_m: Floats
    shortfall_m: Floats


class SizedNetworks:
    """Solves designs of one sizing problem, many at a time. A design is a row of size indices in the pipes' order."""

    def __init__(self, sizing: NetworkSizing) -> None:
        self.sizing = sizing
        pipes, law = list(sizing.pipes.values()), sizing.law
        self.names = list(sizing.pipes)
        self.free = [point for point in sizing.points.values() if point.fixed_head_m is None]
        self.counts = np.array([len(pipe.sizes) for pipe in pipes])
        most = int(self.counts.max())
        self._n = law.flow_exponent
        self._coefficient = np.full((len(pipes), most), np.nan)
        self.cents = np.zeros((len(pipes), most), dtype=np.int64)
        for i, pipe in enumerate(pipes):
            for k in range(len(pipe.sizes)):
                conductance = sum(c ** (-1.0 / self._n) for c in pipe.coefficients(k, law))
                self._coefficient[i, k] = conductance**-self._n
                self.cents[i, k] = pipe.cents(k)
        place = {point.name: i for i, point in enumerate(self.free)}
        self._incidence = np.zeros((len(self.free), len(pipes)))  # +1 where a pipe ends
        self._given = np.zeros(len(pipes))  # fixed head at start less fixed head at end
        for j, pipe in enumerate(pipes):
            for point, sign in ((pipe.start, -1.0), (pipe.end, 1.0)):
                head = sizing.points[point].fixed_head_m
                if head is None:
                    self._incidence[place[point], j] = sign
                else:
                    self._given[j] -= sign * head
        self._demand = np.array([point.demand_m3_s for point in self.free])
        self._least = np.array([point.least_head_m for point in self.free])

    @cached_property
    def total_m3_s(self) -> float:
        return float(np.abs(self._demand).sum())

    def cost(self, designs: Ints) -> Ints:
        cost: Ints = self.cents[np.arange(len(self.names)), designs].sum(axis=-1)
        return cost

    def row(self, design: Mapping[str, int]) -> Ints:
        return np.array([design[name] for name in self.names])

    def named(self, row: Ints) -> dict[str, int]:
        return dict(zip(self.names, row.tolist(), strict=True))

    def solve(self, designs: Ints, guess_m3_s: Floats | None = None) -> Solved:
        """Return the solutions of designs (n_designs, n_pipes), from guessed flows where there are any."""
        coefficient = self._coefficient[np.arange(len(self.names)), designs]
        flow = np.full(coefficient.shape, 0.1 * self.total_m3_s) if guess_m3_s is None else guess_m3_s.copy()
        head = np.zeros((len(designs), len(self.free)))
        worst = np.full(len(designs), np.inf)
        for _ in range(_ITERATIONS):
            moving = np.flatnonzero(worst > _GOAL_M)
            if not len(moving):
                break
            before = worst[moving]
            flow[moving], head[moving] = self._step(coefficient[moving], flow[moving])
            worst[moving] = self._imbalance(coefficient[moving], flow[moving], head[moving])
            stuck = (before <= ENERGY_TOLERANCE_M) & (worst[moving] >= 0.5 * before)
            if stuck.all():
                break
        shortfall = np.where(worst <= ENERGY_TOLERANCE_M, (self._least - head).max(axis=1), np.inf)
        return Solved(flow, head, shortfall)

    def _loss(self, coefficient: Floats, flow: Floats) -> tuple[Floats, Floats]:
        size = np.abs(flow)
        power = coefficient * np.maximum(size, _LEAST_FLOW * self.total_m3_s) ** (self._n - 1.0)
        return coefficient * size ** (self._n - 1.0) * flow, self._n * power

    def _step(self, coefficient: Floats, flow: Floats) -> tuple[Floats, Floats]:
        """One Newton step: heads from the points' equations, flows from them."""
        loss, slope = self._loss(coefficient, flow)
        conductance = 1.0 / slope
        matrix = np.einsum("ij,bj,kj->bik", self._incidence, conductance, self._incidence, optimize=True)
        right = (flow - conductance * (loss - self._given)) @ self._incidence.T - self._demand
        head = np.linalg.solve(matrix, right[..., None])[..., 0]
        flow = flow - conductance * (loss - self._given + head @ self._incidence)
        return flow, head

    def _imbalance(self, coefficient: Floats, flow: Floats, head: Floats) -> Floats:
        """Worst of the energy equations [m]; a Newton step closes the points' mass exactly."""
        loss, _ = self._loss(coefficient, flow)
        worst: Floats = np.abs(loss - self._given + head @ self._incidence).max(axis=1)
        return worst
