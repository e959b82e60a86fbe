"""Row heights and headings of a sheet → before which rows a new printed page begins, so that no heading ends a page."""

from __future__ import annotations

from collections.abc import Collection, Sequence

KEPT_ROWS = 3  # a heading, column titles, the first row under them
_POINTS_PER_INCH = 72.0
_SURE = 0.985  # viewers round the scale down to whole percents, and row heights to their screen


def page_rows_points(
    paper_in: tuple[float, float], margins_in: tuple[float, float], width_points: float, repeated_points: float = 0.0
) -> float:
    """Return how many points of rows fit on a page on which a sheet is printed one page wide.

    Parameters
    ----------
    paper_in
        Width and height of the sheet of paper as it is turned [in].
    margins_in
        Left and right together, top and bottom together [in].
    width_points
        Of all columns [points].
    repeated_points
        Height of the titles that stand on every page [points].
    """
    wide, high = ((paper - margin) * _POINTS_PER_INCH for paper, margin in zip(paper_in, margins_in, strict=True))
    scale = min(1.0, wide / width_points)
    return _SURE * high / scale - repeated_points


def page_starts(heights: Sequence[float], headings: Collection[int], room: float) -> list[int]:
    """Return the rows before which a page must begin, counted from 0, for no heading to stand alone at a page's foot.

    A heading, its column titles and their first row stay together; `room` is what `page_rows_points` returns.
    """
    starts, used = [], 0.0
    for row, height in enumerate(heights):
        kept = sum(heights[row : _kept_until(row, headings)]) if row in headings else height
        if used and used + kept > room:
            if row in headings:
                starts.append(row)
            used = 0.0
        used += height
    return starts


def _kept_until(row: int, headings: Collection[int]) -> int:
    """Return the first row that need not stay with a heading; a heading that follows at once keeps its own."""
    end, row = row + KEPT_ROWS, row + 1
    while row < end:
        end, row = (row + KEPT_ROWS if row in headings else end), row + 1
    return end
