"""What is asked of the search: one system, one catalog, what a plan has to keep to, and the clock for it.

And its answer: the plan or why there is none, and what is proved of it.
"""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.model.catalog import Catalog
from optimizer.model.note import Note
from optimizer.model.plan import Plan, Status
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


@dataclass(frozen=True, slots=True)
class Answer:
    """The one result of a search; `plan` has passed every check, or has none of its parts and says why.

    Attributes
    ----------
    plan
        The cheapest plan that was found, or the reasons why there is none.
    bound_cents
        What no plan costs less than [cents]; None where it is proved that there is none at all.
    cents
        What was made least [cents]; None without a plan.
    by_hand
        Ctrl-C ended it.
    refused
        Plans were found, and each of them was refused by a check; the reasons say which one.
    reach_told
        How far one gets without a plan is among the reasons already.
    """

    plan: Plan
    bound_cents: int | None = None
    cents: int | None = None
    by_hand: bool = False
    refused: bool = False
    reach_told: bool = False

    @property
    def status(self) -> Status:
        return self.plan.status

    @property
    def found(self) -> bool:
        return self.plan.found

    @property
    def proved_none(self) -> bool:
        """Return whether it is proved that there is no such plan."""
        return self.plan.status is Status.INFEASIBLE

    @property
    def reasons(self) -> tuple[Note, ...]:
        return self.plan.reasons

    @property
    def left_out(self) -> tuple[Note, ...]:
        """Return what the proof did not weigh."""
        return self.plan.left_out
