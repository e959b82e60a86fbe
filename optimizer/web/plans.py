"""What was searched for in a sitting and what came of it: the chosen plan, the frontier, other kinds, papers."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from optimizer.web.jobs import Job, Jobs
from optimizer.web.worker import Asked, Planned

if TYPE_CHECKING:
    from optimizer.model.outcome import PlanReport
    from optimizer.search.studies.frontier import Frontier

WORDS = {
    "plan": "Searching for the cheapest plan",
    "most": "Searching for the most flow for the budget",
    "frontier": "Looking for what more money buys",
    "compare": "Looking for other kinds of plan",
    "explain": "Pricing every change",
    "point": "Checking the plan that was chosen",
    "workbook": "Writing the workbook",
    "card": "Simulating breaks and clogs for the settings card",
    "page": "Writing the report and its pictures",
    "quote": "Searching at the store's prices",
    "meters": "Simulating breaks and clogs for the flow meters",
    "stores": "Searching for what to buy at which store",
    "vary": "Calculating the variants",
}
COSTED = ("plan", "most", "frontier", "compare", "explain")  # what tells the best cost so far as it goes
STOPS = {**dict.fromkeys((*COSTED, "page"), "Stop with the best so far"), "vary": "Stop with the rows so far"}
_PAPERS = ("workbook", "card", "page")
KEPT = 2  # plans beside each other


@dataclass(frozen=True)
class Chosen:
    """A plan on the page with what it is called; `content` is what the file held when it was asked for."""

    words: str
    planned: Planned
    content: bytes
    papers: dict[str, bytes] = field(default_factory=dict)

    @property
    def report(self) -> PlanReport | None:
        return self.planned.report


class Plans:
    """All of it. What is asked of one text of the file and what stands in it now are told apart by `content`."""

    def __init__(self) -> None:
        self.jobs = Jobs(self._take)
        self._lock = threading.RLock()
        self.chosen: Chosen | None = None
        self.studies: dict[str, tuple[bytes, Any]] = {}  # what it was asked of, and the result
        self.beside: tuple[Chosen, ...] = ()
        self.card_now: tuple[bytes, dict[str, bytes]] | None = None  # the settings card as it stands, with its text

    def start(self, asked: Asked) -> bool:
        """Begin what is asked; False where something is still going on."""
        if asked.what in (*_PAPERS, "quote") and asked.report is None and self.chosen is not None:
            asked = replace(asked, report=self.chosen.report)
        return self.jobs.start(asked, WORDS[asked.what])

    def choose_point(self, asked: Asked, index: int) -> bool:
        """Begin to check one plan of the frontier, which then is the chosen one; False where that cannot be."""
        content, studied = self.studies.get("frontier", (b"", None))
        frontier: Frontier | None = studied
        if frontier is None or not 0 <= index < len(frontier.plans):
            return False
        return self.start(replace(asked, what="point", content=content, point=frontier.plans[index]))

    def keep_beside(self) -> None:
        """Put the chosen plan beside another one; the first of three goes."""
        with self._lock:
            if self.chosen is not None and self.chosen.report is not None and self.chosen not in self.beside:
                self.beside = (*self.beside, self.chosen)[-KEPT:]
                self.jobs.turns += 1

    def clear_beside(self) -> None:
        with self._lock:
            self.beside = ()
            self.jobs.turns += 1

    def _take(self, job: Job) -> None:
        """Keep what came of a job."""
        asked, result = job.asked, job.result
        with self._lock:
            if asked.what in ("plan", "most", "point"):
                self.chosen = Chosen(_called(asked), result, asked.content)
            elif asked.what in _PAPERS and asked.report is None:
                self.card_now = (asked.content, result)
            elif asked.what in _PAPERS:
                if self.chosen is not None and self.chosen.report is asked.report:
                    self.chosen = replace(self.chosen, papers={**self.chosen.papers, **result})
            else:
                self.studies[asked.what] = (asked.content, result)


def _called(asked: Asked) -> str:
    if asked.what == "point" and asked.point is not None:
        share = int(100 * asked.point.reach + 1e-6)
        return f"the plan that gives {share} % of the targets"
    return "the most flow for the budget" if asked.what == "most" else "the cheapest plan"
