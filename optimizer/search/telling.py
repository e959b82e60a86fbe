"""How a search with known flows is told as it goes: the best list so far and what none costs less than, closing in."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from optimizer.search.flow_search import Progress

Told = Callable[[str, float, float], None]  # stage, best so far (endless: none), what nothing costs less than [cents]


@dataclass
class Telling:
    """Tells whoever listens; the best never rises and the bound never falls, as both stay true once they are found.

    `outside_cents` is what no plan costs less than that is not looked at yet [cents].
    """

    progress: Progress | None = None
    best_cents: float = math.inf
    bound_cents: float = 0.0
    outside_cents: float = math.inf

    def say(self, stage: str, best_cents: float = math.inf, bound_cents: float = 0.0) -> None:
        """Tell of a stage, with what is known by now of the whole search."""
        self.best_cents = min(self.best_cents, best_cents)
        self.bound_cents = max(self.bound_cents, min(bound_cents, self.outside_cents, self.best_cents))
        if self.progress is not None:
            best = None if math.isinf(self.best_cents) else int(self.best_cents)
            bound = None if not 0.0 < self.bound_cents < math.inf else math.ceil(self.bound_cents)
            self.progress(stage, best, bound)
