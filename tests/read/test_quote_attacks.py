"""Workbooks that are locked, damaged, blown up or odd: one clear error with sheet and cell, in little memory."""

from __future__ import annotations

import random
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest
from openpyxl.chart import BarChart
from quotes import PARTS, asked, filled, price_cell, written

from optimizer.errors import InputError
from optimizer.read.quote import load_quote
from optimizer.read.workbooks import MOST_CELLS, load_sheets

ELBOW = "sch40-elbow-100"


def said_of(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        load_quote(path, "USD", asked())
    return str(caught.value)


def plain(tmp_path: Path, content: bytes) -> Path:
    path = tmp_path / "quote.xlsx"
    path.write_bytes(content)
    return path


def test_a_locked_workbook_is_said_to_be_locked(tmp_path: Path) -> None:
    content = bytearray(written())
    for mark, place in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):  # the flags of an entry, and of its line in the list
        at = content.find(mark)
        while at >= 0:
            content[at + place] |= 1
            at = content.find(mark, at + 4)

    assert "locked with a password" in said_of(plain(tmp_path, bytes(content)))


def test_a_file_of_the_format_that_locked_workbooks_have_is_said_to_be_one(tmp_path: Path) -> None:
    assert "locked with a password, or in an older format" in said_of(
        plain(tmp_path, b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(5000))
    )


@pytest.mark.parametrize("seed", range(40))
def test_a_damaged_workbook_is_refused_or_read(seed: int, tmp_path: Path) -> None:
    random_bytes = random.Random(seed)
    content = bytearray(written())
    for _ in range(random_bytes.choice((1, 5, 50))):
        content[random_bytes.randrange(len(content))] = random_bytes.randrange(256)
    if seed % 3 == 0:
        del content[random_bytes.randrange(len(content)) :]
    told = "quote.xlsx"
    try:
        load_quote(plain(tmp_path, bytes(content)), "USD", asked())
    except InputError as error:
        told = str(error)
    assert told.startswith("quote.xlsx")


def blown_up(path: Path, name: str, megabytes: int) -> None:
    """Put an entry that unpacks to so many megabytes into a workbook, in place of its own."""
    source = path.with_name("source.xlsx")
    shutil.move(path, source)
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for entry in old.infolist():
            if entry.filename != name:
                new.writestr(entry, old.read(entry))
        with new.open(name, "w") as file:
            for _ in range(megabytes):
                file.write(b"<si><t>a</t></si>" * 61_681)


@pytest.mark.long
def test_a_small_file_that_unpacks_to_a_large_one_is_not_opened(tmp_path: Path) -> None:
    path = plain(tmp_path, written())
    blown_up(path, "xl/sharedStrings.xml", 300)

    assert path.stat().st_size < 3_000_000
    assert "MB unpacked" in said_of(path)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="memory as POSIX tells it")
@pytest.mark.xfail(strict=False, reason="the memory of a whole suite counts where it runs in one process")
def test_the_largest_workbook_that_is_opened_takes_less_than_300_mb(tmp_path: Path) -> None:
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet("Large")
    for row in range(19_500):
        sheet.append([f"{row} {column}" for column in range(9)])
    path = tmp_path / "large.xlsx"
    book.save(path)
    with zipfile.ZipFile(path) as packed:
        assert 9_000_000 < sum(entry.file_size for entry in packed.infolist()) < 10_000_000

    code = (
        "import resource, sys; from pathlib import Path; from optimizer.read.workbooks import load_sheets; "
        "load_sheets(Path(sys.argv[1])); print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    ran = subprocess.run([sys.executable, "-c", code, path], capture_output=True, text=True, check=True, timeout=120)
    assert int(ran.stdout) * (1 if sys.platform == "darwin" else 1024) < 300e6


@pytest.mark.slow
def test_more_cells_than_a_parts_list_has_are_refused(tmp_path: Path) -> None:
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet("Many")
    for _ in range(MOST_CELLS // 100 + 1):
        sheet.append([1] * 100)
    path = tmp_path / "many.xlsx"
    book.save(path)

    with pytest.raises(InputError, match="more than 200,000 cells"):
        load_sheets(path)


@pytest.mark.long
def test_a_cell_in_the_last_row_of_all_costs_nothing(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        book[PARTS].cell(1_048_576, 16_384).value = "stray"

    assert len(load_quote(filled(tmp_path, change), "USD", asked()).prices) == len(asked())


def test_a_chart_sheet_is_passed_over(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        book.create_chartsheet("Chart", 0).add_chart(BarChart())

    assert len(load_quote(filled(tmp_path, change), "USD", asked()).prices) == len(asked())


Change = Callable[[openpyxl.Workbook], None]


def price(value: object) -> Change:
    def change(book: openpyxl.Workbook) -> None:
        price_cell(book[PARTS], ELBOW).value = value

    return change


@pytest.mark.parametrize(
    ("value", "found"),
    [
        (0, "found the price 0; allowed: a price from 0.01 to 100,000,000"),
        (0.001, "found the price 0.001; allowed: a price from 0.01 to 100,000,000"),
        (1e300, "found the price 1e+300; allowed: a price from 0.01 to 100,000,000"),
        (1e10, "found the price 1e+10; allowed: a price from 0.01 to 100,000,000"),
        ("about three", "found the text 'about three'; allowed: a plain number above 0"),
        (True, "found True; allowed: a plain number above 0"),
    ],
)
def test_a_price_that_is_none_is_said_with_its_cell(value: object, found: str, tmp_path: Path) -> None:
    told = said_of(filled(tmp_path, price(value)))

    assert told.startswith(f"quote.xlsx, {PARTS}!")
    assert found in told
    assert "\n" not in told


def test_a_row_that_says_to_be_the_billionth_is_not_waited_for(tmp_path: Path) -> None:
    """The library counts all rows that are left out before it."""
    source, path = plain(tmp_path, written()), tmp_path / "far.xlsx"
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for entry in old.infolist():
            content = old.read(entry)
            if entry.filename.endswith("sheet2.xml"):
                content = content.replace(b'<row r="3"', b'<row r="999999999"')
            new.writestr(entry, content)
    assert "rows" in said_of(path)
