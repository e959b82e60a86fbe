"""Which window made which step of a session: one that is quick does not wait for its own page to be shown anew.

A form names the revision that its page showed. Where all that was changed since came from that same window, and what
the form is about is still the same part, run or water, the form may go on.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Mapping

from optimizer.model.network import Network
from optimizer.model.system import System

MOST = 12  # steps that are looked back


class Steps:
    """The last steps, each with its window and with the system that stood after it (None: it had errors)."""

    def __init__(self) -> None:
        self._made: deque[tuple[int, str]] = deque(maxlen=MOST)
        self._shown: deque[tuple[int, System | None]] = deque(maxlen=MOST)

    def made(self, revision: int, window: str) -> None:
        """Note who made a step; `window` is empty for one that no page made."""
        self._made.append((revision, window))

    def showed(self, revision: int, system: System | None) -> None:
        """Note the system that a revision has."""
        if not self._shown or self._shown[-1][0] != revision:
            self._shown.append((revision, system))

    def own(self, seen: int, now: int, window: str) -> bool:
        """Return whether every step since a revision was made by this window."""
        since = {revision: who for revision, who in self._made if revision > seen}
        return bool(window) and seen < now and all(since.get(one) == window for one in range(seen + 1, now + 1))

    def means_the_same(self, at: str, seen: int, system: System | None) -> bool:
        """Return whether a handle stands for the same as when it was shown."""
        before = next((told for revision, told in self._shown if revision == seen), None)
        if not at:
            return True
        if before is None or system is None:
            return False
        return meant_by(before, at) == meant_by(system, at) != ""


def meant_by(system: System, at: str) -> str:
    """Return what a handle stands for, in words; nothing where there is no such one."""
    kind, _, rest = at.partition("-")
    numbers = [int(one) for one in rest.split("-") if one.isdigit() and len(one) < 6]
    runs, points = list(system.network.runs.values()), list(system.network.points)
    if kind == "drain" and len(numbers) == 1 and numbers[0] < len(system.drains):
        return f"drain {system.drains[numbers[0]].name}"
    if kind == "point" and len(numbers) == 1 and numbers[0] < len(points):
        return f"point {points[numbers[0]]}"
    if kind not in ("run", "part") or not numbers or numbers[0] >= len(runs):
        return ""
    run = runs[numbers[0]]
    if kind == "run":
        return f"run {run.name}"
    return f"{run.parts[numbers[1]].words} in {run.name}" if len(numbers) == 2 and numbers[1] < len(run.parts) else ""


def then_at(form: Mapping[str, str], network: Network | None) -> str:
    """Return the handle that is chosen after a form was done: a part that is new or that moved, else the same."""
    at, does = form.get("at", ""), form.get("do", "")
    match = re.fullmatch(r"(run|part)-(\d{1,5})(?:-(\d{1,5}))?", at)
    if match is None or network is None or does not in ("insert", "move part", "repeat part", "remove part"):
        return at
    runs = list(network.runs.values())
    if int(match[2]) >= len(runs):
        return ""
    last = len(runs[int(match[2])].parts) - 1
    if match[1] == "run":
        return f"part-{match[2]}-{0 if form.get('where') == 'before' else last}" if does == "insert" else at
    place = int(match[3] or 0)
    on = (does == "insert" and form.get("where") != "before") or does == "repeat part" or form.get("way") == "later"
    back = does == "move part" and form.get("way") == "earlier"
    return f"part-{match[2]}-{min(last, max(0, place + on - back))}"
