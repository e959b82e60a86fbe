"""Money as the owner has it: another currency at a rate of theirs, tax in the prices or on top, own lists in one."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from said import said

from optimizer import pipeline
from optimizer.cli import main
from optimizer.documents.note_words import warning_notes
from optimizer.errors import InputError
from optimizer.model.money import Money, Rate
from optimizer.read.catalogs import load_catalog
from optimizer.read.money import money_of
from optimizer.read.places import data_directory

EUROS = data_directory("examples") / "euros"
SMALL = data_directory("examples") / "single-return.yaml"


def with_keys(folder: Path, keys: str) -> Path:
    text = SMALL.read_text(encoding="utf-8")
    assert "\nruns:" in text
    assert "\ncurrency:" not in text
    path = folder / "file.yaml"
    path.write_text(text.replace("\nruns:", f"\n{keys}runs:", 1), encoding="utf-8")
    return path


def test_a_price_is_told_at_the_rate_and_with_the_tax_by_hand() -> None:
    money = Money("EUR", {"USD": Rate(0.92)}, 0.19, tax_included=False)

    assert money.cents(100, "USD") == 110  # 1.00 USD, 0.92 EUR, 1.0948 EUR with tax: up to the cent
    assert money.cents(100, "EUR") == 119
    assert Money("EUR", {}, 0.19).cents(100, "EUR") == 100
    assert Money("EUR", {}, 0.19).tax_in(11900) == 1900
    assert not money.counts("GBP")


@given(st.integers(0, 10**7), st.floats(1e-3, 1e3), st.floats(0, 0.5))
def test_money_is_whole_cents_and_never_told_too_low(cents: int, rate: float, tax: float) -> None:
    told = Money("EUR", {"USD": Rate(rate)}, tax, tax_included=False).cents(cents, "USD")
    true = cents * rate * (1 + tax)

    assert true - 1e-6 * max(1.0, true) <= told <= math.ceil(true)


@pytest.mark.parametrize(
    ("keys", "factor"),
    [
        ("currency: USD\n", 1.0),
        ("currency: EUR\nprices: {USD: 0.92 EUR}\n", 0.92),
        ("currency: EUR\nprices: {USD: 0.92 EUR on 2026-11-01}\ntax: 19 %, included\n", 0.92),
        ("currency: EUR\nprices: {USD: 0.92 EUR}\ntax: 19 %, added\n", 0.92 * 1.19),
        ("currency: USD\ntax: 8.25 % added\n", 1.0825),
    ],
)
def test_every_price_of_the_catalogs_counts_in_the_owners_money(tmp_path: Path, keys: str, factor: float) -> None:
    plain = load_catalog()
    system, catalog = pipeline.read(with_keys(tmp_path, keys))

    assert catalog.currency == system.currency
    assert set(catalog.items) == set(plain.items)
    for key, item in catalog.items.items():
        assert item.price_cents - 1 < plain.items[key].price_cents * factor <= item.price_cents + 1e-6


@pytest.mark.long
def test_a_plan_costs_what_its_parts_cost_at_the_rate(tmp_path: Path) -> None:
    dollars = pipeline.plan(*pipeline.read(with_keys(tmp_path, "currency: USD\n")))
    doubled = pipeline.plan(*pipeline.read(with_keys(tmp_path, "currency: EUR\nprices: {USD: 2 EUR on 2026-11-01}\n")))

    assert doubled.bill.currency == "EUR"
    assert doubled.bill.total_cents == 2 * dollars.bill.total_cents
    assert any("at 2 EUR each (your rate of 2026-11-01)" in note for note in said(warning_notes(doubled)))


@pytest.mark.long
def test_of_a_total_with_tax_the_note_says_how_much_is_tax(tmp_path: Path) -> None:
    report = pipeline.plan(*pipeline.read(with_keys(tmp_path, "currency: USD\ntax: 25 %, included\n")))
    share = report.bill.total_cents / 5 / 100  # 25 of 125

    assert f"all prices have 25 % tax in them; of the total ${share:.2f} are tax" in said(warning_notes(report))


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ("currency: EUR\nprices: {USD: 0.92}\n", "the rate '0.92'"),
        ("currency: EUR\nprices: {USD: 0.92 USD}\n", "what one of it costs in EUR"),
        ("currency: EUR\nprices: {USD: 0 EUR}\n", "the rate '0 EUR'"),
        ("currency: EUR\nprices: {EUR: 1 EUR}\n", "another currency than EUR"),
        ("currency: EUR\nprices: {dollars: 1 EUR}\n", "another currency than EUR"),
        ("currency: USD\ntax: 19 %\n", "whether the prices have it"),
        ("currency: USD\ntax: 100 %, added\n", "below 100 %"),
        ("currency: EURO\ntax: 19 %, added\n", "three letters"),
    ],
)
def test_what_can_not_be_read_is_a_fault_with_its_place(tmp_path: Path, keys: str, words: str) -> None:
    path = with_keys(tmp_path, keys)

    assert money_of(path) is None
    with pytest.raises(InputError) as caught:
        pipeline.read(path)
    assert words in str(caught.value)
    assert "file.yaml:" in str(caught.value)


def test_an_own_list_in_another_currency_needs_a_rate(tmp_path: Path) -> None:
    own = tmp_path / "own.csv"
    own.write_text("item_id,price,currency,price_date\nsch40-elbow-100,1.00,EUR,2026-11-01\n", encoding="utf-8")
    with pytest.raises(InputError, match="one currency throughout"):
        pipeline.read(SMALL, [own])

    _, catalog = pipeline.read(with_keys(tmp_path, "currency: EUR\nprices: {USD: 0.5 EUR}\n"), [own])
    assert catalog.items["sch40-elbow-100"].price_cents == 100
    assert catalog.items["sch40-pipe-100"].price_cents == math.ceil(
        load_catalog().items["sch40-pipe-100"].price_cents / 2
    )


@pytest.mark.slow
def test_the_living_room_is_planned_in_euros_from_its_own_list_alone() -> None:
    system, catalog = pipeline.read(EUROS / "living-room.yaml", [EUROS / "prices.csv"])
    report = pipeline.plan(system, catalog)

    assert report.bill.currency == "EUR"
    bought = {line.item_id.split("@")[0] for line in report.bill.lines}
    assert bought
    assert bought <= catalog.own
    assert any("19 % tax in them" in note for note in said(warning_notes(report)))
    told = CliRunner().invoke(
        main, ["adapters", str(EUROS / "living-room.yaml"), "--catalog", str(EUROS / "prices.csv")]
    )
    assert "Run reactor line, device reactor, inlet: 1/2 in BSPP female" in told.output
    assert "€" in told.output


def test_without_its_list_the_living_room_has_nothing_to_buy() -> None:
    with pytest.raises(InputError, match="no list of yours with a price in it"):
        pipeline.plan(*pipeline.read(EUROS / "living-room.yaml"))
