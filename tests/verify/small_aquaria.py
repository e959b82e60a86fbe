"""A small invented aquarium for the safety tests: sump, pump, one riser and one return with a valve, display."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from optimizer.joints.chains import new_part
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.network import Condition, Network, Part, Point, PointKind, Pump, Run, RunEnd, Water
from optimizer.model.system import Rules, System, Target
from optimizer.model.tanks import Drain, DrainMode, Tank
from optimizer.read.catalogs import load_catalog

FAMILY = "sch 40 PVC"
GALLON_PER_HOUR = 0.003785411784 / 3600.0
WATER = Water(0.0, 20.0)


@cache
def catalog() -> Catalog:
    return load_catalog()


def part(kind: Kind, size: str, length_m: float = 0.0, **changes: object) -> Part:
    """Return an existing part with plain ends."""
    end = End(Form.SPIGOT if kind is Kind.PIPE else Form.SOCKET, size, SizeSystem.IPS)
    item = catalog().by_ends(kind, (end, end), FAMILY)[0]
    return replace(new_part(item, length_m=length_m), existing=True, **changes)  # type: ignore[arg-type]


def pump_part(size: str) -> Part:
    end = End(Form.SOCKET, size, SizeSystem.IPS)
    return Part(Kind.PUMP, (end, end), (0.0205, 0.0205), name="return", condition=Condition.KEEP)


def siphon(size: str = "1 in", drop_m: float = 0.9, mode: DrainMode = DrainMode.SIPHON, **changes: object) -> Drain:
    """Return a drain of two elbows and a valve."""
    row = [(Kind.PIPE, 0.05), (Kind.ELBOW, 0.0), (Kind.PIPE, 0.5), (Kind.BALL_VALVE, 0.0), (Kind.PIPE, 0.3)]
    parts = [*(part(kind, size, length) for kind, length in row), part(Kind.ELBOW, size), part(Kind.PIPE, size, 0.05)]
    return replace(Drain("drain", "display", mode, tuple(parts), drop_m), **changes)  # type: ignore[arg-type]


def upright(size: str, lip_head_m: float, mode: DrainMode = DrainMode.EMERGENCY) -> Drain:
    """Return a standing pipe with a long fall, so that its mouth is what limits it."""
    return Drain(f"{mode} drain", "display", mode, (part(Kind.PIPE, size, 1.0),), 1.0, lip_head_m)


def aquarium(
    low_m3_s: float = 2.0e-4,
    high_m3_s: float | None = None,
    head_m: float = 4.0,
    tanks: tuple[Tank, ...] = (),
    drains: tuple[Drain, ...] = (),
    sizes: tuple[str, ...] = ("3/4 in", "1 in"),
) -> System:
    """Return a pump that falls short with 3/4 in pipe at 4 m of shut-off head and its return of 1.2 m rise."""
    ends = (pump_part("3/4 in").ends[0], pump_part("3/4 in").ends[1])
    pump = Pump("return", ((0.0, head_m), (3e-4, 0.75 * head_m), (6e-4, 0.0)), 1.0, ends)
    points = {
        "sump": Point("sump", PointKind.SURFACE, 0.0, 0.0),
        "display": Point("display", PointKind.SURFACE, 1.2, 1.2),
    }
    kinds = [(Kind.PIPE, 1.0), (Kind.ELBOW, 0.0), (Kind.PIPE, 2.0), (Kind.ELBOW, 0.0), (Kind.PIPE, 1.5)]
    row = [part(kind, "3/4 in", length) for kind, length in kinds]
    row += [part(Kind.BALL_VALVE, "3/4 in"), part(Kind.PIPE, "3/4 in", 0.5)]
    run = Run("return line", RunEnd("sump"), RunEnd("display"), "3/4 in", FAMILY, (pump_part("3/4 in"), *row))
    network = Network(points, {"return line": run}, {}, {"return": pump}, {}, WATER)
    target = Target("return line", low_m3_s, high_m3_s)
    rules = Rules(sizes=sizes, velocity_limit_m_s=9.0)
    return System("invented", "metric", catalog().currency, network, (target,), rules, tanks=tanks, drains=drains)
