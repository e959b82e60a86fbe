"""Rows of many systems, or of variants of one → how each ended in words, and a table of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from optimizer.documents.tables import Table, table
from optimizer.wording.amounts import money, percent

ENDED = {
    "optimal": "planned, proven cheapest",
    "feasible": "planned, a cheaper plan is not ruled out",
    "infeasible": "no plan, proven",
    "none found": "no plan found in the time",
    "solved": "solved",
    "read": "without an error",
    "input error": "with an error in the file",
    "no answer": "without an answer",
    "set aside": "set aside, their workers ended",
    "defect": "ended by a defect of the program",
}


class TableRow(Protocol):
    """What is told here of a row; `many.answer.Row` has it."""

    @property
    def name(self) -> str: ...
    @property
    def status(self) -> str: ...
    @property
    def cost_cents(self) -> int | None: ...
    @property
    def currency(self) -> str: ...
    @property
    def share_before(self) -> float | None: ...
    @property
    def share_after(self) -> float | None: ...
    @property
    def chance(self) -> float | None: ...
    @property
    def safety(self) -> str: ...
    @property
    def shipped_cents(self) -> int | None: ...
    @property
    def reason(self) -> str: ...
    @property
    def error(self) -> str: ...


def summary_lines(counts: Mapping[str, int]) -> list[str]:
    """Return how many systems ended how, a line for each way."""
    width = max((len(f"{count:,}") for count in counts.values()), default=1)
    return [f"{counts[status]:>{width},}  {words}" for status, words in ENDED.items() if counts.get(status)]


def variants_table(columns: Sequence[str], cells: Sequence[Sequence[str]], rows: Sequence[TableRow]) -> Table:
    """Return what came of each variant: its changes, how it ended, and of what was worked out what any row has.

    Parameters
    ----------
    columns
        What varies.
    cells
        For each row, what stands in each column; empty where the file stays as it is.
    rows
        What came of each.
    """
    told = (
        ("Cost", [_cents(row.cost_cents, row.currency) for row in rows]),
        ("At shipped prices", [_cents(row.shipped_cents, row.currency) for row in rows]),
        ("Targets met today", [_share(row.share_before) for row in rows]),
        ("Targets met after", [_share(row.share_after) for row in rows]),
        ("Works in", [_share(row.chance) for row in rows]),
        ("Safety", [row.safety for row in rows]),
    )
    shown = [(title, values) for title, values in told if any(values)]
    titles = ["Variant", *columns, "Result", *(title for title, _ in shown)]
    first = 2 + len(columns)
    lines = [
        (row.name, *(cell or "as it is" for cell in cells[place]), _ended(row), *(values[place] for _, values in shown))
        for place, row in enumerate(rows)
    ]
    return table(titles, lines, right=tuple(range(first, first + sum(title != "Safety" for title, _ in shown))))


def _ended(row: TableRow) -> str:
    words = ENDED.get(row.status, row.status)
    why = row.error or row.reason
    return f"{words}: {why}" if why else words


def _cents(cents: int | None, currency: str) -> str:
    return "" if cents is None else money(cents, currency)


def _share(share: float | None) -> str:
    return "" if share is None else percent(share)
