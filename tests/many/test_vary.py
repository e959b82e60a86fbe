"""One system with many changes: each variant is the file with those changes made by hand, planned by itself."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pandas as pd
import pytest
from click.testing import Result
from many.jobs import GOOD, retrofit

from optimizer import pipeline
from optimizer.errors import InputError
from optimizer.many.variants import place_of, read_variants

pytestmark = pytest.mark.usefixtures("no_processes")


def vary(folder: Path, table: str, *words: object, to: str = "r.csv") -> Result:
    (folder / "with.csv").write_text(table, encoding="utf-8")
    asked = ["vary", GOOD, "--with", folder / "with.csv", "--to", folder / to, *words]
    return retrofit(*asked)


def table_of(folder: Path) -> pd.DataFrame:
    return pd.read_csv(folder / "r.csv", dtype={"name": str})


@pytest.mark.long
def test_each_variant_costs_what_the_file_changed_by_hand_costs(tmp_path: Path) -> None:
    result = vary(tmp_path, "name,targets: return line\nas it is,\nless,at least 650 gal/h\n")

    assert result.exit_code == 0, result.output
    table = table_of(tmp_path)
    assert list(table["name"]) == ["as it is", "less"]
    assert list(table["targets: return line"].fillna("")) == ["", "at least 650 gal/h"]
    by_hand = tmp_path / "by-hand.yaml"
    by_hand.write_text(GOOD.read_text(encoding="utf-8").replace("700 gal/h", "650 gal/h"), encoding="utf-8")
    expected = [pipeline.plan(*pipeline.read(path)).bill.total_cents for path in (GOOD, by_hand)]
    assert list(table["cost_cents"]) == expected


@pytest.mark.parametrize("end", ["\r", "\r\n"])
def test_lines_may_end_as_on_any_machine(tmp_path: Path, end: str) -> None:
    table = tmp_path / "with.csv"
    table.write_bytes(f"name,b{end}x,1{end}y,2{end}".encode())

    assert read_variants(table).cells == (("1",), ("2",))


def test_a_part_of_a_run_is_named_by_its_number(tmp_path: Path) -> None:
    vary(tmp_path, "runs: return line: parts: 6\nsweep elbow\n", "--what", "flow")

    text = GOOD.read_text(encoding="utf-8").replace("- elbow\n", "- sweep elbow\n", 1)
    by_hand = tmp_path / "by-hand.yaml"
    by_hand.write_text(text, encoding="utf-8")
    flow = pipeline.flows(pipeline.read(by_hand)[0]).flows_m3_s["return line"]
    asked = pipeline.read(by_hand)[0].targets[0].low_m3_s
    assert table_of(tmp_path)["share_before"][0] == pytest.approx(flow / asked)


def test_what_can_not_be_changed_or_read_is_a_row_with_its_reason(tmp_path: Path) -> None:
    vary(tmp_path, "runs: return line: parts: 99,pumps: return: speedd\nelbow,\n,50 %\n,\n", "--what", "check")

    table = table_of(tmp_path)
    assert list(table["status"]) == ["input error", "input error", "read"]
    assert "can not be made" in table["error"][0]
    assert "speedd" in table["error"][1]
    assert "single-return.yaml (2):" in table["error"][1]


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("", "no row of values"),
        ("targets: a\n", "no row of values"),
        ("targets: a,targets: a\n1,2\n", "more than once"),
        ("targets: ,b\n1,2\n", "'targets:'"),
        ("a,b\n1\n", "row 2: found 1 cells"),
        ("name,b\nx,1\nx,2\n", "'x' as the name of two rows"),
        (f"b\n1\n{'9' * 200_000}\n", "row 3: found field larger than field limit"),
        ('b\n1\n"2\n', "row 3: found unexpected end of data; allowed: comma-separated cells, quotes in pairs"),
    ],
)
def test_a_table_that_is_none_is_refused_with_its_place(tmp_path: Path, table: str, words: str) -> None:
    (tmp_path / "with.csv").write_text(table, encoding="utf-8")

    with pytest.raises(InputError, match=words):
        read_variants(tmp_path / "with.csv")


def test_a_heading_is_a_path() -> None:
    assert place_of("runs: return line: parts: 3") == ("runs", "return line", "parts", 2)
    assert place_of("'rules': certainty") == ("rules", "certainty")


@pytest.mark.long
def test_a_picture_shows_each_variant_with_a_plan(tmp_path: Path) -> None:
    table = "targets: return line,surfaces: display\nat least 650 gal/h,1.4 m\nat least 700 gal/h,1.4 m\n"
    table += "at least 700 gal/h,1.2 m\nat least 9000 gal/h,1.2 m\n"

    result = vary(tmp_path, table, "--picture", tmp_path / "v.svg")

    assert result.exit_code == 0, result.output
    picture = ElementTree.parse(tmp_path / "v.svg")
    words = " ".join(picture.getroot().itertext())
    assert len(picture.findall(".//{http://www.w3.org/2000/svg}circle")) == 3
    assert "1 without one are left out" in words
    assert "surfaces: display: 1.4" in words
    assert "surfaces: display: 1.2" in words


@pytest.mark.parametrize("table", ["rules: sizes\n1 in\nany\n", "a,b,c\n1,2,3\n"])
def test_a_picture_of_what_is_no_number_is_refused(tmp_path: Path, table: str) -> None:
    result = vary(tmp_path, table, "--picture", tmp_path / "v.svg")

    assert result.exit_code == 2
    assert not (tmp_path / "r.csv").exists()
