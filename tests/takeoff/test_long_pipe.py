"""Pipe longer than any length of the store: what it is made of, what the list, the papers and the water have of it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from long_lines import catalog, long_line, planned
from said import worded

from optimizer import pipeline
from optimizer.choices.long_pipe import Lengths
from optimizer.documents.payload import plan_json
from optimizer.hydraulics.fittings import square_of_item
from optimizer.model.catalog import CatalogItem, Kind
from optimizer.model.plan import Status
from optimizer.model.rules import Rules
from optimizer.takeoff.list_price import PipeShop
from optimizer.takeoff.plan_price import list_cents

FOOT_M = 0.3048
TEN_FT_M, TAKE_UP_M, LEAST_M = 10 * FOOT_M, 0.003, 0.15  # a coupling's two stops are 1.5 mm from its middle each


def pipe() -> CatalogItem:
    return catalog().items["sch40-pipe-100"]


def lengths(rules: Rules | None = None) -> Lengths:
    return Lengths(catalog(), rules or Rules())


@pytest.mark.parametrize(
    ("length_m", "pieces_m"),
    [
        (TEN_FT_M, (TEN_FT_M,)),  # just fits
        (4.0, (TEN_FT_M, 4.0 - TEN_FT_M - TAKE_UP_M)),
        # 1 mm is left of it: 15 cm are, and the whole length is cut for them
        (TEN_FT_M + 0.004, (TEN_FT_M + 0.004 - TAKE_UP_M - LEAST_M, LEAST_M)),
        (8.0, (TEN_FT_M, TEN_FT_M, 8.0 - 2 * TEN_FT_M - 2 * TAKE_UP_M)),
        # two lengths and a coupling are exactly as long
        (2 * TEN_FT_M + TAKE_UP_M, (TEN_FT_M, TEN_FT_M)),
    ],
)
def test_a_long_piece_is_whole_lengths_and_a_rest_with_what_the_couplings_take_up(
    length_m: float, pieces_m: tuple[float, ...]
) -> None:
    found = lengths().pieces_m(pipe(), length_m)

    assert found == pytest.approx(pieces_m, abs=1e-9)
    assert sum(found) + TAKE_UP_M * (len(found) - 1) == pytest.approx(length_m, abs=1e-9)
    assert lengths().couplings(pipe(), length_m) == len(found) - 1


def test_longer_pipe_never_takes_fewer_couplings_nor_costs_less() -> None:
    shop = PipeShop.of(long_line(), catalog())

    def cents(length_m: float) -> int:
        cut = shop.joined([(pipe(), length_m)])
        own = tuple(sorted((round(1e4 * each_m) for item, each_m in cut if item is pipe()), reverse=True))
        return shop.cents(pipe(), own) + sum(item.price_cents for item, _ in cut if item is not pipe())

    told = [cents(0.5 + 0.037 * i) for i in range(250)]

    assert told == sorted(told)


def test_another_store_has_longer_pipe_and_by_the_foot_none_is_too_long() -> None:
    assert lengths(Rules(store="supply house")).pieces_m(pipe(), 13 * FOOT_M) == (13 * FOOT_M,)
    assert lengths(Rules(pipe_in_sticks=False)).pieces_m(pipe(), 13 * FOOT_M) == (13 * FOOT_M,)


def test_the_price_that_is_proved_is_that_of_the_list_with_its_couplings() -> None:
    report, found = planned()
    plan = report.plan
    lines = {line.item_id: line for line in found.bill.lines}
    coupling = next(line for line in lines.values() if "coupling" in line.item_id and "x" not in line.item_id)

    assert plan.status is Status.OPTIMAL
    assert plan.bound_cents == plan.cost_cents == found.bill.total_cents == list_cents(report.system, plan, catalog())
    assert (coupling.quantity, coupling.where_used) == (1, "return line")
    # between two elbows that stay: 10 ft and what is left of 5 ft
    assert {line.item_id.partition("@")[2] for line in lines.values() if line.group == "Pipe"} == {"3048mm", "1524mm"}


def test_the_pieces_and_their_couplings_keep_the_centre_line() -> None:
    _, found = planned()
    _, short = planned(9.0)
    pieces = [piece for piece in found.cuts.pieces if piece.item.kind is Kind.PIPE]
    (other,) = [piece for piece in short.cuts.pieces if piece.cut_m > 2.0]
    one, two = pieces[:2]

    assert one.cut_m == pytest.approx(TEN_FT_M)
    assert one.item is two.item is other.item
    # 4 ft more than the line with 9 ft, which fits in one length
    assert one.cut_m + TAKE_UP_M + two.cut_m == pytest.approx(other.cut_m + 4 * FOOT_M, abs=1e-6)
    assert "coupling" in one.before
    assert "coupling" in two.after


def test_its_two_joints_are_cemented_at_the_bench_and_counted() -> None:
    report, found = planned()
    without, _ = planned(9.0)
    (work,) = found.work
    joints = [joint for joint in work.joints.joints if joint.method == "cement"]

    assert len(joints) == sum(joint.method == "cement" for joint in report.plan.runs["return line"].joints)
    assert len(joints) == 2 + sum(joint.method == "cement" for joint in without.plan.runs["return line"].joints)
    assert any(step.code == "row" and any("coupling" in part for part in step.parts) for step in work.steps)
    assert report.plan.minutes == without.plan.minutes + 8  # two joints of 4 min: common practice, no source


def test_it_is_said_among_the_changes_and_told_in_the_data() -> None:
    report, found = planned()
    (told,) = [change for change in report.plan.runs["return line"].changes if change.code == "couple"]

    assert worded(told).startswith("join 2 lengths of ")
    assert "coupling" in str(plan_json(report, found)["changes"])  # type: ignore[index]
    assert not [note for note in found.notes if note.code == "too long"]


def test_the_water_loses_what_a_coupling_loses() -> None:
    # K 0.05 on the bore of 1 in. pipe, 26.24 mm: h = K Q² / (2 g A²), g 9.80665
    coupling = catalog().items["sch40-coupling-100"]
    area_m2 = 3.141592653589793 / 4 * 0.02624**2

    assert square_of_item(coupling) == pytest.approx(0.05 / (2 * 9.80665 * area_m2**2), rel=1e-4)
    report, _ = planned()
    parts = report.plan.runs["return line"].parts
    assert sum(part.kind is Kind.COUPLING and part.couples for part in parts) == 1


def test_where_no_coupling_is_for_sale_the_pipe_cannot_be_made_and_that_is_said() -> None:
    items = {key: item for key, item in catalog().items.items() if item.kind is not Kind.COUPLING}
    plan = pipeline.search(long_line(), replace(catalog(), items=items))

    assert plan.status is Status.INFEASIBLE
    told = [worded(reason) for reason in plan.reasons]
    assert any(
        "longer than any length this store sells, and no coupling of its size is for sale" in one for one in told
    )
