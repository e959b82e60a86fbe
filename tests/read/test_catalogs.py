"""The shipped catalogs against trade practice: sources, prices, what every size of pipe finds, words."""

from __future__ import annotations

import csv
import tomllib
from collections import Counter

import pytest

from optimizer.model.catalog import BASES, PIPES, Catalog, Kind
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.read.catalogs import SHIPPED
from optimizer.read.places import data_directory

INCH = ("1/2 in", "3/4 in", "1 in", "1-1/4 in", "1-1/2 in", "2 in", "2-1/2 in", "3 in")
SOCKETED_VALVES = frozenset(  # what a pipe of every size finds; the others are of small lines, or of some sizes only
    {
        *(Kind.BALL_VALVE, Kind.TRUE_UNION_BALL_VALVE, Kind.GATE_VALVE, Kind.GLOBE_VALVE),
        *(Kind.SWING_CHECK_VALVE, Kind.SPRING_CHECK_VALVE),
    }
)
METRIC = ("20 mm", "25 mm", "32 mm", "40 mm", "50 mm", "63 mm", "75 mm")


def socket(size: str) -> End:
    return End(Form.SOCKET, size, SizeSystem.METRIC if size.endswith("mm") else SizeSystem.IPS)


def test_every_source_key_resolves_and_every_source_is_used(catalog: Catalog) -> None:
    used: set[str] = set()
    for name in SHIPPED:
        with (data_directory("catalogs") / name).open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                used.update(key for column in ("source", "loss_source", "price_source") if (key := row.get(column)))

    assert used == set(catalog.sources)


def test_every_source_says_what_it_is_worth(catalog: Catalog) -> None:
    entries = tomllib.loads((data_directory("catalogs") / "sources.toml").read_text(encoding="utf-8"))

    assert {key: source.title for key, source in catalog.sources.items()} == {k: e["title"] for k, e in entries.items()}
    assert all(source.basis in BASES and source.place and source.date for source in catalog.sources.values())


def test_prices_are_whole_cents_of_one_dated_currency(catalog: Catalog) -> None:
    assert catalog.currency == "USD"
    for item in catalog.items.values():
        assert item.currency == "USD"
        assert item.price_cents > 0
        assert item.price_date.isoformat() == "2026-11-01"


def test_a_larger_size_never_costs_less(catalog: Catalog) -> None:
    for sizes, family in (
        (INCH, "sch 40 PVC"),
        (INCH, "sch 80 PVC"),
        (METRIC[2:], "PVC-U PN10"),
        (METRIC, "PVC-U PN16"),
    ):
        prices = [catalog.pipe(family, size).price_cents for size in sizes]
        assert prices == sorted(prices)


@pytest.mark.parametrize("size", INCH)
@pytest.mark.parametrize("family", ["sch 40 PVC", "sch 80 PVC", "flexible PVC hose"])
def test_inch_pipe_of_every_size_finds_its_fittings(catalog: Catalog, family: str, size: str) -> None:
    kinds = {Kind.ELBOW, Kind.SWEEP_ELBOW, Kind.ELBOW_45, Kind.COUPLING, Kind.UNION, Kind.BULKHEAD, Kind.BALL_VALVE}
    for kind in kinds | SOCKETED_VALVES - {Kind.GLOBE_VALVE}:
        assert catalog.by_ends(kind, [socket(size)] * 2, family), kind
    assert catalog.by_ends(Kind.TEE, [socket(size)] * 3, family)
    assert catalog.by_ends(Kind.CROSS, [socket(size)] * 4, family)
    assert catalog.by_ends(Kind.CAP, [socket(size)], family)


@pytest.mark.parametrize("size", METRIC)
@pytest.mark.parametrize("family", ["PVC-U PN10", "PVC-U PN16"])
def test_metric_pipe_of_every_size_and_class_finds_its_fittings(catalog: Catalog, family: str, size: str) -> None:
    kinds = {Kind.ELBOW, Kind.SWEEP_ELBOW, Kind.ELBOW_45, Kind.COUPLING, Kind.UNION, Kind.BALL_VALVE}
    for kind in kinds | SOCKETED_VALVES:
        assert catalog.by_ends(kind, [socket(size)] * 2, family), kind
    assert catalog.by_ends(Kind.TEE, [socket(size)] * 3, family)


@pytest.mark.parametrize(("sizes", "family"), [(INCH, "sch 40 PVC"), (METRIC, "PVC-U PN16")])
def test_each_size_reduces_by_up_to_three_steps(catalog: Catalog, sizes: tuple[str, ...], family: str) -> None:
    for index, large in enumerate(sizes):
        for small in sizes[max(0, index - 3) : index]:
            assert catalog.by_ends(Kind.REDUCING_COUPLING, [socket(large), socket(small)], family)
            spigot = End(Form.SPIGOT, large, socket(large).system)
            assert catalog.by_ends(Kind.BUSHING, [spigot, socket(small)], family)
            assert catalog.by_ends(Kind.TEE, [socket(large), socket(large), socket(small)], family)


def test_ends_are_found_in_either_direction_and_the_own_family_comes_first(catalog: Catalog) -> None:
    npt = End(Form.NPT_FEMALE, "1 in", SizeSystem.THREAD)

    assert catalog.by_ends(Kind.ADAPTER, [npt, socket("1 in")]) == catalog.by_ends(Kind.ADAPTER, [socket("1 in"), npt])
    found = catalog.by_ends(Kind.ELBOW, [socket("1 in")] * 2, "sch 80 PVC")
    assert [item.family for item in found] == ["sch 80 PVC", "sch 40 PVC"]


def test_brass_is_in_the_catalog_and_is_not_reef_safe(catalog: Catalog) -> None:
    brass = [item for item in catalog.items.values() if item.material == "brass"]

    assert {Kind.ADAPTER, Kind.GATE_VALVE, Kind.NIPPLE} <= {item.kind for item in brass}
    assert not any(item.reef_safe for item in brass)
    assert all(item.reef_safe for item in catalog.items.values() if item.material != "brass")


@pytest.mark.parametrize(
    ("item_id", "words"),
    [
        ("sch40-pipe-100", "1 in. sch 40 PVC pipe"),
        ("pn10-pipe-d32", "32 mm PVC-U PN10 pipe"),
        ("flex-hose-075", "3/4 in. flexible PVC hose"),
        ("vinyl-hose-h12x16", "12/16 mm vinyl hose"),
        ("pe-tube-025", "1/4 in. PE tube"),
        ("sch40-sweep-elbow-150", "1-1/2 in. sch 40 PVC 90° sweep elbow, socket × socket"),
        ("sch40-45-elbow-050", "1/2 in. sch 40 PVC 45° elbow, socket × socket"),
        ("sch40-tee-100x100x075", "1 × 1 × 3/4 in. sch 40 PVC reducing tee, socket × socket × socket"),
        ("sch40-bushing-100x075", "1 × 3/4 in. sch 40 PVC reducer bushing, spigot × socket"),
        ("pn16-reducing-coupling-d32xd25", "32 × 25 mm PVC-U PN16 reducing coupling, socket × socket"),
        ("sch40-adapter-100x075-socket-npt-male", "1 × 3/4 in. sch 40 PVC male adapter, socket × NPT male"),
        ("thread-adapter-075-bspp-npt-male", "3/4 in. polypropylene thread adapter, BSPP female × NPT male"),
        ("crossover-d32x100-socket-socket", "32 mm × 1 in. PVC-U PN16 metric-to-inch coupling, socket × socket"),
        ("brass-nipple-075-npt", "3/4 in. brass close nipple, NPT male × NPT male"),
        ("washer-075", "3/4 in. flat washer for BSPP thread, pack of 2"),
        ("cement-half-pint", "PVC solvent cement, medium body, 8 fl oz (237 mL) can"),
    ],
)
def test_descriptions_are_in_trade_wording(catalog: Catalog, item_id: str, words: str) -> None:
    assert catalog.items[item_id].description == words


def test_no_two_rows_look_the_same_on_a_parts_list(catalog: Catalog) -> None:
    counts = Counter(item.description for item in catalog.items.values())

    assert [words for words, count in counts.items() if count > 1] == []


def test_pipe_is_sold_by_the_foot_or_the_half_metre_and_all_else_by_the_piece(catalog: Catalog) -> None:
    for item in catalog.items.values():
        metric = bool(item.ends) and item.ends[0].size.endswith("mm")
        by_length = 0.5 if metric else 0.3048
        assert item.sale_length_m == (by_length if item.kind in PIPES else 0.0), item.item_id
