"""What a search for a plan with unknown flows is told beside system and catalog, by name: `find_unknown` says each."""

from __future__ import annotations

from typing import TypedDict

from optimizer.search.flow_search import Progress
from optimizer.verify.allowance import Allowance

TIME_LIMIT_S = 60.0  # where none is named


class Terms(TypedDict, total=False):
    """The keywords of `find_unknown`, which `find_one` and `find_any` hand on; the defaults are its own."""

    solver: str | None
    time_limit_s: float
    progress: Progress | None
    cutoff_cents: int | None
    any_plan: bool
    allowances: tuple[Allowance, ...]
    floor_cents: int
