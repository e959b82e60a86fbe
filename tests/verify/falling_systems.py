"""Systems as an owner would write them, and what they lose when the pumps stop, as the program and as others say."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest
from falling_water import Fallen, let_fall
from said import worded
from small_aquaria import catalog

from optimizer.hydraulics import solve_network
from optimizer.hydraulics.weirs import weir_head_m
from optimizer.model.system import System
from optimizer.read.systems import load_system
from optimizer.verify.balance import balances
from optimizer.verify.drain_back import DrainBack, drain_back

CURVE = "curve: [0 L/h at 5 m, 2000 L/h at 4 m, 4000 L/h at 0 m], ports: 1 in NPT male"
PUMP = "pump {}, adapter NPT female x socket"
EDGE_M = 0.6
Depths = Mapping[tuple[str, str], float]  # (run, tank) -> m below the edge


def written(
    tmp_path: Path,
    heights: Mapping[str, float],
    runs: Mapping[str, tuple[str, str, str]],
    tanks: Mapping[str, str],
    drains: Mapping[str, str],
    more: str = "",
) -> System:
    """Return a system of these surfaces [m], runs (from, to, parts; 1 in unless they say a size), tanks and drains."""
    pumps = [part.split()[1] for _, _, parts in runs.values() for part in parts.split(", ") if part.startswith("pump ")]
    lines = [
        "system: Water that falls, invented",
        "units: metric",
        f"surfaces: {{{', '.join(f'{name}: {height} m' for name, height in heights.items())}}}",
        f"pumps: {{{', '.join(f'{pump}: {{{CURVE}}}' for pump in pumps)}}}",
        more,
        "runs:",
    ]
    for name, (start, end, parts) in runs.items():
        size = "1 in" if " size " not in parts else parts.split(" size ")[1]
        row = parts.split(" size ")[0]
        lines.append(f"  {name}: {{from: {start}, to: {end}, size: {size} sch 40 PVC, parts: [{row}]}}")
    lines += ["tanks:", *(f"  {name}: {{{facts}}}" for name, facts in tanks.items()), "drains:"]
    for number, (tank, to) in enumerate(drains.items()):
        drain = "mode: full siphon, size: 3 in sch 40 PVC, drop: 500 mm, parts: [bulkhead, pipe 500 mm]"
        lines.append(f"  drain {number}: {{from: {tank.split()[0]}, to: {to}, {drain}}}")
    lines.append(f"targets: {{{next(iter(runs))}: any}}")
    path = tmp_path / "system.yaml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return load_system(path, catalog())


def tank(area_m2: float, more: str = "", rim_mm: int = 40) -> str:
    return f"area: {area_m2} m2, overflow edge: {EDGE_M} m, rim above edge: {rim_mm} mm, start volume: 2 L{more}"


SUMP = "free volume: 400 L, pump reserve: 100 L"


def back_of(system: System) -> DrainBack:
    return drain_back(system.network, solve_network(system.network).flows_m3_s, system.tanks, system.drains)


def litres(system: System) -> float:
    """Return what the program says that tanks lose [L]."""
    back = back_of(system)
    assert not back.missing, [worded(one) for one in back.missing]
    return 1e3 * sum(volume for what, volume in back.volumes_m3.items() if what.startswith("tank "))


def fallen(system: System, mouths: Depths, drains: Mapping[str, str], **how: bool) -> Fallen:
    left = balances(system, system.network, solve_network(system.network).flows_m3_s)
    rises = {each.tank: weir_head_m(EDGE_M, max(each.left_m3_s, 0.0)) for each in left if not each.is_sump}
    if any(each.name == "twin" for each in system.tanks):
        rises["twin"] = rises["display"]
    return let_fall(system, rises, mouths, drains, **how)


def lost(told: Fallen) -> float:
    return 1e3 * sum(told.lost_m3.values())


def same(litres_: float) -> object:
    return pytest.approx(litres_, rel=0.01, abs=0.3)


# ---- lines, mouths, siphon breaks

RETURN = ("sump", "display", f"{PUMP.format('main')}, pipe 2 m")
SECOND = ("sump", "display", f"{PUMP.format('second')}, swing check valve, pipe 2 m")
SIDE = f"bulkhead, pipe 1 m, adapter socket x NPT female, {PUMP.format('side')}, pipe 4 m"
CHILLER = ("display", "sump", SIDE)
DOWN = {"display": "sump"}
