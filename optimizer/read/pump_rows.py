"""Rows of the pump catalog → items with their curves."""

from __future__ import annotations

import re

from optimizer.model.catalog import Kind, LossData, LossMethod
from optimizer.model.network import Mounting, Pump
from optimizer.ranges import RANGES
from optimizer.read.catalog_rows import Seen, Shelf, item_of, shelve
from optimizer.read.columns import Row
from optimizer.units import M3_PER_LITRE, SECONDS_PER_HOUR

PUMP_COLUMNS = (
    *("item_id", "trade_name", "material", "inlet", "inlet_bore_mm", "outlet", "outlet_bore_mm"),
    *("curve_l_h_m", "speeds_percent", "power_w", "mounting", "pressure_rating_bar", "standard"),
)

OPTIONAL = ("mounting",)


def read_pump(row: Row, shelf: Shelf, seen: Seen) -> None:
    """Shelve a pump: its curve is written `0 7.0; 6000 5.2; 11000 0`, flow in L/h and head in m."""
    ends = (row.end("inlet"), row.end("outlet"))
    bores = (row.metres("inlet_bore_mm", above=True), row.metres("outlet_bore_mm", above=True))
    name, curve, speeds = row.required("trade_name"), _curve(row), _speeds(row)
    power, mounting = row.number_in("power_w", above=True), _mounting(row)
    item = item_of(row, Kind.PUMP, name, "pump", ends, bores, (0.0, 0.0), LossData(LossMethod.NONE))
    shelve(item, row, shelf, seen)
    if row.sound:
        shelf.pumps[item.item_id] = Pump(item.item_id, curve, speeds[-1], ends, speeds, power, mounting=mounting)


def _curve(row: Row) -> tuple[tuple[float, float], ...]:
    text = row.required("curve_l_h_m")
    points: list[tuple[float, float]] = []
    for point in text.split(";"):
        match = re.fullmatch(r"(\d+(?:\.\d+)?) +(\d+(?:\.\d+)?)", point.strip())
        if match is not None:
            points.append((float(match[1]) * M3_PER_LITRE / SECONDS_PER_HOUR, float(match[2])))
    flows, heads = [flow for flow, _ in points], [head for _, head in points]
    possible = all(flow <= RANGES["flow"].most and head <= RANGES["head"].most for flow, head in points)
    falling = possible and flows == sorted(set(flows)) and heads == sorted(set(heads), reverse=True)
    if len(points) < 2 or len(points) < text.count(";") + 1 or not falling:
        row.fault("curve_l_h_m", "points 'flow head; flow head', flow in L/h rising, head in m falling")
        return ((0.0, 1.0), (1.0, 0.0))
    return tuple(points)


def _mounting(row: Row) -> Mounting:
    text = row.text("mounting", Mounting.IN_WATER)
    if text not in list(Mounting):
        row.fault("mounting", "one of " + ", ".join(Mounting) + "; empty: in water")
        return Mounting.IN_WATER
    return Mounting(text)


def _speeds(row: Row) -> tuple[float, ...]:
    """Return the settings as fractions of full speed, ascending; an empty cell: full speed only."""
    try:
        found = sorted({float(text) / 100 for text in row.text("speeds_percent", "100").split()})
    except ValueError:
        found = []
    if not found or not all(0 < speed <= 1 for speed in found):
        row.fault("speeds_percent", "percents above 0 and up to 100, with spaces between")
        return (1.0,)
    return tuple(found)
