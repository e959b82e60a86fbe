"""What a user's own catalog and price files change in the shipped catalogs."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.model.catalog import Catalog
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory

PRICE_HEADER = "item_id,price,currency,price_date\n"


def test_a_price_list_overrides_prices_by_id(tmp_path: Path, catalog: Catalog) -> None:
    prices = tmp_path / "prices.csv"
    prices.write_text(PRICE_HEADER + "sch40-elbow-100,1.05,USD,2026-12-24\n", encoding="utf-8")

    changed = load_catalog([prices]).items["sch40-elbow-100"]

    assert (changed.price_cents, changed.price_date.isoformat()) == (105, "2026-12-24")
    assert changed.loss == catalog.items["sch40-elbow-100"].loss


def test_a_price_list_may_leave_prices_open_and_have_other_columns(tmp_path: Path, catalog: Catalog) -> None:
    prices = tmp_path / "prices.csv"
    prices.write_text("shelf,item_id,price,currency,price_date\nA3,sch40-elbow-100,,,\n", encoding="utf-8")

    assert load_catalog([prices]).items == catalog.items


def test_a_later_price_list_wins(tmp_path: Path) -> None:
    paths = []
    for name, price in (("first.csv", "1"), ("second.csv", "2.5")):
        paths.append(tmp_path / name)
        paths[-1].write_text(PRICE_HEADER + f"sch40-elbow-100,{price},USD,2026-12-24\n", encoding="utf-8-sig")

    assert load_catalog(paths).items["sch40-elbow-100"].price_cents == 250
    assert load_catalog(paths[::-1]).items["sch40-elbow-100"].price_cents == 100


def test_a_price_list_in_another_currency_may_price_every_row(tmp_path: Path, catalog: Catalog) -> None:
    prices = tmp_path / "prices.csv"
    rows = [f"{item_id},1.5,EUR,2026-12-24\n" for item_id in catalog.items]
    prices.write_text(PRICE_HEADER + "".join(rows), encoding="utf-8")

    assert load_catalog([prices]).currency == "EUR"


def test_a_users_catalog_adds_rows_with_sources_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "sources.toml").write_text(
        '[bench]\ntitle = "Measured on the bench"\nplace = "note 3"\ndate = "2026-12-01"\nbasis = "published"\n',
        encoding="utf-8",
    )
    lines = (data_directory("catalogs") / "pipes.csv").read_text(encoding="utf-8").splitlines()
    own = lines[1].replace("sch40-pipe-050", "own-pipe-050").replace("15.44", "15.31").replace("astm-d1785", "bench")
    (tmp_path / "own.csv").write_text(f"{lines[0]}\n{own}\n", encoding="utf-8")

    catalog = load_catalog([tmp_path / "own.csv"])

    assert catalog.items["own-pipe-050"].bore_m == pytest.approx(0.01531)
    assert catalog.sources["bench"].title == "Measured on the bench"
    assert "sch40-pipe-050" in catalog.items


def test_the_rows_of_ones_own_are_those_that_ones_files_add_or_price(tmp_path: Path, catalog: Catalog) -> None:
    prices = tmp_path / "prices.csv"
    prices.write_text(
        PRICE_HEADER + "sch40-elbow-100,1.05,USD,2026-12-24\nsch40-elbow-150,,USD,2026-12-24\n", encoding="utf-8"
    )
    lines = (data_directory("catalogs") / "pipes.csv").read_text(encoding="utf-8").splitlines()
    (tmp_path / "sources.toml").write_bytes((data_directory("catalogs") / "sources.toml").read_bytes())
    own = lines[1].replace("sch40-pipe-050", "own-pipe-050")
    (tmp_path / "own.csv").write_text(f"{lines[0]}\n{own}\n", encoding="utf-8")

    assert load_catalog([prices, tmp_path / "own.csv"]).own == {"sch40-elbow-100", "own-pipe-050"}
    assert not catalog.own
