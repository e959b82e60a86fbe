"""The table of cement times → how long a joint of each size is left alone."""

from __future__ import annotations

from pathlib import Path

from optimizer.errors import Fault, InputError
from optimizer.model.catalog import BASES
from optimizer.model.cure import CureTime
from optimizer.read.columns import Row, read_table
from optimizer.read.places import data_directory

COLD = "cold_cure_min"  # may be left out
COLUMNS = ("size", "set_min", "cure_min", "basis", "note")


def load_cure_times(path: Path | None = None) -> dict[str, CureTime]:
    """Return the times by nominal size, from the shipped table or one of the user's own.

    Raises
    ------
    InputError
        With every fault of the file, each with its row and column.
    """
    table = read_table(path or data_directory("catalogs") / "cure-times.csv")
    missing = [name for name in COLUMNS if name not in table.header]
    if missing:
        place, found = f"{table.name}, row 1", "the columns " + ", ".join(table.header)
        raise InputError([Fault(place, found, f"a column {name} among them") for name in missing])
    faults, times = [], {}
    for number, cells in table.rows:
        row = Row(table.name, number, cells)
        row.one_of("basis", BASES)
        size, set_min, cure_min = row.required("size"), row.number_in("set_min"), row.number_in("cure_min")
        cold_min = row.number_in(COLD, low=cure_min) if row.text(COLD) else None
        time = CureTime(size, set_min, cure_min, row.text("basis"), cold_min)
        times[time.size] = time
        faults += row.faults
    if faults:
        raise InputError(faults)
    return times
