"""A plan with what it leaves of head in many draws: in how many of them it works."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from optimizer.choices.demands import KnownFlows
from optimizer.model.network import Network
from optimizer.model.plan import Plan
from optimizer.verify.chance import Cases, slacks_known_m

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
_HOLDS_M = -1e-6  # as of the check


@dataclass
class WeighedPlan:
    """A plan that was looked at: what is made least [cents], its plumbing with the dial as far as it goes, all draws.

    `judged` is the share of the second sample in which it works, `passes` whether it passes every check; None where
    nobody asked yet. Head left is told on each way by draw [m], (n_draws, n_ways).
    """

    plan: Plan
    cents: int
    network: Network
    many: Cases
    known: KnownFlows
    judged: float | None = None
    passes: bool | None = None

    @cached_property
    def slack_m(self) -> Floats:
        """Return the head left in all draws."""
        return slacks_known_m(self.many, self.known, self.network)

    @cached_property
    def works(self) -> Bools:
        """Return in which of all draws it works."""
        return np.asarray((self.slack_m >= _HOLDS_M).all(axis=1))

    def works_on(self, cases: Cases) -> int:
        """Return in how many of some draws it works."""
        return int((slacks_known_m(cases, self.known, self.network) >= _HOLDS_M).all(axis=1).sum())

    @property
    def share(self) -> float:
        """Return the share of all draws in which it works, as far as is known."""
        own = float(self.works.mean())
        return own if self.judged is None else (own + self.judged) / 2.0
