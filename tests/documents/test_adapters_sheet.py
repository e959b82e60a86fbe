"""The ways at threaded ports in the workbook: those that the plan touches, its own marked, metal explained once."""

from __future__ import annotations

import io
from functools import cache

import openpyxl
import planned_examples
import pytest

from optimizer import pipeline
from optimizer.documents.workbook import workbook_bytes
from optimizer.takeoff.take_off import TakeOff

EXAMPLE = "cellar-sump"
pytestmark = pytest.mark.slow  # its search, and all ways at its ports


@cache
def taken() -> TakeOff:
    return pipeline.take_off(*planned_examples.searched(EXAMPLE))


@cache
def rows() -> tuple[str, ...]:
    """Return the texts of each row of the appendix below the heading of the adapters, cell by cell."""
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes(planned_examples.searched(EXAMPLE)[0], taken=taken())))
    texts = [
        " | ".join(str(cell) for cell in row if cell is not None)
        for sheet in book.worksheets
        for row in sheet.iter_rows(values_only=True)
    ]
    begin = next(i for i, text in enumerate(texts) if text.startswith("Adapters at threaded ports"))
    return tuple(texts[begin + 2 :])


def test_only_ports_that_the_plan_touches_are_shown() -> None:
    touched = {one.port.words for one in taken().ports if one.touched}
    untouched = {one.port.words for one in taken().ports if not one.touched}

    assert touched == {"device uv, inlet", "device uv, outlet"}  # the plan joins the new UV, and nothing else
    assert untouched
    shown = [row for row in rows() if ": device " in row or ": pump " in row]
    assert shown
    assert all(any(words in row for words in touched) for row in shown)


def test_the_plan_s_own_way_is_marked_at_each_port() -> None:
    for one in taken().ports:
        if one.touched:
            assert one.chosen is not None
            own = [row for row in rows() if one.port.words in row and "CHOSEN" in row]
            assert len(own) == 1


def test_metal_is_explained_once() -> None:
    assert sum("Metal pieces are left out" in row for row in rows()) == 1
    assert not any("brass" in row for row in rows() if ": device " in row)
