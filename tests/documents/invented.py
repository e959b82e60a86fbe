"""An invented system, plan and check for the layout of documents. Nothing here is a true flow, price or product."""

import datetime
from dataclasses import dataclass

from said import free

from optimizer.model.catalog import CatalogItem, Kind, LossData, LossMethod
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.network import Leg, Network, Part, Point, PointKind, Pump, Run, RunEnd, Tee, Water
from optimizer.model.outcome import PlanReport
from optimizer.model.plan import DemandCheck, Plan, Purchase, RunPlan, Status, TeePlan, ValveSetting, Verification
from optimizer.model.system import System, Target
from optimizer.takeoff import bill_of

FOOT_M, GAL_H = 0.3048, 231 * 0.0254**3 / 3600  # the US gallon is 231 cubic inches
SCH_40 = "sch 40 PVC"


def end(form: Form, size: str, system: SizeSystem = SizeSystem.IPS) -> End:
    return End(form, size, system)


def thread(form: Form, size: str) -> End:
    return End(form, size, SizeSystem.THREAD)


def item(
    item_id: str, kind: Kind, words: str, cents: int, *ends: End, standard: str = "ASTM D2466", sold_m: float = 0.0
) -> CatalogItem:
    return CatalogItem(
        item_id=item_id,
        kind=kind,
        description=words,
        family=SCH_40,
        material="PVC",
        ends=ends,
        end_bores_m=(0.026,) * len(ends),
        take_outs_m=(0.02,) * len(ends),
        loss=LossData(LossMethod.NONE),
        price_cents=cents,
        currency="USD",
        price_date=datetime.date(2026, 3, 1),
        source="invented",
        standard=standard,
        sale_length_m=sold_m,
    )


def _sized(size: str, name: str) -> dict[str, CatalogItem]:
    """Return invented inch PVC of one size."""
    socket, spigot = end(Form.SOCKET, size), end(Form.SPIGOT, size)
    words = f"{size}. sch 40 PVC"
    dear = {"1": 1, "1-1/4": 2, "1-1/2": 3, "3/4": 1}[name]
    return {
        "pipe": item(
            f"pvc40-pipe-{name}",
            Kind.PIPE,
            f"{words} pipe",
            45 + 22 * dear,
            spigot,
            spigot,
            standard="ASTM D1785",
            sold_m=FOOT_M,
        ),
        "sweep": item(
            f"pvc40-sweep-{name}",
            Kind.SWEEP_ELBOW,
            f"{words} 90° sweep elbow, socket × socket",
            310 + 145 * dear,
            socket,
            socket,
        ),
        "elbow": item(
            f"pvc40-elbow-{name}", Kind.ELBOW, f"{words} 90° elbow, socket × socket", 70 + 45 * dear, socket, socket
        ),
        "coupling": item(
            f"pvc40-coupling-{name}",
            Kind.COUPLING,
            f"{words} coupling, socket × socket",
            55 + 30 * dear,
            socket,
            socket,
        ),
        "tee": item(
            f"pvc40-tee-{name}",
            Kind.TEE,
            f"{words} tee, socket × socket × socket",
            120 + 80 * dear,
            socket,
            socket,
            socket,
        ),
        "valve": item(
            f"pvc80-tuball-{name}",
            Kind.TRUE_UNION_BALL_VALVE,
            f"{size}. PVC true-union ball valve, full port, socket × socket, EPDM seals",
            1350 + 700 * dear,
            socket,
            socket,
            standard="ASTM F1970",
        ),
        "check": item(
            f"pvc-swing-{name}",
            Kind.SWING_CHECK_VALVE,
            f"{size}. PVC swing check valve, socket × socket",
            1900 + 500 * dear,
            socket,
            socket,
            standard="",
        ),
        "male": item(
            f"pvc40-male-{name}",
            Kind.ADAPTER,
            f"{words} male adapter, socket × NPT male",
            60 + 40 * dear,
            socket,
            thread(Form.NPT_MALE, size),
        ),
        "union": item(
            f"pvc40-union-{name}",
            Kind.UNION,
            f"{words} union, socket × socket, EPDM seal",
            510 + 140 * dear,
            socket,
            socket,
            standard="ASTM F1970",
        ),
    }


@dataclass(frozen=True)
class Shop:
    """The invented items of the demo, by size and by name."""

    three_quarter: dict[str, CatalogItem]
    one: dict[str, CatalogItem]
    one_half: dict[str, CatalogItem]
    bushing: CatalogItem
    reducing_tee: CatalogItem
    bsp: CatalogItem
    cement: CatalogItem
    primer: CatalogItem
    tape: CatalogItem


def shop() -> Shop:
    half = end(Form.SPIGOT, "1-1/2 in"), end(Form.SOCKET, "1 in")
    tee = (end(Form.SOCKET, "1-1/2 in"), end(Form.SOCKET, "1-1/2 in"), end(Form.SOCKET, "3/4 in"))
    return Shop(
        _sized("3/4 in", "3/4"),
        _sized("1 in", "1"),
        _sized("1-1/2 in", "1-1/2"),
        item(
            "pvc40-bush-1-1/2x1", Kind.BUSHING, "1-1/2 × 1 in. sch 40 PVC reducer bushing, spigot × socket", 165, *half
        ),
        item(
            "pvc40-tee-1-1/2x3/4",
            Kind.TEE,
            "1-1/2 × 1-1/2 × 3/4 in. sch 40 PVC reducing tee, socket × socket × socket",
            640,
            *tee,
        ),
        item(
            "pvc-g-3/4",
            Kind.ADAPTER,
            "3/4 in. PVC adapter, socket × BSPP female with flat EPDM washer",
            420,
            end(Form.SOCKET, "3/4 in"),
            thread(Form.G_FEMALE, "3/4 in"),
            standard="",
        ),
        item(
            "cement-pint",
            Kind.CONSUMABLE,
            "PVC solvent cement, clear, medium body, 1 pint can",
            1190,
            standard="ASTM D2564",
        ),
        item("primer-half-pint", Kind.CONSUMABLE, "PVC primer, 1/2 pint can", 890, standard="ASTM F656"),
        item("tape-roll", Kind.CONSUMABLE, "PTFE thread tape, 1/2 in × 40 ft roll", 210, standard=""),
    )


def part(of: CatalogItem, length_m: float = 0.0, existing: bool = True) -> Part:
    return Part(of.kind, of.ends, of.end_bores_m, item=of, length_m=length_m, existing=existing)


def demo_system(name: str = "Cellar sump, mixed reef", units: str = "US") -> System:
    goods = shop()
    ports = (thread(Form.NPT_FEMALE, "1-1/2 in"), thread(Form.NPT_MALE, "1-1/2 in"))
    pump = Part(Kind.PUMP, ports, (0.04, 0.04), name="return pump")
    old = goods.one
    runs = {
        "riser": Run(
            "riser",
            RunEnd("sump"),
            RunEnd("manifold", Leg.RUN_1),
            "1 in",
            SCH_40,
            (pump, part(old["union"]), part(old["pipe"], 2.6), part(old["elbow"]), part(old["check"])),
        ),
        "display return": Run(
            "display return",
            RunEnd("manifold", Leg.RUN_2),
            RunEnd("display"),
            "1 in",
            SCH_40,
            (part(old["pipe"], 1.2), part(old["elbow"])),
        ),
        "uv line": Run(
            "uv line",
            RunEnd("manifold", Leg.BRANCH),
            RunEnd("sump"),
            "3/4 in",
            SCH_40,
            (part(goods.three_quarter["valve"]), part(goods.three_quarter["pipe"], 0.6)),
        ),
        "media reactor": Run(
            "media reactor",
            RunEnd("manifold", Leg.BRANCH_2),
            RunEnd("sump"),
            "3/4 in",
            SCH_40,
            (part(goods.three_quarter["valve"]),),
        ),
    }
    points = {
        "sump": Point("sump", PointKind.SURFACE, head_m=0.0, elevation_m=0.0),
        "display": Point("display", PointKind.SURFACE, head_m=2.8448, elevation_m=2.8448),
        "manifold": Point("manifold", PointKind.CROSS),
    }
    pumps = {"return pump": Pump("return pump", ((0.0, 7.0), (0.0038, 0.0)), 0.8, ports, speeds=(0.8, 0.9, 1.0))}
    network = Network(points, runs, {"manifold": Tee("manifold", old["tee"])}, pumps, {}, Water(35.0, 25.0))
    targets = (
        Target("display return", 1100 * GAL_H),
        Target("uv line", 250 * GAL_H, 350 * GAL_H),
        Target("media reactor", 0.0, 120 * GAL_H),
    )
    return System(name, units, "USD", network, targets)


def _riser(goods: Shop) -> RunPlan:
    new, where = goods.one_half, "riser"
    kept = part(goods.one["union"])
    pieces = (2.5908, 0.3556, 0.3556, 0.2032)
    bought = (
        *(Purchase(new["pipe"], -int(-length_m // FOOT_M), where, length_m) for length_m in pieces),
        *(Purchase(new["sweep"], 1, where) for _ in range(3)),
        Purchase(new["check"], 1, where),
        Purchase(new["male"], 1, where),
        Purchase(new["valve"], 1, where),
        Purchase(goods.bushing, 1, where),
    )
    parts = (
        Part(Kind.PUMP, (), (), name="return pump"),
        kept,
        part(new["pipe"], 2.5908, existing=False),
        part(new["sweep"], existing=False),
        part(new["valve"], existing=False),
    )
    old = goods.one
    removed = (part(old["pipe"], 2.6), part(old["elbow"]), part(old["elbow"]), part(old["check"]), part(old["male"]))
    changes = (
        "cut the 1 in. pipe on both sides of the first elbow, leaving a stub of at least 2 in. in the union",
        "take out 8 ft 6 in of 1 in. pipe, two standard elbows, the swing check valve and the male adapter at the pump",
        "put in 1-1/2 in. pipe and three sweep elbows, 1-1/2 in. to the manifold; reduce with the bushing at the union",
        "put in a true-union ball valve after the check valve, so that the pump can be taken out",
    )
    return RunPlan(where, parts, bought, removed, (), tuple(map(free, changes)))


def demo_plan() -> Plan:
    goods = shop()
    small = goods.three_quarter
    uv = RunPlan(
        "uv line",
        (part(small["valve"]), part(small["pipe"], 0.6), part(small["valve"])),
        (
            Purchase(goods.bsp, 2, "uv line"),
            Purchase(small["coupling"], 1, "uv line"),
            Purchase(small["pipe"], 1, "uv line", 0.15),
        ),
        (part(small["elbow"]),),
        (),
        (
            free("cut out the elbow before the UV and couple the stub"),
            free("cement the socket × BSPP adapters; a new flat washer on each side of the UV"),
        ),
    )
    display = RunPlan("display return", (part(goods.one["pipe"], 1.2), part(goods.one["elbow"])), (), (), (), ())
    reactor = RunPlan("media reactor", (part(small["valve"]),), (), (), (), ())
    tee = TeePlan(
        "manifold",
        Tee("manifold", goods.reducing_tee),
        (Purchase(goods.reducing_tee, 1, "manifold"),),
        (goods.one["tee"],),
        (free("cut out the 1 in. tee and cement in the reducing tee"),),
    )
    used = tuple(Purchase(one, 1, "all cemented joints") for one in (goods.cement, goods.primer))
    consumables = (*used, Purchase(goods.tape, 1, "all taper threads"))
    runs = {one.run: one for one in (_riser(goods), display, uv, reactor)}
    cost = sum(one.cost_cents for one in (*runs.values(), tee, *consumables))
    return Plan(
        Status.OPTIMAL,
        cost,
        cost,
        "USD",
        runs,
        {"manifold": tee},
        {"return pump": 0.9},
        consumables,
        material_cents=cost,
        notes=(free("the plan keeps one union on each side of the pump"),),
    )


def _gal_h(**flows: float) -> dict[str, float]:
    return {run.replace("_", " "): flow * GAL_H for run, flow in flows.items()}


def demo_check() -> Verification:
    demands = (
        DemandCheck("display return", 1100 * GAL_H, None, 742 * GAL_H, 1118 * GAL_H, 1236 * GAL_H, True),
        DemandCheck("uv line", 250 * GAL_H, 350 * GAL_H, 388 * GAL_H, 300 * GAL_H, 471 * GAL_H, True),
        DemandCheck("media reactor", 0.0, 120 * GAL_H, 131 * GAL_H, 100 * GAL_H, 233 * GAL_H, True),
    )
    valves = (
        ValveSetting("uv line", 0, "ball valve handle 35° from fully open", 0.61, 0.62),
        ValveSetting("media reactor", 0, "ball valve handle 58° from fully open", 0.35, 0.95),
    )
    flows = {
        "riser": 1518 * GAL_H,
        "display return": 1118 * GAL_H,
        "uv line": 300 * GAL_H,
        "media reactor": 100 * GAL_H,
    }
    velocities = {"riser": 1.3, "display return": 1.49, "uv line": 0.9, "media reactor": 0.3}
    warnings = (free("the display return is 2 % over its target: trim the valve against a measured flow"),)
    return Verification(True, demands, valves, flows, velocities, warnings, ())


def demo_report(name: str = "Cellar sump, mixed reef", units: str = "US") -> PlanReport:
    system, plan = demo_system(name, units), demo_plan()
    before = {
        "riser": 1261 * GAL_H,
        "display return": 742 * GAL_H,
        "uv line": 388 * GAL_H,
        "media reactor": 131 * GAL_H,
    }
    return PlanReport(system, plan, demo_check(), bill_of(system, plan), before)
