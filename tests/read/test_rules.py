"""What a plan may do, as the rules of a system file say it."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.errors import InputError
from optimizer.model.system import Rules
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system

CATALOG = load_catalog()
PLAIN = (data_directory("examples") / "single-return.yaml").read_text(encoding="utf-8")


def rules(tmp_path: Path, words: str) -> Rules:
    path = tmp_path / "system.yaml"
    path.write_text(f"{PLAIN}\nrules: {{{words}}}\n", encoding="utf-8")
    return load_system(path, CATALOG).rules


@pytest.mark.parametrize(
    ("words", "name", "value"),
    [
        ("sizes: [1 in, 3/4 in]", "sizes", ("3/4 in", "1 in")),
        ("other sizes: no", "resize", False),
        ("velocity limit: 2 m/s", "velocity_limit_m_s", pytest.approx(2.0)),
        ("brass allowed: yes", "allow_unsafe_metals", True),
        ("keep unions: no", "keep_services", False),
        ("other pumps: yes", "other_pumps", True),
        ("labor: 30 USD/h", "labour_cents_per_hour", 3000),
        ("labour: 30 USD/h", "labour_cents_per_hour", 3000),
        ("electricity: 0.30 USD/kWh", "electricity_cents_per_kwh", pytest.approx(30.0)),
        ("count for: 10 h", "horizon_h", pytest.approx(10.0)),
        ("saw cuts: at most 2", "most_cuts", 2),
        ("saw cuts: 2", "most_cuts", 2),
        ("saw cuts: none", "most_cuts", 0),
        ("buy only from: own lists", "own_lists_only", True),
        ("buy only from: every catalog", "own_lists_only", False),
        ("budget: 60 USD", "budget_cents", 6000),
        ("budget: 59.90 USD", "budget_cents", 5990),
    ],
)
def test_each_rule_is_read_and_leaves_the_others_as_they_are(
    tmp_path: Path, words: str, name: str, value: object
) -> None:
    read = rules(tmp_path, words)

    assert getattr(read, name) == value
    assert all(getattr(read, other) == getattr(Rules(), other) for other in Rules.__dataclass_fields__ if other != name)


@pytest.mark.parametrize("words", ["saw cuts: few", "saw cuts: -1", "saw cuts: 1.5", "saw cuts: at least 2"])
def test_cuts_that_are_no_whole_number_are_refused_with_an_example(tmp_path: Path, words: str) -> None:
    with pytest.raises(InputError, match="a whole number of cuts, such as at most 2; or none"):
        rules(tmp_path, words)


@pytest.mark.parametrize("words", ["budget: 60 EUR", "budget: sixty", "budget: -5 USD", "budget: 60"])
def test_a_budget_that_is_no_amount_in_the_currency_is_refused_with_an_example(tmp_path: Path, words: str) -> None:
    with pytest.raises(InputError, match="an amount in USD"):
        rules(tmp_path, words)


@pytest.mark.parametrize(("words", "meant"), [("budget: 50", "50 USD"), ("labor: 30", "30 USD/h")])
def test_a_bare_number_for_money_is_answered_with_the_currency(tmp_path: Path, words: str, meant: str) -> None:
    with pytest.raises(InputError, match=f"did you mean '{meant}'"):
        rules(tmp_path, words)


def test_a_seller_that_is_none_is_refused_with_those_that_are(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="allowed: own lists or every catalog"):
        rules(tmp_path, "buy only from: the corner shop")


def test_money_of_a_rule_is_in_the_owners_currency_whatever_the_catalog_is_priced_in(tmp_path: Path) -> None:
    path = tmp_path / "system.yaml"
    in_euros = f"{PLAIN}\ncurrency: EUR"
    path.write_text(f"{in_euros}\nrules: {{labor: 40 EUR/h, budget: 90 EUR}}\n", encoding="utf-8")
    read = load_system(path, CATALOG).rules

    assert (CATALOG.currency, read.labour_cents_per_hour, read.budget_cents) == ("USD", 4000, 9000)
    path.write_text(f"{in_euros}\nrules: {{labor: 40 USD/h}}\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"found the price '40 USD/h'; allowed: an amount in EUR per h"):
        load_system(path, CATALOG)
