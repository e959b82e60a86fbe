"""What is to vary, chosen, typed or dropped → a table of variants → what came of each row, as a part of the page."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import product
from typing import TYPE_CHECKING

from optimizer.documents.drawing.variants_chart import variants_chart
from optimizer.documents.many_text import TableRow, variants_table
from optimizer.documents.tables import Block, Heading
from optimizer.edits.splice import has, value_at
from optimizer.errors import EditError
from optimizer.model.rules import RULES, Written
from optimizer.model.system import System
from optimizer.web.forms import Standing
from optimizer.web.markup import blocks_html
from optimizer.web.said import items_of, plain

if TYPE_CHECKING:
    from optimizer.many.variants import Variants

KINDS = (
    ("plan", "the cheapest plan"),
    ("flow", "today's flows"),
    ("price", "the plan at shipped prices beside yours"),
    ("check", "errors only"),
)
SHOWN = 200  # rows on the page; all of them are in the files
FIELDS = ("place 1", "values 1", "place 2", "values 2", "table", "kind", "seconds")


@dataclass(frozen=True, slots=True)
class Place:
    """A place of the file that may vary: the heading of its column, its words, and what it says now."""

    heading: str
    words: str
    now: str


@dataclass(frozen=True)
class Varied:
    """What came of the rows that were calculated: of `number` there are as many as there are `rows`.

    `typed` is the form that asked for it, `svg` the picture of costs for the page, `files` what can be saved.
    """

    columns: tuple[str, ...]
    cells: tuple[tuple[str, ...], ...]
    rows: tuple[TableRow, ...]
    number: int
    typed: Mapping[str, str] = field(default_factory=dict)
    svg: str = ""
    files: Mapping[str, bytes] = field(default_factory=dict)


def places(shown: Standing, system: System) -> tuple[Place, ...]:
    """Return what may be chosen to vary: targets, settings of pumps, heights of waters, rules."""
    from optimizer.many.variants import place_of

    network = system.network
    runs = dict.fromkeys((*network.runs, *(one.run for one in system.all_targets)))
    rules = [key for key, row in RULES.items() if row.written is not Written.SECOND_PUMP]
    found: list[tuple[tuple[str, ...], str]] = [
        *((("targets", run), f"target of {run}") for run in runs),
        *((("pumps", pump, "speed"), f"speed of pump {pump}") for pump in network.pumps),
        *((("surfaces", name), f"height of {name}") for name in network.points if has(shown.text, ("surfaces", name))),
        *((("rules", key), f"rule: {key}") for key in rules),
    ]
    return tuple(
        Place(": ".join(path), words, plain(value_at(shown.text, path)) if has(shown.text, path) else "")
        for path, words in found
        if place_of(": ".join(path)) == path  # not so where a name has a colon or is a number
    )


def table_of(form: Mapping[str, str], file: bytes) -> bytes:
    """Return the table that a form asks for: the file that was dropped, what was typed, or all values of what it names.

    Raises
    ------
    EditError
        The form says nothing of it, or half of it.
    """
    if file.strip():
        return file
    if form.get("table", "").strip():
        return form["table"].encode("utf-8", errors="replace")
    chosen = [(form.get(f"place {one}", "").strip(), items_of(form.get(f"values {one}", ""))) for one in (1, 2)]
    named = [(place, values) for place, values in chosen if place or values]
    if not named:
        raise EditError("Still missing: what varies, with its values, or a table.")
    for place, values in named:
        if not place or not values:
            raise EditError(
                "Still missing: " + (f"the values of '{place}'." if place else "what is to have the values.")
            )
    if len({place for place, _ in named}) < len(named):
        raise EditError(f"found '{named[0][0]}' twice; allowed: two different things that vary, or one")
    written = io.StringIO()
    rows = csv.writer(written, lineterminator="\n")
    rows.writerow([place for place, _ in named])
    rows.writerows(product(*(values for _, values in named)))
    return written.getvalue().encode("utf-8", errors="replace")


def chart_of(found: Variants, rows: tuple[TableRow, ...], title: str, *, alone: bool) -> str:
    """Return the picture of costs over one or two columns of numbers; nothing where there are no such columns."""
    columns = [found.numbers(place) for place in range(len(found.columns))]
    numbers = [column[: len(rows)] for column in columns if column is not None]
    costs = [row.cost_cents for row in rows]
    if not 1 <= len(columns) <= 2 or len(numbers) != len(columns) or all(cents is None for cents in costs):
        return ""
    currency = next((row.currency for row in rows if row.currency), "")
    return variants_chart(found.columns, numbers, costs, currency, title, alone=alone)


def varied_html(found: Varied) -> str:
    """Return what came of every variant, as a table with what can be said of it."""
    done = len(found.rows)
    blocks: list[Block] = [Heading("Variants")]
    if done < found.number:
        blocks.append(f"Stopped: {done:,} of {found.number:,} rows were calculated.")
    if done > SHOWN:
        blocks.append(f"These are the first {SHOWN} rows; the files have all {done:,}.")
    blocks.append(variants_table(found.columns, found.cells[:SHOWN], found.rows[:SHOWN]))
    return blocks_html(blocks, 2)
