"""How a search ended: the plan or why there is none, and what is proved of it."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.model.note import Note
from optimizer.model.plan import Plan, Status


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
