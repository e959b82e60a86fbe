"""Where printed pages begin: never between a heading and the first row of what it heads."""

import random

import pytest

from optimizer.documents.page_breaks import KEPT_ROWS, heading_pads, page_rows_points, page_starts


def pages(heights: list[float], starts: list[int], room: float) -> list[int]:
    """Return the page of each row, as a viewer breaks them that honours breaks and fills pages."""
    page, used, found = 0, 0.0, []
    for row, height in enumerate(heights):
        if row in starts or (used and used + height > room):
            page, used = page + 1, 0.0
        used += height
        found.append(page)
    return found


@pytest.mark.parametrize("seed", range(40))
def test_a_heading_stands_on_the_page_of_its_first_row(seed: int) -> None:
    chance = random.Random(seed)
    heights = [chance.choice((13.0, 15.0, 28.0, 60.0)) for _ in range(120)]
    headings = {row for row in range(2, 116) if chance.random() < 0.12}

    found = pages(heights, page_starts(heights, headings, 400.0), 400.0)

    assert all(found[row] == found[row + KEPT_ROWS - 1] for row in headings)


def test_a_page_is_filled_before_the_next_begins() -> None:
    assert page_starts([10.0] * 30, {5, 12}, 200.0) == []
    assert page_starts([10.0] * 30, {19}, 200.0) == [19]
    assert page_starts([10.0] * 30, {17}, 200.0) == []


def test_rows_shrink_with_their_columns() -> None:
    # Letter, margins as in the workbook: 9.45 in of height; columns twice as wide as the paper halve the scale.
    narrow = page_rows_points((8.5, 11.0), (1.0, 1.55), 540.0)

    assert narrow == pytest.approx(0.985 * 9.45 * 72)
    assert page_rows_points((8.5, 11.0), (1.0, 1.55), 1080.0) == pytest.approx(2 * narrow)
    assert page_rows_points((8.5, 11.0), (1.0, 1.55), 540.0, 20.0) == pytest.approx(narrow - 20)


@pytest.mark.parametrize("viewer", [0.975, 1.0, 1.025])
@pytest.mark.parametrize("seed", range(20))
def test_with_its_pads_no_heading_ends_a_page_in_viewers_that_differ_by_some_percent(seed: int, viewer: float) -> None:
    chance = random.Random(seed)
    rows = [chance.choice((13.0, 15.0, 28.0)) for _ in range(60)]  # two pages of 500 at the most
    headings = sorted({row for row in range(2, 56) if chance.random() < 0.1})
    pads = heading_pads(rows, set(headings), 500.0, 2)

    heights, at = [], []
    for row, height in enumerate(rows):
        if row in headings:
            heights.append(1.0 + pads.get(headings.index(row), 0.0))
            at.append(len(heights))
        heights.append(height)
    found = pages(heights, [], 500.0 * viewer)

    first = [(row, found[row], found[min(row + 1, len(found) - 1)]) for row in at if found[row] == 0]
    assert all(here == then for _, here, then in first)
