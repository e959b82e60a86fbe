"""The table of stick lengths → rules: in which lengths a store keeps pipe, and what they cost beside running length."""

from __future__ import annotations

from pathlib import Path

from optimizer.errors import Fault, InputError
from optimizer.model.catalog import BASES
from optimizer.model.ends import SizeSystem
from optimizer.model.stock import StickRule
from optimizer.read.columns import Row, read_table
from optimizer.read.places import data_directory

COLUMNS = ("store", "size_system", "length_m", "price_factor", "default", "basis", "note")
_YES_NO = {"yes": True, "no": False}


def load_stick_rules(path: Path | None = None) -> tuple[StickRule, ...]:
    """Return the shipped table of stick lengths, or one of the user's own in its place.

    Raises
    ------
    InputError
        With every fault of the file, each with its row and column.
    """
    table = read_table(path or data_directory("catalogs") / "stock-lengths.csv")
    faults = [_missing(table.name, table.header, name) for name in COLUMNS if name not in table.header]
    if faults:
        raise InputError(faults)
    rules = []
    for number, cells in table.rows:
        row = Row(table.name, number, cells)
        rules.append(_rule(row))
        faults += row.faults
    if faults:
        raise InputError(faults)
    return tuple(rules)


def _rule(row: Row) -> StickRule:
    row.one_of("basis", BASES)
    return StickRule(
        store=row.required("store"),
        system=row.word("size_system", SizeSystem, SizeSystem.IPS),
        length_m=row.number_in("length_m", above=True),
        price_factor=row.number_in("price_factor", above=True),
        default=_YES_NO.get(row.one_of("default", tuple(_YES_NO)), False),
    )


def _missing(file: str, header: tuple[str, ...], name: str) -> Fault:
    return Fault(f"{file}, row 1", "the columns " + ", ".join(header), f"a column {name} among them")
