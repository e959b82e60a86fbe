"""Only what the owner's own lists price is bought: every line of every plan, and the cheapest of just those plans."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from second_pump_systems import EITHER, one_pump, shop
from small_trees import random_tree, small_catalog
from test_unknown_flow_plans import bare

from optimizer import pipeline
from optimizer.choices.demands import known_flows
from optimizer.choices.for_sale import for_sale
from optimizer.choices.second_pump import two_pumps
from optimizer.errors import InputError
from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system
from optimizer.search.cheapest import find_plan
from optimizer.search.duty import other_pumps
from optimizer.search.unknown_flows import find_unknown
from optimizer.search.unknown_pumps import pump_variants
from optimizer.takeoff.bill import SPARE_MARK
from optimizer.takeoff.ports import ways_at_ports
from optimizer.wording.notes import note_words

FORTUNE_CENTS = 10_000_000
PUMPS = tuple(sorted(load_catalog().pumps)[:2])
SHARED = frozenset({"cement", "primer", "tape", "washer", "clamp"})


def only_listed(system: System) -> System:
    return replace(system, rules=replace(system.rules, own_lists_only=True))


def with_list(catalog: Catalog, seed: int, share: float) -> Catalog:
    """Return the catalog with a random list of one's own: some of the rows, and all that seals joints."""
    rng = random.Random(seed)
    return replace(
        catalog,
        own=frozenset(
            key for key, item in sorted(catalog.items.items()) if item.family in SHARED or rng.random() < share
        ),
    )


def else_a_fortune(catalog: Catalog) -> Catalog:
    """Return the catalog in which all that is not on the list may be bought, but for a fortune."""
    items = {
        key: item if key in catalog.own else replace(item, price_cents=item.price_cents + FORTUNE_CENTS)
        for key, item in catalog.items.items()
    }
    return replace(catalog, items=items)


def bought(plan: Plan) -> Iterator[CatalogItem]:
    """Yield all that a plan buys, by what it lists and by what stands in it anew."""
    for run in plan.runs.values():
        yield from (purchase.item for purchase in run.purchases)
        yield from (part.item for part in run.parts if not part.existing and part.item is not None)
    for tee in plan.tees.values():
        yield from (purchase.item for purchase in tee.purchases)
    yield from (purchase.item for purchase in plan.consumables)


def same_as_if_all_else_cost_a_fortune(listed: Plan, dear: Plan, catalog: Catalog) -> bool:
    """Check a plan off the list against the cheapest one where other rows may be bought, but for a fortune each."""
    if not dear.found or (dear.material_cents or 0) >= FORTUNE_CENTS:
        return listed.status is Status.INFEASIBLE
    ids = {item.item_id for item in bought(listed)}
    return ids <= catalog.own and listed.material_cents == dear.material_cents


@pytest.mark.parametrize("share", [0.4, 0.8])
@pytest.mark.parametrize("seed", range(12))
def test_the_plan_is_the_cheapest_of_those_that_buy_nothing_off_the_list(seed: int, share: float) -> None:
    # The reference is the same search without the rule, in which a row off the list costs a fortune.
    system, catalog = random_tree(seed, small_catalog()), with_list(small_catalog(), seed, share)

    listed = find_plan(only_listed(system), catalog).plan

    assert same_as_if_all_else_cost_a_fortune(listed, find_plan(system, else_a_fortune(catalog)).plan, catalog)


@pytest.mark.parametrize("seed", range(5))
def test_so_it_is_where_flows_are_not_known_and_valves_are_cut_in(seed: int) -> None:
    system, catalog = bare(seed), with_list(small_catalog(), seed, 0.7)

    listed = find_unknown(only_listed(system), catalog).plan

    assert same_as_if_all_else_cost_a_fortune(listed, find_unknown(system, else_a_fortune(catalog)).plan, catalog)


def test_the_lists_above_leave_plans_and_bar_plans_so_that_both_are_compared() -> None:
    ended = [
        find_plan(only_listed(random_tree(seed, small_catalog())), with_list(small_catalog(), seed, share)).plan
        for seed in range(12)
        for share in (0.4, 0.8)
    ]

    assert {plan.status for plan in ended} == {Status.OPTIMAL, Status.INFEASIBLE}
    assert any(plan.cost_cents for plan in ended)


# the example, with lists as an owner writes them


@cache
def shipped() -> Catalog:
    return load_catalog()


def listed_example(tmp_path: Path, *left_out: str, family: str = "sch 40 PVC") -> tuple[System, Catalog]:
    """Return the example with a list of all rows of one family and of what seals joints, at the shipped prices."""
    wanted = [
        item
        for item in shipped().items.values()
        if item.family in (family, *SHARED) and item.kind is not Kind.PUMP and item.family not in left_out
    ]
    return with_prices(tmp_path, [f"{item.item_id},{item.price_cents / 100:.2f}" for item in wanted])


def with_prices(tmp_path: Path, prices: list[str]) -> tuple[System, Catalog]:
    path = tmp_path / "prices.csv"
    rows = [f"{price},USD,2026-11-01\n" for price in prices]
    path.write_text("item_id,price,currency,price_date\n" + "".join(rows), encoding="utf-8")
    text = (data_directory("examples") / "cellar-sump.yaml").read_text(encoding="utf-8")
    (tmp_path / "own.yaml").write_text(
        text.replace("\nrules:\n", "\nrules:\n  buy only from: own lists\n"), encoding="utf-8"
    )
    return pipeline.read(tmp_path / "own.yaml", [path])


def test_no_line_and_no_spare_of_the_parts_list_is_off_the_list(tmp_path: Path) -> None:
    # Couplings as wide as the plan's pipe are none of its parts, but would be spares.
    system, catalog = listed_example(tmp_path)
    catalog = replace(catalog, own=catalog.own - {"sch40-coupling-150"})

    report = pipeline.plan(system, catalog)

    lines = [line.item_id.split("@")[0] for line in report.bill.lines]
    lines += [line.item_id.split("@")[0].removesuffix(SPARE_MARK) for line in report.bill.spares]
    assert report.bill.spares
    assert set(lines) <= catalog.own
    assert not any(note.code == "not on the lists" for note in report.notes)


def test_a_way_at_a_port_is_made_of_what_is_on_the_list(tmp_path: Path) -> None:
    system, catalog = listed_example(tmp_path)

    ways = ways_at_ports(system, catalog, {})

    pieces = {piece.item.item_id for at in ways for way in at.ways for piece in way.pieces if piece.item}
    assert pieces
    assert pieces <= catalog.own


def test_what_seals_the_joints_and_is_on_no_list_is_told_to_be_bought_elsewhere(tmp_path: Path) -> None:
    system, catalog = listed_example(tmp_path, "cement", "washer")

    report = pipeline.plan(system, catalog)

    told = [note for note in report.notes if note.code == "not on the lists"]
    assert [dict(note.values)["what"] for note in told] == ["solvent cement", "flat washer"]
    assert "buy it elsewhere; its price is not included" in note_words(told[0], "US")
    assert {line.item_id.split("@")[0] for line in report.bill.lines} <= catalog.own


def test_the_rule_without_a_list_is_refused_with_its_place_and_how_to_mend_it(tmp_path: Path) -> None:
    system, _ = with_prices(tmp_path, [])

    with pytest.raises(InputError, match=r"own\.yaml, rules, buy only from: .*--catalog prices\.csv"):
        pipeline.plan(system, shipped())


def test_a_list_without_a_price_is_no_list(tmp_path: Path) -> None:
    system, catalog = with_prices(tmp_path, ["sch40-pipe-150,"])

    with pytest.raises(InputError, match="no list of yours with a price in it"):
        pipeline.plan(system, catalog)


# pumps


def one_pump_listed(catalog: Catalog, pump: str) -> Catalog:
    """Return the catalog with a list that holds all of its rows but for the pumps, of which it has one."""
    return replace(catalog, own=frozenset(key for key in catalog.items if key not in catalog.pumps) | {pump})


@pytest.mark.parametrize("pump", PUMPS)
def test_only_a_pump_on_the_list_takes_the_place_of_the_owners(pump: str) -> None:
    system = load_system(data_directory("examples") / "single-return.yaml", shipped())
    free = replace(system, rules=replace(system.rules, other_pumps=True))
    catalog = one_pump_listed(shipped(), pump)

    known = [settings[0].pump.curve for _, settings in other_pumps(only_listed(free), catalog, known_flows(free))]
    unknown = {item.item_id for variant in pump_variants(only_listed(free), catalog) for item in variant.items.values()}

    assert len(list(other_pumps(free, catalog, known_flows(free)))) > 1
    assert set(known) <= {catalog.pumps[pump].curve}
    assert unknown == {pump}


def test_a_second_pump_is_one_of_the_list_or_another_like_the_owners_at_the_files_price() -> None:
    catalog = one_pump_listed(shop(pumps=PUMPS), PUMPS[0])

    pairs = two_pumps(only_listed(one_pump(EITHER)), catalog)

    assert {pair.second.item.item_id for pair in pairs} == {PUMPS[0], "another-return"}
    assert len({pair.second.item.item_id for pair in two_pumps(one_pump(EITHER), catalog)}) == 3


def test_what_a_second_pump_needs_is_bought_off_the_list_too() -> None:
    # Rows of a second maker, dearer by a cent, are all that this shop has: it is the same plan, some cents dearer.
    catalog = shop()
    twins = {
        f"own-{key}": replace(item, item_id=f"own-{key}", price_cents=item.price_cents + 1)
        for key, item in catalog.items.items()
    }
    packs = {f"own-{key}": rates for key, rates in catalog.joints_per_pack.items()}
    both = replace(
        catalog,
        items={**catalog.items, **twins},
        own=frozenset(twins),
        joints_per_pack={**catalog.joints_per_pack, **packs},
    )

    first = pipeline.search(one_pump(EITHER), both)
    listed = pipeline.search(only_listed(one_pump(EITHER)), both)

    assert first.found
    assert listed.found
    assert listed.stands is not None
    assert {item.item_id for item in bought(listed)} <= both.own | {"another-return"}
    assert 0 < listed.cost_cents - first.cost_cents < 60


def test_what_is_not_for_sale_is_still_known_by_its_size() -> None:
    catalog = for_sale(only_listed(random_tree(1, small_catalog())), with_list(small_catalog(), 1, 0.0))

    assert not [item for item in catalog.items.values() if item.kind is not Kind.CONSUMABLE]
    assert catalog.pipe("sch 40 PVC", "1 in") is small_catalog().pipe("sch 40 PVC", "1 in")
