"""Buying at two stores: lines that add up to the list, one store against both, and what is proved of it."""

from __future__ import annotations

import io
import random
from pathlib import Path

import openpyxl
import planned_examples
import pytest
from click.testing import CliRunner

from optimizer import pipeline
from optimizer.cli import main
from optimizer.documents.workbook import orders_bytes
from optimizer.model.catalog import Catalog
from optimizer.model.seller import Seller
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.search.two_stores import Order, Shopping
from optimizer.takeoff.store_bills import store_bill
from optimizer.takeoff.store_lists import store_lines

SMALL = data_directory("examples") / "single-return.yaml"


def price_list(folder: Path, name: str, seed: int, left_out: float = 0.0, factor: float = 1.0) -> Path:
    """Write a price list with invented prices around the shipped ones; some rows are left out."""
    draw = random.Random(seed)
    rows = ["item_id,price,currency,price_date\n"]
    for key, item in load_catalog().items.items():
        if draw.random() >= left_out:
            rows.append(f"{key},{factor * draw.uniform(0.7, 1.3) * item.price_cents / 100:.2f},USD,2026-11-01\n")
    path = folder / f"{name}.csv"
    path.write_text("".join(rows), encoding="utf-8")
    return path


@pytest.mark.parametrize("name", ["single-return", pytest.param("metric-unions", marks=pytest.mark.slow)])
def test_the_lines_of_one_store_add_up_to_the_parts_list(name: str) -> None:
    report, catalog = planned_examples.searched(name)
    lines = store_lines(report.system, report.plan, catalog, [catalog])

    assert sum(line.cents[0] or 0 for line in lines) == report.bill.total_cents


def bought(system: System, stores: list[Catalog], *sellers: Seller) -> Shopping:
    return pipeline.shop(system, stores, sellers)


@pytest.mark.slow
def test_two_stores_cost_no_more_than_either_and_what_they_charge_counts(tmp_path: Path) -> None:
    lists = [price_list(tmp_path, "corner", 1, 0.3), price_list(tmp_path, "web", 2, 0.1)]
    read = [pipeline.read(SMALL, [path]) for path in lists]
    system, stores = read[0][0], [catalog for _, catalog in read]
    free = bought(system, stores, Seller("corner"), Seller("web"))
    dear = bought(system, stores, Seller("corner"), Seller("web", 10000, 500))

    assert free.best is not None
    assert free.gap_cents == 0
    alone = [order.cents for order in free.alone if order is not None]
    assert free.best.cents <= min(alone)
    for line, at in zip(free.best.lines, free.best.stores, strict=True):  # without charges each line where it is less
        assert line.cents[at] == min(cents for cents in line.cents if cents is not None)
    # a store that charges at least 100.00 and delivery is not gone to where the other alone costs less
    assert dear.best is not None
    assert free.alone[0] is not None
    assert set(dear.best.stores) == {0}
    assert dear.best.cents == free.alone[0].cents < 10500
    assert dear.gap_cents == 0


@pytest.mark.slow
def test_each_list_alone_is_what_a_plan_from_that_list_costs(tmp_path: Path) -> None:
    lists = [price_list(tmp_path, "corner", 4), price_list(tmp_path, "web", 5, factor=1.1)]
    read = [pipeline.read(SMALL, [path]) for path in lists]
    found = bought(read[0][0], [catalog for _, catalog in read], Seller("corner"), Seller("web"))
    for order, (system, catalog) in zip(found.alone, read, strict=True):
        assert order is not None
        assert order.cents == pipeline.search(system, catalog).cost_cents


def test_one_price_list_is_not_two_stores(tmp_path: Path) -> None:
    told = CliRunner().invoke(main, ["stores", str(SMALL), "--store", str(price_list(tmp_path, "corner", 1))])

    assert told.exit_code == 2
    assert "two stores" in told.output


def test_each_store_gets_the_order_of_its_lines_at_its_prices(tmp_path: Path) -> None:
    report, catalog = planned_examples.searched("single-return")
    lines = store_lines(report.system, report.plan, catalog, [catalog, catalog])
    for stores in ((0,) * len(lines), tuple(place % 2 for place in range(len(lines)))):
        order = Order(report.plan, lines, stores, report.bill.total_cents, report.bill.total_cents)
        found = Shopping((Seller("corner"), Seller("web")), order, (None, None), 0)
        bought = [{line.key for line, at in zip(lines, stores, strict=True) if at == k} for k in (0, 1)]
        bills = [store_bill(report.system, report.plan, catalog, keys) for keys in bought]
        book = openpyxl.load_workbook(io.BytesIO(orders_bytes(found, report.system, bills)))

        assert [bill.total_cents for bill in bills] == [order.at(k) for k in (0, 1)]
        assert sum(bill.total_cents for bill in bills) == report.bill.total_cents
        assert book.sheetnames == [f"Order {k + 1}" for k in sorted(set(stores))]
        assert str(book.worksheets[0]["A1"].value).startswith("Order at corner: ")


@pytest.mark.slow
def test_the_command_writes_the_orders(tmp_path: Path) -> None:
    lists = [price_list(tmp_path, "corner", 1, 0.3), price_list(tmp_path, "web", 2, 0.1)]
    output = tmp_path / "orders.xlsx"
    told = ["stores", str(SMALL), "--store", str(lists[0]), "--store", str(lists[1]), "-o", str(output)]
    result = CliRunner().invoke(main, told)

    assert result.exit_code == 0
    assert openpyxl.load_workbook(output).sheetnames
