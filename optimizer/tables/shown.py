"""A plan, a frontier or a system as a notebook shows it: the text of the command, with its picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimizer.documents import search_text, text
from optimizer.documents.drawing.frontier_chart import frontier_chart
from optimizer.documents.frontier_points import reach_points
from optimizer.documents.pictures import system_pictures
from optimizer.documents.tables import plain_text
from optimizer.errors import visible

if TYPE_CHECKING:
    from optimizer.model.outcome import PlanReport
    from optimizer.model.system import System
    from optimizer.search.studies.frontier import Frontier


@dataclass(frozen=True, slots=True)
class Shown:
    """What a notebook draws in place of a value; `print` shows the text."""

    words: str
    picture: str = ""

    def __str__(self) -> str:
        return self.words

    def _repr_html_(self) -> str:
        from html import escape

        return f"{self.picture}<pre>{escape(visible(self.words, keep=chr(10)))}</pre>"


def show(found: PlanReport) -> Shown:
    """Return a plan as `retrofit plan` prints it, for a notebook."""
    return Shown(plain_text(text.plan_blocks(found)))


def show_frontier(system: System, found: Frontier) -> Shown:
    """Return a frontier as `retrofit frontier` prints it, under its chart."""
    words = plain_text(search_text.frontier_blocks(system, found.plans, None, found.notes))
    if not found.plans:
        return Shown(words)
    chosen = next((one for one in found.plans if one.meets_targets), found.plans[-1])
    points, own = reach_points(found.plans, chosen.plan, chosen.reach)
    title = f"Cost against flow: {system.name}"
    currency = found.plans[0].plan.currency
    return Shown(words, frontier_chart(points, own, system.units, currency, title=title, key="frontier", alone=True))


def show_system(system: System) -> Shown:
    """Return the plumbing as it stands as `retrofit draw` shows it, the first mode."""
    return Shown(system.name, system_pictures(system, alone=True)[0].svg)
