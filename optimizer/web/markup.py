"""Blocks of text and tables, as all commands print them → HTML, every word of it escaped."""

from __future__ import annotations

from collections.abc import Iterable

from optimizer.documents.report_html import heading, paragraph, text
from optimizer.documents.report_html import table as html_table
from optimizer.documents.tables import Block, Heading, Lines, Table


def blocks_html(blocks: Iterable[Block], level: int = 3) -> str:
    """Return blocks as HTML; a table is named by the heading above it. Tables without rows are left out."""
    told, title = "", ""
    for block in blocks:
        if isinstance(block, Heading):
            title = block.text
            told += heading(block.text, level)
        elif isinstance(block, Table):
            told += _table(block, title)
        else:
            told += "".join(paragraph(line) for line in (block.lines if isinstance(block, Lines) else (block,)))
    return told


def _table(block: Table, title: str) -> str:
    """Return a table that scrolls within itself; a row whose first cell is empty goes on with the one before."""
    inside = html_table(title or "Table", tuple(_title(one) for one in block.columns), block.rows, tuple(block.right))
    return f'<div class="wide" tabindex="0" role="group" aria-label="{text(_title(title) or "Table")}">{inside}</div>\n'


def _title(words: str) -> str:
    return words[:1].upper() + words[1:]
