"""Catalog files → Catalog: CSV with units in the column names, each row with the keys of its sources.

What a file holds is known by its header: pipe, pieces (fittings, valves, adapters), consumables, what a pack of those
does, socket depths, families, or a bare price list.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from optimizer.errors import Fault, InputError
from optimizer.model.catalog import BASES, Catalog, Source
from optimizer.model.money import Money
from optimizer.read import catalog_rows as rows
from optimizer.read import meter_rows, pump_rows, shelf_cache
from optimizer.read.columns import MOST_BYTES, UNWRITABLE, Row, Table, nearest, read_table
from optimizer.read.ordinary import first_bytes
from optimizer.read.places import data_directory

SHIPPED = (
    *("pipes.csv", "fittings.csv", "valves.csv", "adapters.csv", "small-lines.csv", "meters.csv"),
    *("branches.csv", "outlets.csv"),
    *("consumables.csv", "coverage.csv", "sockets.csv", "families.csv", "pumps.csv"),
)
MOST_FAULTS = 200  # of one file; a list that is wrong throughout is wrong in one way
PRICE_COLUMNS = ("item_id", "price", "currency", "price_date")
_PRICE_AND_SOURCE = ("price", "currency", "price_date", "price_source", "source", "basis", "note")
_PIPE_COLUMNS = (
    *("item_id", "kind", "family", "material", "end", "outside_diameter_mm", "bore_min_wall_mm", "bore_average_mm"),
    *("roughness_mm", "pressure_rating_bar", "sale_length_m", "standard", *_PRICE_AND_SOURCE),
)
_PIECE_COLUMNS = (
    *("item_id", "kind", "trade_name", "family", "material", *(name for names in rows.END_COLUMNS for name in names)),
    *("loss_method", *rows.COEFFICIENTS, "loss_bore_mm", "band_low", "band_high", "loss_source"),
    *("pressure_rating_bar", "standard", *_PRICE_AND_SOURCE),
)
_CONSUMABLE_COLUMNS = ("item_id", "consumable", "trade_name", "material", "pack", "standard", *_PRICE_AND_SOURCE)
_LAYOUTS: tuple[tuple[tuple[str, ...], tuple[str, ...], rows.Reader], ...] = (  # marks, columns, reader of a row
    (("pulses_per_l",), (*_PIECE_COLUMNS, *meter_rows.METER_COLUMNS), meter_rows.read_meter),
    (("end_1", "end_2", "loss_method"), _PIECE_COLUMNS, rows.read_piece),
    (("outside_diameter_mm", "bore_min_wall_mm", "bore_average_mm"), _PIPE_COLUMNS, rows.read_pipe),
    (("curve_l_h_m",), (*pump_rows.PUMP_COLUMNS, *_PRICE_AND_SOURCE), pump_rows.read_pump),
    (("consumable",), _CONSUMABLE_COLUMNS, rows.read_consumable),
    (("joints_per_pack",), ("item_id", "size", "joints_per_pack", "source", "basis"), rows.read_coverage),
    (("depth_mm",), ("end", "depth_mm", "source", "basis"), rows.read_socket),
    (("fitting_families",), ("family", "fitting_families", "source"), rows.read_family),
)


def load_catalog(extra: Sequence[Path] = (), money: Money | None = None) -> Catalog:
    """Return the shipped catalogs, overridden row by row by a user's own files.

    Parameters
    ----------
    extra
        CSV files, the later one winning: either with all columns of a shipped catalog (rows replace those with the same
        id, or are added) or a price list with `item_id, price, currency, price_date`, whose rows without a price are
        passed over and whose other columns are not read. A `sources.toml` beside such a file adds the sources that its
        rows name.
    money
        The owner's currency, rates and tax: prices that it has a rate for are told in it, with the tax.

    Returns
    -------
    Catalog
        All rows, `own` naming those that the user's files added or priced; SI units; money in whole cents of one
        currency.

    Raises
    ------
    InputError
        With every fault of every file, each with its file, row and column. Two currencies are a fault where there is no
        rate between them.
    """
    base = [data_directory("catalogs") / name for name in SHIPPED]
    return _with_own(_kept_shelf(base), extra, money)


def load_catalog_files(base: Sequence[Path], extra: Sequence[Path] = ()) -> Catalog:
    """Return a catalog from files of one's own: as `load_catalog`, with `base` in place of the shipped ones."""
    return _with_own(_base_shelf(base), extra)


def _with_own(shelf: rows.Shelf, extra: Sequence[Path], money: Money | None = None) -> Catalog:
    """Return the catalog of what was read so far with the owner's files."""
    for folder in dict.fromkeys(path.parent for path in extra):
        _read_sources(folder / "sources.toml", shelf)
    for path in extra:
        _read_file(path, shelf, {})  # may repeat what the others have: that is how it overrides them
    if not shelf.faults:
        if money is not None:
            _tell_in(shelf, money)
        shelf.faults.extend(_mixed_currencies(shelf))
    if shelf.faults:
        raise InputError(shelf.faults)
    currency = next((item.currency for item in shelf.items.values()), "")
    found = Catalog(shelf.items, shelf.sources, currency, shelf.depths_m, shelf.families, shelf.packs, shelf.pumps)
    return replace(found, meters=shelf.meters, own=frozenset(shelf.own), remarks=tuple(dict.fromkeys(shelf.remarks)))


def _kept_shelf(base: Sequence[Path]) -> rows.Shelf:
    """Return what the shipped files hold, from the copy that was kept of the same content where there is one."""
    try:
        key = shelf_cache.key_of([base[0].parent / "sources.toml", *base])
    except OSError:
        return _base_shelf(base)  # which tells what is missing
    shelf = shelf_cache.fetch(key)
    if shelf is None:
        shelf = _base_shelf(base)
        if not shelf.faults:
            shelf_cache.keep(key, shelf)
    return shelf


def _base_shelf(base: Sequence[Path]) -> rows.Shelf:
    shelf = rows.Shelf()
    for folder in dict.fromkeys(path.parent for path in base):
        _read_sources(folder / "sources.toml", shelf)
    seen: rows.Seen = {}
    for path in base:
        _read_file(path, shelf, seen)
    shelf.own.clear()  # what has been read so far is not the owner's
    return shelf


def _read_sources(path: Path, shelf: rows.Shelf) -> None:
    import tomllib

    if not path.is_file():
        return
    try:
        content = first_bytes(path, MOST_BYTES, "a TOML file in UTF-8")
        if len(content) > MOST_BYTES:
            shelf.faults.append(Fault(path.name, "a far too large file", f"at most {MOST_BYTES / 1e6:.0f} MB"))
            return
        entries = tomllib.loads(content.decode("utf-8").replace("\r\n", "\n"))
    except (ValueError, RecursionError) as error:  # no TOML, no UTF-8, a number of too many digits
        shelf.faults.append(Fault(path.name, str(error), "a TOML file in UTF-8"))
        return
    except OSError as error:
        shelf.faults.append(Fault(str(path), f"a file that cannot be read ({error.strerror})", "a TOML file in UTF-8"))
        return
    for key, entry in entries.items():
        _read_source(f"{path.name}, [{key}]", key, entry if isinstance(entry, dict) else {}, shelf)


def _read_source(place: str, key: str, entry: dict[str, object], shelf: rows.Shelf) -> None:
    missing = [name for name in ("title", "place", "date", "basis") if not isinstance(entry.get(name), str)]
    if missing:
        shelf.faults.append(Fault(place, f"no text for {', '.join(missing)}", "title, place, date and basis"))
    elif any(UNWRITABLE.search(str(entry[name])) for name in ("title", "place", "date", "basis")):
        shelf.faults.append(Fault(place, "a control character", "printable characters"))
    elif entry["basis"] not in BASES:
        near = nearest(str(entry["basis"]), BASES)
        shelf.faults.append(Fault(place, f"basis {entry['basis']!r}", "one of " + "; ".join(BASES), near))
    else:
        shelf.sources[key] = Source(key, *(str(entry[name]) for name in ("title", "place", "date", "basis")))


def _read_file(path: Path, shelf: rows.Shelf, seen: rows.Seen) -> None:
    try:
        table = read_table(path)
        read_row = _reader(table)
    except InputError as error:
        shelf.faults.extend(error.faults)
        return
    begun = len(shelf.faults)
    for number, cells in table.rows:
        if len(shelf.faults) - begun >= MOST_FAULTS:
            found = f"{MOST_FAULTS} errors or more before this row"
            shelf.faults.append(Fault(f"{table.name}, row {number}", found, "a file with fewer: the rest was not read"))
            return
        row = Row(table.name, number, cells)
        read_row(row, shelf, seen)
        shelf.remarks += row.remarks
        if row.faults:
            in_order = {row.place(name): index for index, name in enumerate(table.header)}
            shelf.faults.extend(sorted(dict.fromkeys(row.faults), key=lambda fault: in_order[fault.place]))


def _reader(table: Table) -> rows.Reader:
    """Return what reads the rows of a table, known by a column that only this kind of file has."""
    for marks, columns, reader in _LAYOUTS:
        if any(mark in table.header for mark in marks):
            _check_header(table, columns)
            return reader
    missing = [name for name in PRICE_COLUMNS if name not in table.header]
    if missing:
        raise InputError(_missing(table, missing, PRICE_COLUMNS))
    return rows.read_price


def _check_header(table: Table, columns: Sequence[str]) -> None:
    missing = [name for name in columns if name not in table.header and name not in pump_rows.OPTIONAL]
    unknown = [name for name in table.header if name not in columns]
    faults = _missing(table, missing, columns)
    allowed = "the columns " + ", ".join(columns)
    for name in unknown:
        near = nearest(name, missing)
        faults.append(Fault(f"{table.name}, row 1", f"an unknown column {name!r}", allowed, near))
    if faults:
        raise InputError(faults)


def _missing(table: Table, missing: Sequence[str], columns: Sequence[str]) -> list[Fault]:
    place, found = f"{table.name}, row 1", "the columns " + ", ".join(table.header)
    others = [name for name in table.header if name not in columns]
    return [Fault(place, found, f"a column {name} among them", nearest(name, others)) for name in missing]


def _tell_in(shelf: rows.Shelf, money: Money) -> None:
    """Tell every price that there is a rate for in the owner's currency, with the tax."""
    for key, item in shelf.items.items():
        if money.counts(item.currency):
            cents = money.cents(item.price_cents, item.currency)
            if cents != item.price_cents or item.currency != money.currency:
                shelf.items[key] = replace(item, price_cents=cents, currency=money.currency)


def _mixed_currencies(shelf: rows.Shelf) -> list[Fault]:
    counts = Counter(item.currency for item in shelf.items.values())
    if len(counts) < 2:
        return []
    usual = counts.most_common(1)[0][0]
    allowed = f"one currency throughout: {counts[usual]} of {counts.total()} rows are in {usual}, and none is converted"
    odd = [item for item in shelf.items.values() if item.currency != usual]
    return [Fault(shelf.places[item.item_id], repr(item.currency), allowed) for item in odd]
