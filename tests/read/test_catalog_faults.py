"""Broken catalogs and price lists, each with the exact words that say where, what, and what is allowed."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import openpyxl
import pytest

from optimizer.errors import InputError
from optimizer.read.catalogs import load_catalog, load_catalog_files
from optimizer.read.places import data_directory

CATALOGS = data_directory("catalogs")
BASES = "one of published, common practice, no source, from memory, estimate"


def broken(folder: Path, name: str, row_id: str, **cells: str) -> str:
    """Return what is said of a user's copy of one catalog row in which some cells were changed."""
    with (CATALOGS / name).open(encoding="utf-8", newline="") as file:
        rows = csv.DictReader(file)
        row = next(row for row in rows if row["item_id"] == row_id)
        with (folder / name).open("w", encoding="utf-8", newline="") as copy:
            writer = csv.DictWriter(copy, rows.fieldnames or [])
            writer.writeheader()
            writer.writerow(row | cells)
    return said_of(folder / name)


def said_of(*paths: Path) -> str:
    with pytest.raises(InputError) as caught:
        load_catalog(paths)
    return str(caught.value)


def prices(folder: Path, *rows: str, header: str = "item_id,price,currency,price_date") -> Path:
    path = folder / "prices.csv"
    path.write_text("\n".join((header, *rows, "")), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        (
            {"bore_average_mm": "26,24"},
            "column bore_average_mm: found '26,24'; allowed: a number with a decimal point; did you mean 26.24?",
        ),
        ({"bore_average_mm": "wide"}, "column bore_average_mm: found 'wide'; allowed: a number with a decimal point"),
        ({"bore_average_mm": "nan"}, "column bore_average_mm: found 'nan'; allowed: a number with a decimal point"),
        ({"bore_average_mm": "0"}, "column bore_average_mm: found '0'; allowed: a number above 0"),
        (
            {"bore_average_mm": "27.5"},
            "column bore_average_mm: found '27.5'; allowed: at most bore_min_wall_mm, "
            "and that below outside_diameter_mm",
        ),
        ({"roughness_mm": "-0.1"}, "column roughness_mm: found '-0.1'; allowed: a number of at least 0"),
        ({"sale_length_m": ""}, "column sale_length_m: found ''; allowed: a number with a decimal point"),
        ({"kind": "hoes"}, "column kind: found 'hoes'; allowed: one of pipe, hose, tube; did you mean hose?"),
        (
            {"source": "astm-d1758"},
            "column source: found 'astm-d1758'; allowed: a key of sources.toml; did you mean astm-d1785?",
        ),
        ({"price": "-1.19"}, "column price: found '-1.19'; allowed: a price of at least 0"),
        ({"price": "$1.19"}, "column price: found '$1.19'; allowed: a price such as 4.29, without a currency sign"),
        ({"price": "1.195"}, "column price: found '1.195'; allowed: a price with at most two decimals"),
        ({"price": "1,19"}, "column price: found '1,19'; allowed: a price with a decimal point; did you mean 1.19?"),
        (
            {"currency": "usd"},
            "column currency: found 'usd'; allowed: a currency of three capital letters, such as USD; "
            "did you mean USD?",
        ),
        (
            {"price_date": "11/01/2026"},
            "column price_date: found '11/01/2026'; allowed: a date as year-month-day, such as 2026-11-01",
        ),
        (
            {"price_date": "2026-02-30"},
            "column price_date: found '2026-02-30'; allowed: a date as year-month-day, such as 2026-11-01",
        ),
        ({"basis": "guess"}, f"column basis: found 'guess'; allowed: {BASES}"),
        ({"item_id": ""}, "column item_id: found ''; allowed: a name; the cell is empty"),
        (
            {"end": "1 spigot"},
            "column end: found '1 spigot'; allowed: a nominal size and a form, such as 1-1/2 in socket, "
            "3/4 in NPT male or 32 mm spigot",
        ),
    ],
    ids=lambda value: "-".join(f"{k}={v}" for k, v in value.items()) if isinstance(value, dict) else "",
)
def test_a_broken_cell_of_a_pipe_is_told_with_row_and_column(tmp_path: Path, cells: dict[str, str], words: str) -> None:
    assert broken(tmp_path, "pipes.csv", "sch40-pipe-100", **cells) == f"pipes.csv, row 2, {words}"


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        (
            {"end_2": ""},
            "column end_2: found ''; allowed: a nominal size and a form, such as 1-1/2 in socket, 3/4 in NPT male or",
        ),
        *(
            (
                {"end_2": f"{size} in socket"},
                f"column end_2: found '{size} in socket'; allowed: a nominal size and a form",
            )
            for size in ("1/0", "1-1/0", "0", "١")
        ),
        (
            {"end_2": "1 in sockett"},
            "column end_2: found '1 in sockett'; allowed: a nominal size and one of socket, spigot, ",
        ),
        (
            {"bore_2_mm": "266.4"},
            "column bore_2_mm: found '266.4'; allowed: a bore from 6.35 to 102 mm in an end of 1 in",
        ),
        (
            {"take_out_1_mm": "99999"},
            "column take_out_1_mm: found '99999'; allowed: 0, or a number from 1e-05 to 10000",
        ),
        ({"end_3": "1 in socket"}, "column end_3: found '1 in socket'; allowed: an empty cell: kind elbow has 2 ends"),
        (
            {"loss_method": "3K"},
            "column loss_method: found '3K'; allowed: one of 3-K, 2-K, L/D, Kv, K, bores, tee, none; did you mean 3-K?",
        ),
        ({"k": "0.9"}, "column k: found '0.9'; allowed: an empty cell: loss method 3-K takes k1, ki, kd, nominal_in"),
        ({"kd": ""}, "column kd: found ''; allowed: a number with a decimal point"),
        (
            {"band_low": "1.2"},
            "column band_low: found '1.2'; allowed: at most 1: the share of the stated loss that the true one may be",
        ),
        (
            {"loss_source": "darby"},
            "column loss_source: found 'darby'; allowed: a key of sources.toml; did you mean darby-3k?",
        ),
        (
            {"pressure_rating_bar": "PN16"},
            "column pressure_rating_bar: found 'PN16'; allowed: a number with a decimal point",
        ),
    ],
    ids=lambda value: "-".join(f"{k}={v}" for k, v in value.items()) if isinstance(value, dict) else "",
)
def test_a_broken_cell_of_a_fitting_is_told_with_row_and_column(
    tmp_path: Path, cells: dict[str, str], words: str
) -> None:
    said = broken(tmp_path, "fittings.csv", "sch40-elbow-100", **cells)

    assert said.startswith(f"fittings.csv, row 2, {words}")
    assert said.count("\n") == 0


def test_a_misspelled_form_is_answered_with_the_nearest_one(tmp_path: Path) -> None:
    said = broken(tmp_path, "adapters.csv", "nipple-100-npt", end_1="1 in NTP male")

    assert said.endswith("; did you mean 1 in NPT male?")


def test_every_fault_of_every_file_is_told_at_once_in_reading_order(tmp_path: Path) -> None:
    first = prices(tmp_path, "sch40-elbow-100,x,usd,2026", "sch40-elbo-100,1,USD,2026-12-24")
    second = tmp_path / "more.csv"
    second.write_text("item_id,price\nsch40-elbow-100,1\n", encoding="utf-8")

    assert said_of(first, second).splitlines() == [
        "prices.csv, row 2, column price: found 'x'; allowed: a price such as 4.29, without a currency sign",
        "prices.csv, row 2, column currency: found 'usd'; allowed: a currency of three capital letters, such as USD; "
        "did you mean USD?",
        "prices.csv, row 2, column price_date: found '2026'; allowed: a date as year-month-day, such as 2026-11-01",
        "prices.csv, row 3, column item_id: found 'sch40-elbo-100'; allowed: an id of the catalogs; "
        "did you mean sch40-elbow-100?",
        "more.csv, row 1: found the columns item_id, price; allowed: a column currency among them",
        "more.csv, row 1: found the columns item_id, price; allowed: a column price_date among them",
    ]


def test_two_currencies_are_an_error_and_never_converted(tmp_path: Path) -> None:
    total = len(load_catalog().items)
    path = prices(tmp_path, "sch40-elbow-100,1.05,EUR,2026-12-24")

    assert said_of(path) == (
        "prices.csv, row 2, column currency: found 'EUR'; allowed: one currency throughout: "
        f"{total - 1} of {total} rows are in USD, and none is converted"
    )


def test_an_id_twice_in_one_file_is_a_fault(tmp_path: Path) -> None:
    path = prices(tmp_path, *["sch40-elbow-100,1.05,USD,2026-12-24"] * 2)

    assert said_of(path) == (
        "prices.csv, row 3, column item_id: found 'sch40-elbow-100'; allowed: each once; "
        "prices.csv, row 2 has it already"
    )


def test_an_id_twice_in_files_read_together_is_a_fault(tmp_path: Path) -> None:
    (tmp_path / "sources.toml").write_bytes((CATALOGS / "sources.toml").read_bytes())
    lines = (CATALOGS / "pipes.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    for name in ("a.csv", "b.csv"):
        (tmp_path / name).write_text("".join(lines[:2]), encoding="utf-8")

    with pytest.raises(InputError) as caught:
        load_catalog_files([tmp_path / "a.csv", tmp_path / "b.csv"])

    assert str(caught.value) == (
        "b.csv, row 2, column item_id: found 'sch40-pipe-050'; allowed: each once; a.csv, row 2 has it already"
    )


def test_a_missing_column_is_told_with_the_one_that_looks_like_it(tmp_path: Path) -> None:
    lines = (CATALOGS / "sockets.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    path = tmp_path / "own.csv"
    path.write_text(lines[0].replace("basis", "bassis") + lines[1], encoding="utf-8")

    assert said_of(path).splitlines() == [
        "own.csv, row 1: found the columns end, depth_mm, source, bassis; allowed: a column basis among them; "
        "did you mean bassis?",
        "own.csv, row 1: found an unknown column 'bassis'; allowed: the columns end, depth_mm, source, basis; "
        "did you mean basis?",
    ]


def test_a_row_with_a_stray_comma_is_told_by_its_number_of_cells(tmp_path: Path) -> None:
    path = prices(tmp_path, "sch40-elbow-100,1,05,USD,2026-12-24")

    assert said_of(path) == (
        "prices.csv, row 2: found 5 cells; allowed: 4, one for each column (quote a cell that has a comma)"
    )


def test_semicolons_are_told_as_such(tmp_path: Path) -> None:
    path = prices(tmp_path, "sch40-elbow-100;1.05;USD;2026-12-24", header="item_id;price;currency;price_date")

    assert said_of(path) == "prices.csv, row 1: found cells separated by semicolons; allowed: cells separated by commas"


def test_a_column_named_twice_is_a_fault(tmp_path: Path) -> None:
    path = prices(tmp_path, header="item_id,price,price,currency,price_date")

    assert said_of(path) == "prices.csv, row 1: found the column 'price' twice; allowed: each column once"


def test_an_empty_file_is_a_fault(tmp_path: Path) -> None:
    path = tmp_path / "prices.csv"
    path.write_text("", encoding="utf-8")

    assert said_of(path) == (
        "prices.csv: found an empty file; allowed: a header row with the names of the columns, then rows"
    )


def test_a_file_that_is_not_there_is_a_fault(tmp_path: Path) -> None:
    path = tmp_path / "none.csv"

    assert said_of(path) == f"{path}: found No such file or directory; allowed: a CSV file that can be read"


def test_a_file_that_is_not_utf_8_is_a_fault(tmp_path: Path) -> None:
    path = tmp_path / "prices.csv"
    path.write_bytes("item_id,price,currency,price_date\nmuffe-größe,1,USD,2026-12-24\n".encode("latin-1"))

    assert said_of(path) == (
        "prices.csv, row 2: found a byte that is not UTF-8 (number 43); allowed: text saved as CSV UTF-8"
    )


def test_an_open_quote_is_a_fault(tmp_path: Path) -> None:
    path = prices(tmp_path, '"sch40-elbow-100,1.05,USD,2026-12-24')

    assert said_of(path) == (
        "prices.csv, row 2 (line 2 of the file): found unexpected end of data; "
        "allowed: comma-separated cells, quotes in pairs"
    )


@pytest.mark.parametrize("content", [f"[bench]\nn = {'9' * 5000}\n", "[bench\n", "x = " + "[" * 9000])
def test_sources_that_are_no_toml_are_told(tmp_path: Path, content: str) -> None:
    (tmp_path / "sources.toml").write_text(content, encoding="utf-8")

    assert re.fullmatch(r"sources.toml: found .+; allowed: a TOML file in UTF-8", said_of(prices(tmp_path)))


def test_a_source_without_its_place_is_a_fault(tmp_path: Path) -> None:
    (tmp_path / "sources.toml").write_text(
        '[bench]\ntitle = "Bench"\ndate = "2026"\nbasis = "published"\n', encoding="utf-8"
    )

    assert said_of(prices(tmp_path)) == (
        "sources.toml, [bench]: found no text for place; allowed: title, place, date and basis"
    )


def test_a_source_of_unknown_basis_is_a_fault(tmp_path: Path) -> None:
    (tmp_path / "sources.toml").write_text(
        '[bench]\ntitle = "Bench"\nplace = "-"\ndate = "2026"\nbasis = "estimated"\n', encoding="utf-8"
    )

    assert said_of(prices(tmp_path)) == (
        "sources.toml, [bench]: found basis 'estimated'; allowed: one of published; common practice, no source; "
        "from memory; estimate; did you mean estimate?"
    )


def test_cover_for_something_that_is_not_sold_is_a_fault(tmp_path: Path) -> None:
    path = tmp_path / "cover.csv"
    path.write_text(
        "item_id,size,joints_per_pack,source,basis\ncement-pnt,1 in,62.5,consumables-practice,estimate\n",
        encoding="utf-8",
    )

    assert said_of(path).splitlines() == [
        "cover.csv, row 2, column item_id: found 'cement-pnt'; allowed: a consumable of the catalogs; "
        "did you mean cement-pint?",
        "cover.csv, row 2, column joints_per_pack: found '62.5'; allowed: a whole number",
    ]


def test_a_workbook_in_place_of_a_list_is_told_as_one(tmp_path: Path) -> None:
    path = tmp_path / "prices.xlsx"
    openpyxl.Workbook().save(path)

    allowed = "a list of prices as text: save its sheet as CSV UTF-8"
    assert said_of(path) == f"prices.xlsx: found a workbook; allowed: {allowed}"
