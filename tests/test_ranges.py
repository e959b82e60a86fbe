"""Every quantity has a plausible and a possible range; guesses at units stay within their kind and a factor of ten."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer import pipeline, ranges, unit_words, units
from optimizer.documents.found import remarks
from optimizer.errors import InputError, NetworkError, QuantityError
from optimizer.hydraulics import fluid_of
from optimizer.model.network import Water
from optimizer.ranges import RANGES
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory

EXAMPLE = data_directory("examples") / "single-return.yaml"
PARSERS: dict[str, Callable[[str, str | None], float]] = {
    "length": units.parse_length,
    "head": units.parse_head,
    "flow": units.parse_flow,
    "pressure": units.parse_pressure,
    "volume": units.parse_volume,
    "area": units.parse_area,
    "speed": units.parse_speed,
    "power": units.parse_power,
}
# Exact by definition: the UK gallon is 4.54609 L (Weights and Measures Act 1985); a day has 86,400 s.
UK_GALLON_M3, GALLON_M3 = 4.54609e-3, 3.785411784e-3


@pytest.mark.parametrize(
    ("parse", "text", "value"),
    [
        (units.parse_flow, "5 UK gal/h", 5 * UK_GALLON_M3 / 3600),
        (units.parse_flow, "5 imp gph", 5 * UK_GALLON_M3 / 3600),
        (units.parse_flow, "500 gpd", 500 * GALLON_M3 / 86400),
        (units.parse_flow, "500 L/d", 0.5 / 86400),
        (units.parse_flow, "5 mL/min", 5e-6 / 60),
        (units.parse_flow, "2 m3/d", 2 / 86400),
        (units.parse_flow, "5 cm³/s", 5e-6),
        (units.parse_volume, "5 UK gal", 5 * UK_GALLON_M3),
        (units.parse_volume, "5 imp. gal", 5 * UK_GALLON_M3),
        (units.parse_volume, "20 mL", 2e-5),
        (units.parse_volume, "300 cm3", 3e-4),
        (units.parse_volume, "2 dm3", 2e-3),
        (units.parse_pressure, "5 hPa", 500.0),
        (units.parse_pressure, "0.5 MPa", 5e5),
        (units.parse_length, "0.05 km", 50.0),
        (units.parse_length, "5 dm", 0.5),
        (units.parse_length, "50 µm", 5e-5),
    ],
)
def test_more_units_of_the_trade_are_understood(parse: Callable[[str], float], text: str, value: float) -> None:
    assert parse(text) == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize(
    ("parse", "text"),
    [
        (units.parse_volume, "20 ML"),  # a megalitre, a thousand million times a millilitre
        (units.parse_pressure, "5 mPa"),
        (units.parse_flow, "5 kL/h"),
        (units.parse_flow, "5 gal/wk"),
        (units.parse_flow, "300 gps"),  # gph or gpm: sixty times apart
        (units.parse_flow, "2 psi"),
        (units.parse_flow, "2 m/s"),
        (units.parse_length, "3 yd"),
        (units.parse_length, "3 nm"),
        (units.parse_volume, "3 qt"),
        (units.parse_pressure, "1 atm"),
        (units.parse_flow, "5 gal/year"),
        (units.parse_flow, "5 bbl/d"),
        (units.parse_flow, "5 pt/h"),
        (units.parse_flow, "5 fl oz/min"),
        (units.parse_flow, "5 gal per fortnight"),
        (units.parse_volume, "3 cbm"),
        (units.parse_length, "3 cu ft"),
        (units.parse_pressure, "3 inH2O"),
        (units.parse_pressure, "3 kp"),
        (units.parse_power, "1 kWh"),
        (units.parse_power, "1 MW"),
        (units.parse_power, "1 mW"),
    ],
)
def test_no_guess_is_made_at_a_unit_of_another_size_or_kind(parse: Callable[[str, str], float], text: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse(text, "US")

    assert caught.value.suggestion is None


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("5 gall/h", "5 gal/h"),
        ("5 gal/hs", "5 gal/h"),
        ("5 galons/min", "5 gallons/min"),
        ("5 gal per hour", "5 gal/h"),
        ("5 cu ft/min", "5 ft3/min"),
    ],
)
def test_a_slip_of_the_pen_is_answered_with_what_was_meant(text: str, meant: str) -> None:
    with pytest.raises(QuantityError) as caught:
        units.parse_flow(text, "US")

    assert caught.value.suggestion is not None
    assert units.parse_flow(caught.value.suggestion, "US") == units.parse_flow(meant, "US")


@pytest.mark.long
def test_a_guess_at_a_unit_that_pint_knows_is_of_its_kind_and_size() -> None:
    table = pint.UnitRegistry(cache_folder=None)
    amounts = ["gal", "L", "pint", "quart", "bbl", "floz", "microliter", "tsp", "gill", "acre_foot", "hogshead"]
    times = ["year", "week", "fortnight", "month", "ms", "century", "day", "hours", "minutes"]
    for written in [*(f"{amount}/{time}" for amount in amounts for time in times), "knot", "horsepower", "Wh", "ksi"]:
        for what, parse in PARSERS.items():
            try:
                read = parse(f"1 {written}", None)
            except QuantityError as error:
                if error.suggestion is None:
                    continue
                read = parse(error.suggestion, None)
            base = table.Quantity(1.0, written).to_base_units()
            assert what == "flow", written
            assert 0.1 <= read / base.to("m**3/s").magnitude <= 10.0, written


@settings(max_examples=400)
@given(
    what=st.sampled_from(sorted(PARSERS)),
    prefix=st.sampled_from(["", "p", "n", "m", "c", "d", "h", "k", "M", "G"]),
    base=st.sampled_from(["L", "l", "m", "Pa", "W", "bar", "m3"]),
    over=st.sampled_from(["", "/h", "/d", "/min", "/s"]),
)
def test_a_guess_at_a_real_unit_is_never_ten_times_off(what: str, prefix: str, base: str, over: str) -> None:
    sizes = {"p": 1e-12, "n": 1e-9, "m": 1e-3, "c": 1e-2, "d": 0.1, "h": 100.0, "k": 1e3, "M": 1e6, "G": 1e9, "": 1.0}
    bases = {"L": 1e-3, "l": 1e-3, "m": 1.0, "Pa": 1.0, "W": 1.0, "bar": 1e5, "m3": 1.0}
    times = {"": 1.0, "/h": 3600.0, "/d": 86400.0, "/min": 60.0, "/s": 1.0}
    prefix = "" if base == "m3" else prefix  # mm3 is the cube of a millimetre
    meant = sizes[prefix] * bases[base] / times[over]
    try:
        read = PARSERS[what](f"1 {prefix}{base}{over}", None)
    except QuantityError as error:
        if error.suggestion is None:
            return
        read = PARSERS[what](error.suggestion, None)
    if (prefix, base) != ("M", "m"):  # Mm is read as mm
        assert 0.1 <= read / meant <= 10.0


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("1.100 L/h", "1100 L/h or 1.1 L/h"),
        ("12.500 gal/h", "12500 gal/h or 12.5 gal/h"),
        ("1.100,5 L/h", "1100.5 L/h"),
        ("1,100.5 L/h", "1100.5 L/h"),
        ("1.100.500 L/h", "1100500 L/h"),
    ],
)
def test_a_point_that_may_part_thousands_is_asked_about(text: str, meant: str) -> None:
    with pytest.raises(QuantityError) as caught:
        units.parse_flow(text, "metric")

    assert caught.value.suggestion == meant
    for each in meant.split(" or "):
        assert units.parse_flow(each, "metric") > 0


@pytest.mark.parametrize("text", ["1.1 L/h", "0.500 L/h", "1.25 L/h", "1.250 m3/h"])
def test_other_decimals_are_read_as_they_stand(text: str) -> None:
    assert units.parse_flow(text, "metric") > 0


@pytest.mark.parametrize("what", sorted(ranges.RANGES))
def test_each_range_lies_within_the_possible_one(what: str) -> None:
    limits = ranges.RANGES[what]

    assert limits.least <= limits.low < limits.high <= limits.most
    assert ranges.checked(what, limits.most, "the most") == limits.most
    with pytest.raises(QuantityError):
        ranges.checked(what, limits.most * 1.001, "more")
    with pytest.raises(QuantityError):
        ranges.checked(what, float("nan"), "not a number")


def test_what_is_not_plausible_is_told_and_counts() -> None:
    with ranges.noting() as notes:
        assert units.parse_length("900 ft") == pytest.approx(274.32)
        assert units.parse_salinity("1.014", "US") == 1.014
        assert units.parse_tank_length("35 m") == 35.0
        assert units.parse_length("9 ft") == pytest.approx(2.7432)

    assert [note.split(":")[0] for note in notes] == [
        "'900 ft' is an implausible length",
        "'1.014' is an implausible salinity",
        "'35 m' is an implausible tank length",
    ]


def changed(folder: Path, *pairs: tuple[str, str]) -> Path:
    text = EXAMPLE.read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    path = folder / "changed.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_check_remarks_on_what_is_not_plausible_with_its_place(tmp_path: Path) -> None:
    path = changed(tmp_path, ("salinity: 35 g/kg", "salinity: 1.014"))
    system, catalog = pipeline.read(path)

    (told,) = remarks(system, catalog)
    line = next(n for n, text in enumerate(path.read_text().splitlines(), 1) if "1.014" in text)
    assert told.startswith(f"{path}:{line}:")
    assert "looks like a specific gravity" in told


def test_check_says_when_prices_are_in_another_currency_and_the_way_out(tmp_path: Path) -> None:
    system, catalog = pipeline.read(changed(tmp_path, ("units: US", "units: US\ncurrency: EUR")))

    (told,) = remarks(system, catalog)
    assert "found EUR for a catalog with prices in USD" in told
    assert "'currency: USD' in the file, a rate of your own (prices: {USD: 0.92 EUR on 2026-11-01}), or " in told
    with pytest.raises(InputError, match="prices in USD, and no rate"):
        pipeline.search(system, catalog)


@pytest.mark.parametrize("price", ["9999999999.00", "9" * 16, "9" * 400, "1e5", "-1"])
def test_a_price_beyond_reason_is_refused_at_its_cell(price: str, tmp_path: Path) -> None:
    path = tmp_path / "prices.csv"
    path.write_text(f"item_id,price,currency,price_date\nsch40-elbow-100,{price},USD,2026-11-01\n")

    with pytest.raises(InputError, match=r"prices.csv, row 2, column price"):
        load_catalog([path])


def test_a_dear_price_is_told_and_counts(tmp_path: Path) -> None:
    path = tmp_path / "prices.csv"
    path.write_text("item_id,price,currency,price_date\nsch40-elbow-100,54321.00,USD,2026-11-01\n")
    system, catalog = pipeline.read(EXAMPLE, [path])

    assert catalog.items["sch40-elbow-100"].price_cents == 5_432_100
    assert remarks(system, catalog) == (
        "prices.csv, row 2, column price: '54321.00' is implausibly much money in USD; it counts as it stands",
    )


@pytest.mark.slow
def test_at_the_dearest_prices_that_are_read_the_same_parts_are_the_cheapest(tmp_path: Path) -> None:
    """All prices times a hundred thousand: the plan costs so much more, to the cent."""
    system, catalog = pipeline.read(EXAMPLE)
    before = pipeline.report(system, pipeline.search(system, catalog), catalog).bill
    lines = ["item_id,price,currency,price_date"]
    lines += [f"{key},{item.price_cents * 1000}.00,USD,2026-11-01" for key, item in catalog.items.items()]
    path = tmp_path / "prices.csv"
    path.write_text("\n".join(lines))

    system, catalog = pipeline.read(EXAMPLE, [path])
    after = pipeline.report(system, pipeline.search(system, catalog), catalog).bill

    assert after.total_cents == 100_000 * before.total_cents


def test_every_word_has_one_size() -> None:
    for each in unit_words.DIMENSIONS:
        assert all(word == word.lower() for word in each.words)


def test_water_that_is_read_is_water_whose_properties_are_known() -> None:
    cold, warm = RANGES["temperature"].least, RANGES["temperature"].most
    fresh, salt = RANGES["salinity"].least, RANGES["salinity"].most
    for temperature_c, salinity_g_kg in itertools.product((cold, warm), (fresh, salt)):
        assert fluid_of(Water(salinity_g_kg, temperature_c)).density_kg_m3 > 990.0
    with pytest.raises(NetworkError, match="properties are known for"):
        fluid_of(Water(salt, warm + 0.1))
