"""What is asked of the search: one system, one catalog, what a plan has to keep to, and the clock for it."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.model.catalog import Catalog
from optimizer.model.system import System
from optimizer.search.watch import Watch


@dataclass(frozen=True, slots=True)
class Question:
    """Which plan is the cheapest of those that meet every target and pass every check?

    Attributes
    ----------
    system, catalog
        What stands, what is wanted and by which rules, what may be bought.
    clock
        The time for it, who is told how it goes, which solver is called.
    words
        What is looked for, as it is told with the progress.
    share
        The part of the time left on the clock that this question may take, above 0 to 1.
    ceiling_cents
        Only plans that cost less are of interest [cents]; None: all.
    floor_cents
        What no plan costs less than, where that is known already [cents].
    first_will_do
        Any plan will do: how little it costs does not matter.
    with_reasons
        The plan itself is what is asked for: of those that cost the same the one with the most margin, and where there
        is none, what blocks it.
    """

    system: System
    catalog: Catalog
    clock: Watch
    words: str = ""
    share: float = 1.0
    ceiling_cents: int | None = None
    floor_cents: int = 0
    first_will_do: bool = False
    with_reasons: bool = False

    @property
    def time_s(self) -> float:
        """Return how long the search for an answer may take [s]."""
        return self.share * self.clock.left_s
