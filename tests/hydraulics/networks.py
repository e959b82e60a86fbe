"""Small plumbing built from the model's values, and random networks, for the tests of the network solution."""

from __future__ import annotations

import datetime
import math
import random
from collections.abc import Sequence

from optimizer.model.catalog import CatalogItem, Kind, LossData, LossMethod
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.network import (
    Device,
    Leg,
    Network,
    Part,
    Point,
    PointKind,
    Pump,
    Run,
    RunEnd,
    Tee,
    Water,
)

FRESH = Water(0.0, 20.0)
SOCKET = End(Form.SOCKET, "1 in", SizeSystem.IPS)
PORTS = (SOCKET, SOCKET)


def item(
    kind: Kind,
    bores: tuple[float, ...],
    method: LossMethod = LossMethod.NONE,
    coefficients: tuple[float, ...] = (),
    *,
    loss_bore: float = 0.0,
    roughness: float = 0.0,
    bore_min_wall: float = 0.0,
) -> CatalogItem:
    return CatalogItem(
        item_id=str(kind),
        kind=kind,
        description=str(kind),
        family="",
        material="PVC",
        ends=(SOCKET,) * len(bores),
        end_bores_m=bores,
        take_outs_m=(0.0,) * len(bores),
        loss=LossData(method, coefficients, loss_bore),
        price_cents=0,
        currency="USD",
        price_date=datetime.date(2025, 1, 1),
        source="",
        roughness_m=roughness,
        bore_min_wall_m=bore_min_wall,
    )


def pipe(length_m: float, bore_m: float, roughness_m: float = 1.5e-6) -> Part:
    row = item(Kind.PIPE, (bore_m,), roughness=roughness_m)
    return Part(Kind.PIPE, PORTS, (bore_m, bore_m), row, length_m=length_m)


def fitting(kind: Kind, bore_m: float, method: LossMethod, *coefficients: float, opening: float = 1.0) -> Part:
    bores = (bore_m, bore_m)
    return Part(kind, PORTS, bores, item(kind, bores, method, coefficients), opening=opening)


def fixed_k(k: float, bore_m: float) -> Part:
    return fitting(Kind.UNION, bore_m, LossMethod.K, k)


def valve(bore_m: float, opening: float = 1.0, k: float = 0.1) -> Part:
    return fitting(Kind.BALL_VALVE, bore_m, LossMethod.K, k, opening=opening)


def check_valve(bore_m: float, k: float = 2.0) -> Part:
    return fitting(Kind.SWING_CHECK_VALVE, bore_m, LossMethod.K, k)


def reducer(from_m: float, to_m: float, kind: Kind = Kind.BUSHING) -> Part:
    return Part(kind, PORTS, (from_m, to_m), item(kind, (from_m, to_m), LossMethod.BORES))


def pump_part(name: str = "pump") -> Part:
    return Part(Kind.PUMP, PORTS, (0.0, 0.0), name=name)


def device_part(name: str) -> Part:
    return Part(Kind.DEVICE, PORTS, (0.0, 0.0), name=name)


def tee_item(run_1_m: float, run_2_m: float, *branches_m: float) -> CatalogItem:
    kind = Kind.TEE if len(branches_m) == 1 else Kind.CROSS
    return item(kind, (run_1_m, run_2_m, *branches_m), LossMethod.TEE)


def surface(name: str, head_m: float) -> Point:
    return Point(name, PointKind.SURFACE, head_m, head_m)


def outlet(name: str, height_m: float) -> Point:
    return Point(name, PointKind.OUTLET, height_m, height_m)


def supply(name: str, head_m: float) -> Point:
    """A fixed head without entrance or exit loss."""
    return Point(name, PointKind.SUPPLY, head_m, 0.0)


def tee_point(name: str) -> Point:
    return Point(name, PointKind.TEE)


def run(name: str, start: str, end: str, *parts: Part, legs: tuple[Leg, Leg] = (Leg.NONE, Leg.NONE)) -> Run:
    return Run(name, RunEnd(start, legs[0]), RunEnd(end, legs[1]), "1 in", "sch 40 PVC", parts)


def network(
    points: Sequence[Point],
    runs: Sequence[Run],
    *,
    pumps: Sequence[Pump] = (),
    devices: Sequence[Device] = (),
    tees: Sequence[Tee] = (),
    water: Water = FRESH,
) -> Network:
    return Network(
        points={point.name: point for point in points},
        runs={one.name: one for one in runs},
        tees={tee.point: tee for tee in tees},
        pumps={pump.name: pump for pump in pumps},
        devices={device.name: device for device in devices},
        water=water,
    )


def parabola_pump(
    shut_off_m: float, a_s2_m5: float, name: str = "pump", *, speed: float = 1.0, power_w: float | None = None
) -> Pump:
    """H = H0 - a Q² down to no head."""
    points = ((0.0, shut_off_m), (math.sqrt(shut_off_m / a_s2_m5), 0.0))
    return Pump(name, points, speed, PORTS, power_w=power_w)


def random_network(seed: int, n_runs: int | None = None, *, share_of_loops: float | None = None) -> Network:
    """A connected network of surfaces, points, pipes, fittings and pumps, with loops; no check valves, no tee losses.

    A tree over all points, then further runs between random points until there are `n_runs`.
    """
    dice = random.Random(seed)
    total = n_runs or dice.choice([5, 8, 12, 20, 35, 60, 100, 200])
    loops = round(total * (dice.choice([0.0, 0.1, 0.3]) if share_of_loops is None else share_of_loops))
    n_points = total - loops + 1
    n_fixed = max(2, n_points // 8)
    fixed = [surface(f"s{i}", dice.uniform(-2.0, 6.0)) for i in range(n_fixed)]
    free = [tee_point(f"t{i}") for i in range(n_points - n_fixed)]
    order = [point.name for point in (*fixed, *free)]
    dice.shuffle(order)
    ends = [(dice.choice(order[max(0, i - 12) : i]), order[i]) for i in range(1, len(order))]
    while len(ends) < total:
        near = dice.randrange(len(order))
        pair = (order[near], order[min(len(order) - 1, near + dice.randrange(1, 12))])
        if pair[0] != pair[1]:
            ends.append(pair)
    pumps: list[Pump] = []
    runs = []
    for i, (a, b) in enumerate(ends):
        parts = _random_parts(dice)
        if dice.random() < 0.08:
            pump = parabola_pump(dice.uniform(2.0, 9.0), dice.uniform(2e5, 4e6), f"p{i}", speed=dice.uniform(0.4, 1.0))
            pumps.append(pump)
            parts.insert(len(parts) // 2, pump_part(pump.name))
        pair = (a, b) if dice.random() < 0.5 else (b, a)
        runs.append(run(f"r{i}", *pair, *parts))
    return network([*fixed, *free], runs, pumps=pumps, water=Water(dice.uniform(0, 45), dice.uniform(5, 35)))


def _random_parts(dice: random.Random) -> list[Part]:
    bore = dice.choice([0.0062, 0.0154, 0.0205, 0.0261, 0.0345, 0.0403, 0.0518])
    parts = [pipe(dice.uniform(0.2, 6.0), bore, dice.choice([1.5e-6, 5e-5]))]
    parts += [
        fitting(Kind.ELBOW, bore, LossMethod.THREE_K, 800.0, 0.14, 4.0, bore / 0.0254) for _ in range(dice.randrange(4))
    ]
    if dice.random() < 0.3:
        parts.append(fixed_k(dice.uniform(0.05, 20.0), bore))
    if dice.random() < 0.2:
        wide = bore * 1.3
        parts += [reducer(bore, wide), pipe(dice.uniform(0.1, 2.0), wide)]
    return parts


def random_manifold(seed: int, n_runs: int) -> Network:
    """A pump in a sump, a tree of reducing tees and crosses met by any leg, some runs turned, some check valves."""
    dice = random.Random(seed)
    sizes = [0.0158, 0.0205, 0.0266, 0.0351, 0.0409]
    points, runs, tees = [surface("sump", 0.0)], [], []
    waiting = [("sump", Leg.NONE)]
    while waiting:
        point, leg = waiting.pop(0)
        parts = [pipe(dice.uniform(0.05, 2.0), dice.choice(sizes))]
        name = f"r{len(runs)}"
        if len(runs) + len(waiting) >= n_runs:
            points.append(surface(f"s{len(points)}", dice.uniform(-1.0, 3.0)))
            parts += [check_valve(0.0205)] if dice.random() < 0.2 else []
            runs.append(run(name, point, points[-1].name, *parts, legs=(leg, Leg.NONE)))
            continue
        cross = dice.random() < 0.2
        legs = [Leg.RUN_1, Leg.RUN_2, Leg.BRANCH, *([Leg.BRANCH_2] if cross else [])]
        tee = Point(f"t{len(points)}", PointKind.CROSS if cross else PointKind.TEE)
        points.append(tee)
        tees.append(Tee(tee.name, tee_item(*(dice.choice(sizes) for _ in legs))))
        entry = dice.choice(legs)
        if point == "sump":
            parts.insert(0, pump_part())
        turned = point != "sump" and dice.random() < 0.5
        ends, sits = ((tee.name, point), (entry, leg)) if turned else ((point, tee.name), (leg, entry))
        runs.append(run(name, *ends, *parts, legs=sits))
        waiting += [(tee.name, other) for other in legs if other is not entry]
    pump = parabola_pump(dice.uniform(1.0, 6.0), dice.uniform(1e5, 4e6))
    return network(points, runs, tees=tees, pumps=[pump])
