"""The catalog files as rows, read here with the csv module alone: what may be bought, and what it does to water."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

CATALOGS = Path(__file__).parents[2] / "catalogs"
PARTS = ("fittings.csv", "adapters.csv", "valves.csv", "pipes.csv")


@dataclass(frozen=True, slots=True)
class End:
    """An end as the files write it: `3/4 in` and `socket`."""

    size: str
    form: str


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a file. Lengths in m, `cents` for one piece or one sale length."""

    key: str
    kind: str
    family: str
    ends: tuple[End, ...]
    bores_m: tuple[float, ...]
    take_outs_m: tuple[float, ...]
    method: str
    numbers: tuple[float, ...]
    loss_bore_m: float
    cents: int
    sale_length_m: float = 0.0
    roughness_m: float = 0.0


def end_of(text: str) -> End:
    for form in ("NPT male", "NPT female", "BSPT male", "BSPT female", "BSPP male", "BSPP female", "Rp female"):
        if text.endswith(form):
            return End(text.removesuffix(form).strip(), form)
    size, form = text.rsplit(" ", 1)
    return End(size, form)


_COLUMNS = {"3-K": ("k1", "ki", "kd", "nominal_in"), "K": ("k",), "crane": ("l_over_d",), "2-K": ("k1", "kinf")}


@cache
def all_rows() -> Mapping[str, Row]:
    """Return every row of pipe, fittings, adapters and valves, by item number."""
    found = {}
    for name in PARTS:
        with (CATALOGS / name).open(encoding="utf-8", newline="") as file:
            for line in csv.DictReader(file):
                found[line["item_id"]] = _row(line)
    return found


def _row(line: Mapping[str, str]) -> Row:
    cents = round(100 * float(line["price"]))
    if "end" in line:
        bore = float(line["bore_average_mm"]) / 1000
        end = end_of(line["end"])
        return Row(
            line["item_id"], line["kind"], line["family"], (end, end), (bore, bore), (0.0, 0.0), "pipe", (), bore,
            cents, float(line["sale_length_m"]), float(line["roughness_mm"] or 0) / 1000,
        )  # fmt: skip
    places = [i for i in range(1, 5) if line[f"end_{i}"]]
    method = line["loss_method"]
    return Row(
        line["item_id"],
        line["kind"],
        line["family"],
        tuple(end_of(line[f"end_{i}"]) for i in places),
        tuple(float(line[f"bore_{i}_mm"] or 0) / 1000 for i in places),
        tuple(float(line[f"take_out_{i}_mm"] or 0) / 1000 for i in places),
        method,
        tuple(float(line[column]) for column in _COLUMNS.get(method, ())),
        float(line["loss_bore_mm"] or 0) / 1000,
        cents,
    )


@cache
def depths_m() -> Mapping[End, float]:
    """Return how deep a pipe goes into each socket."""
    with (CATALOGS / "sockets.csv").open(encoding="utf-8", newline="") as file:
        return {end_of(line["end"]): float(line["depth_mm"]) / 1000 for line in csv.DictReader(file)}


@cache
def sticks_m(store: str = "home center") -> tuple[float, ...]:
    """Return the lengths in which a store sells inch pipe [m]."""
    with (CATALOGS / "stock-lengths.csv").open(encoding="utf-8", newline="") as file:
        rows = [line for line in csv.DictReader(file) if line["store"] == store and line["size_system"] == "inch"]
    return tuple(sorted(float(line["length_m"]) for line in rows))


@cache
def packs() -> Mapping[str, tuple[tuple[str, int, Mapping[str, float]], ...]]:
    """Return for each consumable its packs: (item number, cents, joints per pack by size)."""
    with (CATALOGS / "coverage.csv").open(encoding="utf-8", newline="") as file:
        does: dict[str, dict[str, float]] = {}
        for line in csv.DictReader(file):
            does.setdefault(line["item_id"], {})[line["size"]] = float(line["joints_per_pack"])
    found: dict[str, list[tuple[str, int, Mapping[str, float]]]] = {}
    with (CATALOGS / "consumables.csv").open(encoding="utf-8", newline="") as file:
        for line in csv.DictReader(file):
            key = line["item_id"]
            found.setdefault(line["consumable"], []).append((key, round(100 * float(line["price"])), does.get(key, {})))
    return {use: tuple(rows) for use, rows in found.items()}
