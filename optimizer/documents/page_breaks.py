"""Row heights and headings of a sheet → before which rows a new printed page begins, so that no heading ends a page."""

from __future__ import annotations

from collections.abc import Collection, Sequence

KEPT_ROWS = 3  # a heading, column titles, the first row under them
_POINTS_PER_INCH = 72.0
_ENDS = (0.97, 1.05)  # between which shares of what is calculated viewers end a page that they scale themselves
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


def heading_pads(
    heights: Sequence[float], headings: Collection[int], room: float, pages: int, begin: Collection[int] = ()
) -> dict[int, float]:
    """Return what to leave free before which heading [points], for a sheet whose viewer breaks its pages by itself.

    Headings are counted from 0. One that could end a page begins the next one, a little below its top: viewers differ
    in where a page ends. The last of so many pages has no end. Headings in `begin` begin a page in any case.
    """
    pads: dict[int, float] = {}
    first, last = (share * room for share in _ENDS)
    used, ended = 0.0, 1
    for row, height in enumerate(heights):
        if ended < pages and row in headings:
            number = sum(one < row for one in headings)
            kept = sum(heights[row : _kept_until(row, headings)])
            if number in begin or (used + kept > first and used + height <= last):
                pads[number] = max(0.0, last - used)
                used = last
        if ended < pages and used + height > last:
            used, ended = used - room, ended + 1
        used += height
    return pads


def _kept_until(row: int, headings: Collection[int]) -> int:
    """Return the first row that need not stay with a heading; a heading that follows at once keeps its own."""
    end, row = row + KEPT_ROWS, row + 1
    while row < end:
        end, row = (row + KEPT_ROWS if row in headings else end), row + 1
    return end
