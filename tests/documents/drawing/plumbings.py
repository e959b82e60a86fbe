"""Invented plumbings of odd shapes for the layout of pictures; no flow or loss in them is true."""

from __future__ import annotations

import random

from optimizer.documents.drawing.labels import Shown
from optimizer.model.catalog import Kind
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.network import Leg, Network, Part, Point, PointKind, Pump, Run, RunEnd, Tee, Water

SOCKET = End(Form.SOCKET, "1 in", SizeSystem.IPS)
THREAD = End(Form.NPT_FEMALE, "1-1/2 in", SizeSystem.THREAD)
KINDS = [kind for kind in Kind if kind not in (Kind.TEE, Kind.CROSS, Kind.CONSUMABLE, Kind.PUMP)]
LEGS = (Leg.RUN_1, Leg.RUN_2, Leg.BRANCH, Leg.BRANCH_2)


def part(kind: Kind, length_m: float = 0.0, name: str = "") -> Part:
    far = THREAD if kind in (Kind.ADAPTER, Kind.BUSHING, Kind.REDUCING_COUPLING) else SOCKET
    return Part(kind, (SOCKET, far), (0.026, 0.04), length_m=length_m, name=name)


def surface(name: str, height_m: float) -> Point:
    return Point(name, PointKind.SURFACE, height_m, height_m)


def outlet(name: str, height_m: float) -> Point:
    return Point(name, PointKind.OUTLET, height_m, height_m)


def tee(name: str) -> Point:
    return Point(name, PointKind.TEE)


def shown(points: list[Point], runs: list[tuple[str, str, int]], seed: int = 1, units: str = "US") -> Shown:
    """Return a plumbing of these points, with (from, to, parts) runs of random parts and random flows."""
    chance = random.Random(seed)
    legs = {point.name: iter(LEGS) for point in points if not point.is_fixed}
    built = {}
    for number, (start, end, size) in enumerate(runs, 1):
        parts = [part(chance.choice(KINDS), chance.uniform(0.05, 3.0), "refugium light") for _ in range(size)]
        if number == 1:
            parts[0] = part(Kind.PUMP, name="return")
        ends = [RunEnd(name, next(legs[name])) if name in legs else RunEnd(name) for name in (start, end)]
        name = f"run {number} with a rather long name" if number % 3 == 0 else f"run {number}"
        built[name] = Run(name, ends[0], ends[1], "1 in", "sch 40 PVC", tuple(parts))
    pump = Pump("return", ((0.0, 5.0), (0.001, 0.0)), 0.9, (THREAD, THREAD))
    tees = {name: Tee(name, None) for name in legs}
    network = Network({point.name: point for point in points}, built, tees, {"return": pump}, {}, Water(35.0, 25.0))
    flows = {name: chance.uniform(-0.0005, 0.001) for name in built}
    places = [(name, index) for name, run in built.items() for index in range(len(run.parts))]
    marks = frozenset(chance.sample(places, len(places) // 3))
    return Shown(network, units, flows, dict.fromkeys(built, 0.3), dict.fromkeys(built, 0.0004), {}, marks)


def odd_plumbings() -> dict[str, Shown]:
    """Return plumbings with loops, drains, near heights, equal heights and many parts."""
    sump, display = surface("sump", 0.0), surface("display", 1.5)
    return {
        "loop": shown(
            [sump, display, tee("a"), tee("b"), tee("c")],
            [("sump", "a", 9), ("a", "b", 5), ("a", "c", 4), ("c", "b", 3), ("b", "display", 4), ("c", "sump", 6)],
        ),
        "drains": shown(
            [sump, display, tee("drain tee"), surface("refugium", 0.0)],
            [
                ("sump", "display", 12),
                ("display", "drain tee", 3),
                ("display", "drain tee", 2),
                ("drain tee", "sump", 4),
                ("display", "refugium", 5),
                ("refugium", "sump", 3),
            ],
        ),
        "near heights": shown(
            [sump, display, outlet("spray bar", 1.55), outlet("drip", 1.5), tee("wall"), tee("split")],
            [
                ("sump", "split", 10),
                ("split", "wall", 3),
                ("wall", "display", 6),
                ("wall", "spray bar", 7),
                ("split", "drip", 9),
            ],
            units="metric",
        ),
        "there and back": shown([sump], [("sump", "sump", 14), ("sump", "sump", 3)]),
        "below the sump": shown(
            [sump, display, surface("cellar tank", -1.2), tee("low")],
            [("cellar tank", "low", 8), ("low", "sump", 3), ("low", "display", 5), ("sump", "display", 7)],
        ),
        "long runs": shown([sump, display, tee("t")], [("sump", "t", 40), ("t", "display", 25), ("t", "sump", 30)]),
        "house water": shown(
            [Point("mains", PointKind.SUPPLY, 35.0, 0.4), outlet("filter tap", 0.9), sump],
            [("mains", "filter tap", 6), ("mains", "sump", 4)],
        ),
    }


def manifold(branches: int, seed: int) -> Shown:
    """Return a riser with a manifold of so many branches, part of them up to the display, the others back down."""
    chance = random.Random(seed)
    points = [surface("sump", 0.0), surface("display", 2.5), *(tee(f"tee {i}") for i in range(branches))]
    runs = [("sump", "tee 0", chance.randint(4, 18))]
    for i in range(branches):
        runs.append((f"tee {i}", f"tee {i + 1}" if i + 1 < branches else "display", chance.randint(1, 5)))
        runs.append((f"tee {i}", chance.choice(("sump", "sump", "display")), chance.randint(2, 8)))
    return shown(points, runs, seed)
