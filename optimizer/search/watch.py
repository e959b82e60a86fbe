"""The clock of work that takes several searches: how long is left, what is told of it, was it stopped by hand.

How a search with known flows is told as it goes: the best list so far and what none costs less than, closing in.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from optimizer import clock
from optimizer.model.note import Note, note
from optimizer.search.flow_search import TIME_CAME, Progress

_LEAST_S = 0.5  # a search with less time than this is not begun
Told = Callable[[str, float, float], None]  # stage, best so far (endless: none), what nothing costs less than [cents]


@dataclass
class Watch:
    """`until` is when to end, by the monotonic clock [s]; `by_hand` is set once Ctrl-C ended a search."""

    until: float
    progress: Progress | None = None
    solver: str | None = None
    by_hand: bool = False

    @classmethod
    def of(cls, time_limit_s: float, progress: Progress | None = None, solver: str | None = None) -> Watch:
        return cls(time.monotonic() + min(time_limit_s, clock.left_s()), progress, solver)

    @property
    def left_s(self) -> float:
        return max(0.0, self.until - time.monotonic())

    @property
    def over(self) -> bool:
        return self.by_hand or self.left_s < _LEAST_S

    @property
    def why_over(self) -> Note:
        return note("it was stopped") if self.by_hand else TIME_CAME

    @contextmanager
    def part(self, share: float) -> Iterator[Watch]:
        """Give a share of the time that is left to a part of the work; a stop by hand in it stops all."""
        inner = Watch(time.monotonic() + share * self.left_s, self.progress, self.solver, self.by_hand)
        try:
            yield inner
        finally:
            self.by_hand = inner.by_hand

    def telling(self, words: str) -> Progress | None:
        """Return whom to tell how a part of the work goes, its words before each stage."""
        progress = self.progress
        if progress is None or not words:
            return progress
        return lambda stage, best, bound: progress(f"{words}: {stage}", best, bound)

    def ending(self, words: str) -> Progress | None:
        """Return whom to tell, as `telling` does; a stop by hand then ends the work as the end of its time would."""
        progress = self.telling(words)
        if progress is None:
            return None

        def told(stage: str, best: int | None, bound: int | None) -> None:
            try:
                progress(stage, best, bound)
            except KeyboardInterrupt:
                self.by_hand = True
                raise clock.TimeIsUp from None

        return told


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
