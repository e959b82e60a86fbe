"""Many systems at once: a row for each, as the commands for one have it, and all that it depends on."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import pytest
from many.jobs import GOOD, job
from short_curve import SHORT

from optimizer import pipeline
from optimizer.many import listing
from optimizer.many.answer import DEFECT, Row, _ended, answer
from optimizer.model.plan import Plan, Status
from optimizer.read.places import data_directory


def test_a_row_says_what_the_command_for_one_system_finds() -> None:
    row = answer(job()).row
    system, catalog = pipeline.read(GOOD)
    report = pipeline.plan(system, catalog)

    assert (row.status, row.cost_cents, row.counted_cents, row.bound_cents) == (
        "optimal",
        report.bill.total_cents,
        report.plan.material_cents,
        report.plan.bound_cents,
    )
    assert report.chance is not None
    assert row.chance == report.chance.trimmed
    (told,), (demand,) = json.loads(row.targets), report.verification.demands
    assert told["before_m3_s"] == pytest.approx(demand.before_m3_s, rel=1e-5)
    assert told["after_m3_s"] == pytest.approx(demand.after_m3_s, rel=1e-5)
    assert row.share_before == pytest.approx(demand.before_m3_s / demand.low_m3_s)
    assert row.share_after == 1.0


def test_prices_in_another_currency_with_tax_and_mark_up_are_counted() -> None:
    money = b"currency: EUR\nprices: {USD: 0.92 EUR on 2026-11-01}\ntax: 19 %, included\nmark-up: 10 %\n"
    content = money + GOOD.read_bytes()
    row = answer(replace(job(), content=content)).row

    assert row.status == "optimal", row.error
    assert row.currency == "EUR"
    assert row.cost_cents


def test_what_another_list_may_save_is_told_where_only_what_is_used_is_proved_the_least() -> None:
    system, _ = pipeline.read(GOOD)
    used = Plan(Status.OPTIMAL, 3450, 3327, "USD", {}, {}, {}, material_cents=3327)
    row = _ended(Row("one", "read"), system, used)

    assert (row.status, row.gap_cents) == ("feasible", 123)
    listed = _ended(Row("one", "read"), system, replace(used, material_cents=3450, bound_cents=3450))
    assert (listed.status, listed.gap_cents) == ("optimal", 0)


@pytest.mark.long
def test_flows_and_prices_are_those_of_the_commands(tmp_path: Path) -> None:
    system, catalog = pipeline.read(GOOD)
    flow = answer(job(what="flow")).row
    prices = "item_id,price,currency,price_date\n" + "".join(
        f"{item.item_id},{2 * item.price_cents / 100:.2f},USD,2026-11-01\n" for item in catalog.items.values()
    )
    price = answer(job(what="price", lists=(("store.csv", prices.encode(), b""),))).row

    assert json.loads(flow.targets)[0]["before_m3_s"] == pytest.approx(
        pipeline.flows(system).flows_m3_s["return line"], rel=1e-5
    )
    assert flow.status == "solved"
    assert flow.cost_cents is None
    shipped = pipeline.plan(system, catalog).bill.total_cents
    assert price.shipped_cents == shipped
    assert price.cost_cents is not None
    assert price.cost_cents <= 2 * shipped  # the same list at twice the price would do


def test_a_flow_past_the_end_of_a_curve_is_marked_and_reaches_no_more_than_it_is_known_to() -> None:
    enough, more = (answer(job(SHORT.replace("900", asked).encode(), what="flow")).row for asked in ("900", "1100"))
    (target,) = json.loads(enough.targets)
    assert target["before_is"] == "a least value"
    assert (enough.share_before, more.share_before) == (1.0, None)


@pytest.mark.parametrize(
    ("content", "status", "words"),
    [
        (b"\xff\xfe\x00", "input error", "a.yaml"),
        (b"system: x\nunits: US\nruns: {}\n", "input error", "a.yaml:3:1"),
        (b"", "input error", "a.yaml"),
        (None, "input error", "it is on fire"),
    ],
)
def test_a_file_that_can_not_be_used_is_a_row_with_its_place(content: bytes | None, status: str, words: str) -> None:
    row = answer(replace(job(), content=content, fault="it is on fire")).row

    assert row.status == status
    assert words in row.error
    assert row.errors >= 1


def test_a_defect_is_a_row_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("by hand")

    monkeypatch.setattr(pipeline, "search", broken)

    row = answer(job()).row

    assert (row.status, row.error) == (DEFECT, "ZeroDivisionError: by hand")


def test_what_an_answer_depends_on_is_in_its_key(tmp_path: Path) -> None:
    like = job(lists=(("a.csv", b"1", b""),))
    other = [
        replace(like, content=b"x"),
        replace(like, name="b.yaml"),
        replace(like, what="flow"),
        replace(like, papers=True),
        replace(like, time_limit_s=7.0),
        replace(like, lists=(("a.csv", b"2", b""),)),
        replace(like, lists=(("a.csv", b"1", b"x"),)),
        replace(like, lists=(("b.csv", b"1", b""),)),
        replace(like, lists=(("a.csv", b"1", b""), ("c.csv", b"", b""))),
    ]

    keys = {listing.keyed(one).key for one in (like, *other)}

    assert len(keys) == 1 + len(other)
    assert listing.keyed(like).key in keys


def test_a_list_comes_with_its_own_sources(tmp_path: Path) -> None:
    catalogs = data_directory("catalogs")
    head, first, *_ = (catalogs / "pipes.csv").read_text(encoding="utf-8").splitlines()
    row = dict(zip(next(csv.reader([head])), next(csv.reader([first])), strict=True))
    text = f"{head}\n{first}\n".replace(row["source"], "our-own-table")
    (tmp_path / "own.csv").write_text(text, encoding="utf-8")
    (tmp_path / "sources.toml").write_text(
        '[our-own-table]\ntitle = "Ours"\nplace = "at hand"\ndate = "2026"\nbasis = "estimate"\n', encoding="utf-8"
    )

    lists = listing.lists_of([tmp_path / "own.csv"])

    assert answer(job(what="check", lists=lists)).row.status == "read"
    without = tuple((name, content, b"") for name, content, _ in lists)
    assert answer(job(what="check", lists=without)).row.status == "input error"
