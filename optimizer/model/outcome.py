"""What a whole run of the program hands to the documents: the system, the plan, its check and its bill."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from optimizer.errors import PlanError
from optimizer.model.bill import Bill
from optimizer.model.chance import Chance
from optimizer.model.doubt import NO_DOUBT, Doubt
from optimizer.model.note import Note
from optimizer.model.plan import Plan, Verification
from optimizer.model.safety import LeakPlace, PumpRange, Scenario
from optimizer.model.system import System


@dataclass(frozen=True, slots=True)
class Nearest:
    """A plan next to this one by cost: what its parts come to, its saw cuts, the share of cases that it works in."""

    cost_cents: int
    cuts: int
    works: float | None


@dataclass(frozen=True)
class PlanReport:
    """A plan that was found, with everything a document says about it. Flows in m³/s, keyed by run.

    `band` is the (low, high) flow of each run after the work under the stated uncertainty, where it was worked out.
    `gains` is the (low, high) of what each target gets more than before, from the same draws.
    `mishaps` are what may go wrong, `ranges` how pumps may be dialled, `leaks` the joints, the worst first.
    `chance` is in how many of all cases the plan does what was asked.
    `doubts` are what the ends of pump curves leave unknown of the flows before and after.
    `nearest` are plans next to it by cost, where the search had any at hand and they were looked at.
    Where a plan has new runs, `system` is cut apart for them; `as_written` is then the system as its file has it.
    """

    system: System
    plan: Plan
    verification: Verification
    bill: Bill
    before_flows_m3_s: Mapping[str, float]
    band: Mapping[str, tuple[float, float]] | None = None
    notes: tuple[Note, ...] = ()
    as_written: System | None = None
    doubts: tuple[Doubt, Doubt] = (NO_DOUBT, NO_DOUBT)
    chance: Chance | None = None
    mishaps: tuple[Scenario, ...] = ()
    ranges: tuple[PumpRange, ...] = ()
    leaks: tuple[LeakPlace, ...] = ()
    nearest: tuple[Nearest, ...] = ()
    gains: Mapping[str, tuple[float, float]] | None = None

    def __post_init__(self) -> None:
        if not self.plan.found:
            raise PlanError(f"a report needs a plan; the search ended {self.plan.status.value!r}")
        if self.bill.total_cents != self.plan.cost_cents:
            raise PlanError(f"the bill comes to {self.bill.total_cents} cents, the plan to {self.plan.cost_cents}")
