"""Rows of the meter catalog → items with what each meter needs to read right."""

from __future__ import annotations

from optimizer.model.catalog import Kind
from optimizer.model.meters import ORIENTATIONS, MeterData
from optimizer.read.catalog_rows import Seen, Shelf, read_piece
from optimizer.read.columns import Row
from optimizer.units import M3_PER_LITRE, SECONDS_PER_HOUR

METER_COLUMNS = (
    *("range_low_l_min", "range_high_l_min", "straight_before_bores", "straight_after_bores"),
    *("orientation", "pulses_per_l"),
)


def read_meter(row: Row, shelf: Shelf, seen: Seen) -> None:
    """Shelve a flow meter, a piece as any other, and its own numbers."""
    low, high = row.number_in("range_low_l_min", above=True), row.number_in("range_high_l_min", above=True)
    before, after = row.number_in("straight_before_bores"), row.number_in("straight_after_bores")
    orientation, pulses = row.one_of("orientation", ORIENTATIONS), row.number_in("pulses_per_l", above=True)
    if row.text("kind") != Kind.FLOW_METER:
        row.fault("kind", f"{Kind.FLOW_METER}: all rows of this file are meters")
    if row.sound and low >= high:
        row.fault("range_high_l_min", "more than range_low_l_min")
    read_piece(row, shelf, seen)
    if row.sound:
        per_minute = 60 * M3_PER_LITRE / SECONDS_PER_HOUR
        shelf.meters[row.text("item_id")] = MeterData(
            low * per_minute, high * per_minute, before, after, orientation, pulses / M3_PER_LITRE
        )
