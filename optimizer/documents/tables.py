"""Headings, sentences and tables printed as plain text, or with rich where a person sits at a terminal."""

from __future__ import annotations

import sys
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TextIO

from optimizer.documents.words import clean


@dataclass(frozen=True, slots=True)
class Heading:
    """A title above what follows."""

    text: str


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text under column titles; `right` names the columns (from 0) that hold numbers."""

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: frozenset[int] = frozenset()

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row) != len(self.columns):
                raise ValueError(f"a row of {len(row)} cells under {len(self.columns)} columns: {row}")


@dataclass(frozen=True, slots=True)
class Lines:
    """Sentences that stand close together, each on a line of its own."""

    lines: tuple[str, ...]


Block = Heading | Table | Lines | str


def table(columns: Sequence[str], rows: Iterable[Sequence[str]], right: Iterable[int] = ()) -> Table:
    """Return a table of cleaned text: no cell can break its row or move a cursor."""
    return Table(tuple(columns), tuple(tuple(clean(cell) for cell in row) for row in rows), frozenset(right))


def plain_text(blocks: Iterable[Block]) -> str:
    """Return blocks as aligned text, one line a row, ready for a pipe or a file; no line ends in blanks."""
    return "\n\n".join(_plain(block) for block in _joined(blocks)) + "\n"


def print_blocks(blocks: Iterable[Block], stream: TextIO | None = None) -> None:
    """Print blocks: drawn tables that fit the window on a terminal, plain text anywhere else."""
    out = sys.stdout if stream is None else stream
    if out.isatty():
        _print_rich(blocks, out)
    else:
        out.write(plain_text(blocks))


def _joined(blocks: Iterable[Block]) -> list[Block]:
    """Return the blocks without empty tables, which would be titles over nothing."""
    return [block for block in blocks if not isinstance(block, Table) or block.rows]


def _plain(block: Block) -> str:
    if isinstance(block, Heading):
        title = clean(block.text)
        return f"{title}\n{'=' * _width(title)}"
    if isinstance(block, Table):
        return _plain_table(block)
    return "\n".join(clean(line) for line in (block.lines if isinstance(block, Lines) else (block,)))


def _plain_table(block: Table) -> str:
    widths = [max(_width(row[place]) for row in (block.columns, *block.rows)) for place in range(len(block.columns))]
    lines = [block.columns, tuple("-" * width for width in widths), *block.rows]
    return "\n".join(_plain_row(line, widths, block.right) for line in lines)


def _plain_row(row: Sequence[str], widths: Sequence[int], right: frozenset[int]) -> str:
    cells = []
    for place, (cell, width) in enumerate(zip(row, widths, strict=True)):
        fill = " " * (width - _width(cell))
        cells.append(fill + cell if place in right else cell + fill)
    return "  ".join(cells).rstrip()


def _width(text: str) -> int:
    """Return how many columns a terminal gives the text: wide signs take two, combining ones none."""
    return sum(
        0 if unicodedata.combining(sign) else 2 if unicodedata.east_asian_width(sign) in "WF" else 1 for sign in text
    )


def _print_rich(blocks: Iterable[Block], out: TextIO) -> None:
    """Print with rich, which is loaded only here; cells go in as plain text, never as markup."""
    from rich.console import Console
    from rich.text import Text

    console = Console(file=out, highlight=False)
    for place, block in enumerate(_joined(blocks)):
        if place:
            console.print()
        if isinstance(block, Heading):
            console.print(Text(clean(block.text), style="bold"))
        elif isinstance(block, Table):
            console.print(_rich_table(block))
        else:
            console.print(Text(_plain(block)))


def _rich_table(block: Table) -> object:
    from rich import box
    from rich.table import Table as RichTable
    from rich.text import Text

    drawn = RichTable(box=box.SIMPLE_HEAD, pad_edge=False)
    for place, title in enumerate(block.columns):
        drawn.add_column(Text(title), justify="right" if place in block.right else "left", overflow="fold")
    for row in block.rows:
        drawn.add_row(*(Text(cell) for cell in row))
    return drawn
