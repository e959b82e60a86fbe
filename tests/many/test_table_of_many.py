"""The table of many systems in each form, and the papers beside it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from many.jobs import GOOD, ROWS, job, retrofit

from optimizer import pipeline
from optimizer.documents import papers
from optimizer.errors import DocumentError
from optimizer.many import results
from optimizer.many.answer import Answered, Job, Row
from optimizer.many.results import COLUMNS, frame, pieces
from optimizer.many.run import run


@pytest.mark.long
@pytest.mark.usefixtures("no_processes")
def test_a_folder_becomes_a_table_in_each_form(shop: Path, tmp_path: Path) -> None:
    csv, book, parquet = (tmp_path / f"r{ending}" for ending in (".csv", ".xlsx", ".parquet"))
    for place in (csv, book, parquet):
        result = retrofit("many", shop, "--to", place, "--time-limit", 20)
        assert result.exit_code == 0, result.output
        assert "1  planned, proven cheapest" in result.output

    table = pd.read_parquet(parquet)
    assert list(table.columns) == list(COLUMNS)
    assert list(table["name"]) == ["a.yaml", "bad.yaml", "north/a.yml"]
    assert list(table["status"]) == ["optimal", "input error", "infeasible"]
    assert table["reason"][2]
    again = pd.read_csv(csv, dtype=COLUMNS, keep_default_na=False, na_values={"cost_cents": [""], "chance": [""]} | {
        name: [""] for name, kind in COLUMNS.items() if kind in ("Int64", "Float64")
    })  # fmt: skip
    pd.testing.assert_frame_equal(again.astype(table.dtypes), table)
    sheet = openpyxl.load_workbook(book).active
    assert sheet is not None
    rows = list(sheet.iter_rows(values_only=True))
    assert rows[0] == tuple(COLUMNS)
    assert [row[2] for row in rows[1:]] == [table["cost_cents"][0], None, None]


@pytest.mark.long
@pytest.mark.usefixtures("no_processes")
def test_papers_are_those_of_the_commands(shop: Path, tmp_path: Path) -> None:
    retrofit("many", shop, "--to", tmp_path / "r.csv", "--papers", tmp_path / "papers", "--time-limit", 20)

    assert sorted(path.name for path in (tmp_path / "papers").iterdir()) == ["a.yaml"]
    system, catalog = pipeline.read(GOOD)
    expected = papers.store_rows(pipeline.plan(system, catalog))
    assert (tmp_path / "papers" / "a.yaml" / "order.csv").read_bytes() == expected
    assert (tmp_path / "papers" / "a.yaml" / "plan.xlsx").read_bytes()[:2] == b"PK"


def test_papers_come_all_or_none(tmp_path: Path) -> None:
    def papers_of(jobs: Iterator[Job]) -> Iterator[Answered]:
        return (Answered(one.key, Row(one.name, "optimal"), {"plan.xlsx": b"x", "no/such": b"y"}) for one in jobs)

    with pytest.raises(DocumentError, match="cannot be made"):
        run(iter([job()]), 1, papers_of, tmp_path / "kept", tmp_path / "papers")

    assert list((tmp_path / "papers").iterdir()) == []


def test_a_text_that_looks_like_a_formula_stays_text(tmp_path: Path) -> None:
    rows = [Row("=1+1.yaml", "read")]

    assert b"'=1+1.yaml" in b"".join(pieces(rows, ".csv"))
    (tmp_path / "r.xlsx").write_bytes(b"".join(pieces(rows, ".xlsx")))
    sheet = openpyxl.load_workbook(tmp_path / "r.xlsx").active
    assert sheet is not None
    assert (sheet["A2"].value, sheet["A2"].data_type) == ("=1+1.yaml", "s")


@pytest.mark.parametrize("size", [1, 7, 25, 10_000])
@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_a_table_that_is_written_in_pieces_says_what_one_in_one_piece_does(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, size: int, ending: str
) -> None:
    monkeypatch.setattr(results, "PIECE", size)
    place = tmp_path / f"r{ending}"
    texts = [f"text {number}" for number in range(25)]
    place.write_bytes(b"".join(pieces(ROWS, ending, {"targets: line": texts})))

    if ending == ".csv":
        assert place.read_text(encoding="utf-8") == frame(ROWS, {"targets: line": texts}).to_csv(index=False)
    else:
        pd.testing.assert_frame_equal(pd.read_parquet(place), frame(ROWS, {"targets: line": texts}))


@pytest.mark.parametrize("ending", [".csv", ".xlsx", ".parquet"])
def test_a_table_of_no_rows_has_its_headings(tmp_path: Path, ending: str) -> None:
    place = tmp_path / f"r{ending}"
    place.write_bytes(b"".join(pieces([], ending)))

    read = {".csv": pd.read_csv, ".xlsx": pd.read_excel, ".parquet": pd.read_parquet}[ending](place)
    assert list(read.columns) == list(COLUMNS)
