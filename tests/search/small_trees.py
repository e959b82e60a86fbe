"""Random small pumped trees for the search tests. Invented, and only for comparing two ways to the same answer."""

from __future__ import annotations

import random
from dataclasses import replace
from functools import cache

from optimizer.choices.demands import known_flows
from optimizer.hydraulics import conditions_of, pump_head_m
from optimizer.joints.chains import new_part
from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.network import Condition, Leg, Network, Part, Point, PointKind, Pump, Run, RunEnd, Tee, Water
from optimizer.model.system import Rules, System, Target
from optimizer.read.catalogs import load_catalog
from optimizer.verify.settings import PathLosses

FAMILY = "sch 40 PVC"
SOCKETS = (Form.SOCKET, Form.SPIGOT)


@cache
def full_catalog() -> Catalog:
    return load_catalog()


@cache
def small_catalog(sizes: tuple[str, ...] = ("3/4 in", "1 in")) -> Catalog:
    """Return the shipped rows of schedule 40 with plain ends in a few sizes, and the consumables."""
    whole = full_catalog()

    def wanted(item: CatalogItem) -> bool:
        plain = all(end.form in SOCKETS and end.system is SizeSystem.IPS and end.size in sizes for end in item.ends)
        return item.kind is Kind.CONSUMABLE or (item.family == FAMILY and plain)

    return replace(whole, items={key: item for key, item in whole.items.items() if wanted(item)})


def part(catalog: Catalog, kind: Kind, size: str, length_m: float = 0.0, **changes: object) -> Part:
    """Return an existing part with plain ends in one size."""
    form = Form.SPIGOT if kind is Kind.PIPE else Form.SOCKET
    end = End(form, size, SizeSystem.IPS)
    item = catalog.by_ends(kind, (end, end), FAMILY)[0]
    return replace(new_part(item, length_m=length_m), existing=True, **changes)  # type: ignore[arg-type]


def tee_item(catalog: Catalog, size: str) -> CatalogItem:
    end = End(Form.SOCKET, size, SizeSystem.IPS)
    return catalog.by_ends(Kind.TEE, (end, end, end), FAMILY)[0]


def pump_part(size: str) -> Part:
    """Return a pump whose ports take pipe like a socket, so that small trees need no threads."""
    end = End(Form.SOCKET, size, SizeSystem.IPS)
    return Part(Kind.PUMP, (end, end), (0.0205, 0.0205), name="return", condition=Condition.KEEP)


def _parts(
    rng: random.Random, catalog: Catalog, size: str, bends: int, valve: bool, longest_m: float = 1.5
) -> list[Part]:
    """Return pipe, bends and (for a branch) a valve, pipe first and last, so that every run can be cut into."""
    kinds = [rng.choice([Kind.ELBOW, Kind.ELBOW, Kind.ELBOW_45, Kind.UNION]) for _ in range(bends)]
    if valve:
        kinds.insert(rng.randrange(len(kinds) + 1), Kind.BALL_VALVE)
    out = [part(catalog, Kind.PIPE, size, rng.uniform(0.1, longest_m))]
    for kind in kinds:
        out += [part(catalog, kind, size), part(catalog, Kind.PIPE, size, rng.uniform(0.1, longest_m))]
    return out


def random_tree(
    seed: int,
    catalog: Catalog,
    branches: int = 2,
    bends: tuple[int, int] = (0, 1),
    sizes: tuple[str, ...] = ("3/4 in", "1 in"),
    longest_m: float = 1.5,
) -> System:
    """Return a pump, a riser and branches off a row of tees, each branch with a valve and a target."""
    rng = random.Random(seed)
    small = sizes[0]
    points: dict[str, Point] = {"sump": Point("sump", PointKind.SURFACE, 0.0, 0.0)}
    runs: dict[str, Run] = {}
    tees: dict[str, Tee] = {}

    def end(name: str, leg: Leg = Leg.NONE) -> RunEnd:
        return RunEnd(name, leg)

    def add(name: str, start: RunEnd, stop: RunEnd, parts: list[Part]) -> None:
        runs[name] = Run(name, start, stop, small, FAMILY, tuple(parts))

    for i in range(1, branches):
        points[f"tee {i}"] = Point(f"tee {i}", PointKind.TEE)
        tees[f"tee {i}"] = Tee(f"tee {i}", tee_item(catalog, small))
    add(
        "riser",
        end("sump"),
        end("tee 1", Leg.RUN_1),
        [pump_part(small), *_parts(rng, catalog, small, rng.randint(*bends), False, longest_m)],
    )
    targets = []
    for i in range(1, branches + 1):
        last = i == branches
        start = end(f"tee {i - 1}", Leg.RUN_2) if last else end(f"tee {i}", Leg.BRANCH)
        points[f"tank {i}"] = Point(f"tank {i}", PointKind.SURFACE, rng.uniform(0.2, 1.2), 0.0)
        add(f"branch {i}", start, end(f"tank {i}"), _parts(rng, catalog, small, rng.randint(*bends), True, longest_m))
        if not last and i + 1 < branches:
            length = [part(catalog, Kind.PIPE, small, rng.uniform(0.1, 0.5))]
            add(f"link {i}", end(f"tee {i}", Leg.RUN_2), end(f"tee {i + 1}", Leg.RUN_1), length)
        low = rng.uniform(1.2e-4, 2.4e-4)
        targets.append(Target(f"branch {i}", low, rng.choice([None, 1.3 * low])))
    total = sum(target.low_m3_s for target in targets)
    ports = (runs["riser"].parts[0].ends[0], runs["riser"].parts[0].ends[1])
    strong = Pump("return", ((0.0, 100.0), (2 * total, 90.0)), 1.0, ports)
    network = Network(points, runs, tees, {"return": strong}, {}, Water(35.0, 25.0))
    rules = Rules(sizes=sizes, velocity_limit_m_s=9.0)
    system = System(f"tree {seed}", "metric", catalog.currency, network, tuple(targets), rules)
    return with_pump(system, rng.uniform(0.3, 1.05), total)


def with_pump(system: System, share: float, total_m3_s: float) -> System:
    """Return the system with a pump that gives a share of the head that the plumbing as it stands would take."""
    network = system.network
    known = known_flows(system)
    spare = PathLosses(network, known, conditions_of(network)).balance_at({t.run: t.low_m3_s for t in system.targets})
    (pump,) = network.pumps.values()
    worst = min(spare.surplus_m, key=lambda run: spare.surplus_m[run])
    lift = next(path.lift_m for path in known.paths if path.demand == worst)
    head = lift + share * (pump_head_m(pump, total_m3_s) - spare.surplus_m[worst] - lift)
    weaker = replace(pump, curve=((0.0, 1.3 * head), (total_m3_s, head), (2.5 * total_m3_s, 0.0)))
    return replace(system, network=replace(network, pumps={pump.name: weaker}))
