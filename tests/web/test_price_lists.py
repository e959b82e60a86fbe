"""A price list that is dropped on the page: it lies beside the file and counts; nothing is replaced, no path taken."""

from __future__ import annotations

import pytest
from web.conftest import Open, Page
from web.test_views import words_of

LIST = b"item_id,price,currency,price_date\n"


def drop(page: Page, name: str, content: bytes) -> str:
    fields = {"view": "wishes", "rev": str(page.sitting.revision)}
    return words_of(page.post("/prices", data=fields, files={"file": (name, content, "text/csv")}).text)


def test_a_price_list_that_is_dropped_lies_beside_the_file_and_counts(open_page: Open) -> None:
    page = open_page()
    key = next(key for key, item in page.sitting.shelf.items.items() if item.price_cents and item.kind == "elbow")
    content = LIST + f"{key},1.23,USD,2026-11-01\n".encode()

    told = drop(page, "store.csv", content)

    assert "store.csv is in the folder of the file now" in told
    assert (page.sitting.path.parent / "store.csv").read_bytes() == content
    assert page.sitting.folder_lists == (("store.csv", True),)
    assert page.sitting.sheet.answers.catalog.items[key].price_cents == 123
    drop(page, "store.csv", content)  # the same again: nothing new
    drop(page, "store.csv", LIST)  # another one of that name
    assert [name for name, _ in page.sitting.folder_lists] == ["store-2.csv", "store.csv"]
    assert (page.sitting.path.parent / "store.csv").read_bytes() == content


@pytest.mark.parametrize(
    "name", ["../../up.csv", "/etc/passwd", "C:\\x\\..\\tank.yaml", "\x00", "a" * 300, "..", "<b>.csv"]
)
def test_no_name_of_a_dropped_list_leads_out_of_the_folder(open_page: Open, name: str) -> None:
    page = open_page()
    folder = page.sitting.path.parent
    before, above = page.sitting.path.read_bytes(), set(folder.parent.iterdir())

    drop(page, name, LIST)

    found = [path for path in folder.iterdir() if path != page.sitting.path]
    assert [path.suffix for path in found] == [".csv"]
    assert page.sitting.path.read_bytes() == before
    assert set(folder.parent.iterdir()) == above


@pytest.mark.parametrize("content", [b"", b"  ", b"nonsense", b"\xff\xfe", LIST + b"no-such-thing,much,USD,soon\n"])
def test_a_bad_price_list_is_told_and_not_kept(open_page: Open, content: bytes) -> None:
    page = open_page()

    told = drop(page, "bad.csv", content)

    assert "not used: " in told or "Choose a price list" in told
    assert list(page.sitting.path.parent.glob("*.csv")) == []
    assert "/tmp" not in told.replace(str(page.sitting.path), "")
