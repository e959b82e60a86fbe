"""A system → how the search for its cheapest safe plan ended, flows known or not, a second pump where it is allowed."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.errors import FlowsUnknownError
from optimizer.model.catalog import Catalog
from optimizer.model.plan import Plan
from optimizer.model.system import System
from optimizer.search.flow_search import Progress
from optimizer.search.safe import find_safe_plan, find_safe_unknown
from optimizer.search.second_pump import with_second_pump


@dataclass(frozen=True, slots=True)
class Sought:
    """How a search ended: whether the flows are known beforehand and, where they are not, whether all is told."""

    plan: Plan
    known: bool
    told: bool


def sought(
    system: System, catalog: Catalog, *, solver: str | None, time_limit_s: float, progress: Progress | None
) -> Sought:
    """Return how the search ended; parameters and errors are those of `find_safe_plan` and `find_safe_unknown`.

    Where safety alone says no the reasons say what would help; who stopped it by hand does not wait for more.
    """
    try:
        ended = find_safe_plan(system, catalog, solver=solver, time_limit_s=time_limit_s)
        known, told = True, False
    except FlowsUnknownError:
        searched = find_safe_unknown(system, catalog, solver=solver, time_limit_s=time_limit_s, progress=progress)
        ended, known, told = searched.plan, False, searched.unsafe or searched.by_hand
    both = with_second_pump(system, catalog, ended, solver=solver, time_limit_s=time_limit_s, progress=progress)
    return Sought(both, known, told)
