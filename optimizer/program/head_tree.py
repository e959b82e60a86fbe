"""Trees within a box of flows, as numbers: what tables over flow and head are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimizer.program.problem import State

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class RunTable:
    """The ways of a run over the cells of its flow.

    `edges_m3_s` are the ends of the cells, (n_cells + 1,); `losses_m` what every way loses at each of them, rising
    along the first axis, (n_cells + 1, n_ways); `usable` whether a way may carry some flow of a cell,
    (n_cells, n_ways). A way that is `valved` may lose more in the direction of its flow. A run that is `one_way` holds
    any head at its end once it is at rest.
    """

    edges_m3_s: Floats
    losses_m: Floats
    usable: Bools
    cents: Floats
    starts: Ints
    ends: Ints
    valved: Bools
    one_way: bool = False

    @property
    def n_cells(self) -> int:
        return len(self.edges_m3_s) - 1


@dataclass(frozen=True)
class Fitting:
    """One fitting of a tee that parts the water of one run into two: cents, the state of each run end in it.

    `drops_m` has for each leaving run by how much less head there is at its start than at the end of the feeding run,
    at least and at most, by the flow cells of the two leaving runs, each (n_cells of the first, n_cells of the second).
    """

    cents: float
    inlet: State
    states: tuple[State, State]
    drops_m: tuple[tuple[Floats, Floats], tuple[Floats, Floats]]


@dataclass(frozen=True)
class Parting:
    """The tee at the end of a run: where its water goes, and what may stand there."""

    point: str
    leaving: tuple[str, str]
    fittings: tuple[Fitting, ...]


@dataclass(frozen=True)
class Setting:
    """What feeds the trees: cents, and by source the head at its start by its flow cells, least and most [m]."""

    cents: float
    heads_m: Mapping[str, tuple[Floats, Floats]]


@dataclass(frozen=True)
class BoxTree:
    """Trees within a box of flows, each behind a source of its own. `partings` by the run that feeds them.

    `leaves_m` has between which heads the others end: at one head where water runs out, between two where a ring was
    cut open.
    """

    sources: tuple[str, ...]
    runs: Mapping[str, RunTable]
    heads_m: Mapping[str, tuple[float, float]]  # between which the head at a run's inlet is known to lie
    partings: Mapping[str, Parting]
    leaves_m: Mapping[str, tuple[float, float]]
    settings: tuple[Setting, ...]

    def behind(self, source: str) -> list[str]:
        """Return a source and all runs behind it, none before the one that feeds it."""
        order = [source]
        for name in order:  # grows as it goes
            order += self.partings[name].leaving if name in self.partings else ()
        return order


@dataclass(frozen=True)
class Traced:
    """A cheapest combination of the tables: a choice for every run and tee, a setting, the flow cell of every run."""

    runs: Mapping[str, int]
    tees: Mapping[str, int]
    setting: int
    cells: Mapping[str, int]
