"""The clock of work that takes several searches: how long is left, what is told of it, was it stopped by hand."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from optimizer.model.catalog import Catalog
from optimizer.model.system import System
from optimizer.search.flow_search import Progress
from optimizer.search.safe import find_safe_unknown
from optimizer.search.unknown_flows import UnknownSearch

_LEAST_S = 0.5  # a search with less time than this is not begun


@dataclass
class Watch:
    """`until` is when to end, by the monotonic clock [s]; `by_hand` is set once Ctrl-C ended a search."""

    until: float
    progress: Progress | None = None
    solver: str | None = None
    by_hand: bool = False

    @classmethod
    def of(cls, time_limit_s: float, progress: Progress | None = None, solver: str | None = None) -> Watch:
        return cls(time.monotonic() + time_limit_s, progress, solver)

    @property
    def left_s(self) -> float:
        return max(0.0, self.until - time.monotonic())

    @property
    def over(self) -> bool:
        return self.by_hand or self.left_s < _LEAST_S

    @property
    def why_over(self) -> str:
        return "it was stopped by hand" if self.by_hand else "the time limit came"

    @contextmanager
    def part(self, share: float) -> Iterator[Watch]:
        """Give a share of the time that is left to a part of the work; a stop by hand in it stops all."""
        inner = Watch(time.monotonic() + share * self.left_s, self.progress, self.solver, self.by_hand)
        try:
            yield inner
        finally:
            self.by_hand = inner.by_hand

    def find(
        self,
        system: System,
        catalog: Catalog,
        words: str,
        *,
        share: float = 1.0,
        cutoff_cents: int | None = None,
        any_plan: bool = False,
        floor_cents: int = 0,
    ) -> UnknownSearch:
        """Return the cheapest safe plan found in a share of the time that is left; `words` say what for."""
        found = find_safe_unknown(
            system,
            catalog,
            solver=self.solver,
            time_limit_s=share * self.left_s,
            progress=None if self.progress is None else self._told(words, self.progress),
            cutoff_cents=cutoff_cents,
            any_plan=any_plan,
            floor_cents=floor_cents,
        )
        self.by_hand = self.by_hand or found.by_hand
        return found

    @staticmethod
    def _told(words: str, progress: Progress) -> Progress:
        return lambda stage, best, bound: progress(f"{words}: {stage}", best, bound)
