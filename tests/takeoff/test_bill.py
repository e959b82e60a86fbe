"""The bill holds exactly what the plan buys and takes out. All items and prices here are invented for the tests."""

import datetime
from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from said import worded

from optimizer.errors import OptimizerError
from optimizer.model.catalog import CatalogItem, Kind, LossData, LossMethod
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.network import Network, Part, Tee, Water
from optimizer.model.plan import Plan, Purchase, RunPlan, Status, TeePlan
from optimizer.model.system import System
from optimizer.takeoff import bill_of
from optimizer.takeoff.fate import fate_of
from optimizer.takeoff.order import GROUPS, sale_unit, size_words

SOCKET_1, SPIGOT_1 = End(Form.SOCKET, "1 in", SizeSystem.IPS), End(Form.SPIGOT, "1 in", SizeSystem.IPS)
SOCKET_2, SPIGOT_2 = End(Form.SOCKET, "1-1/2 in", SizeSystem.IPS), End(Form.SPIGOT, "1-1/2 in", SizeSystem.IPS)
NPT_1 = End(Form.NPT_MALE, "1 in", SizeSystem.THREAD)
G_1 = End(Form.G_FEMALE, "1 in", SizeSystem.THREAD)
FOOT_M = 0.3048


def item(
    item_id: str, kind: Kind, *ends: End, cents: int = 100, sale_length_m: float = 0.0, **more: str
) -> CatalogItem:
    return CatalogItem(
        item_id=item_id,
        kind=kind,
        description=more.pop("description", item_id),
        family="sch 40 PVC",
        material="PVC",
        ends=ends,
        end_bores_m=(0.026,) * len(ends),
        take_outs_m=(0.01,) * len(ends),
        loss=LossData(LossMethod.NONE),
        price_cents=cents,
        currency=more.pop("currency", "USD"),
        price_date=datetime.date(2026, 3, 1),
        source="invented",
        sale_length_m=sale_length_m,
        **more,  # type: ignore[arg-type]
    )


PIPE_1 = item("pipe 1", Kind.PIPE, SPIGOT_1, SPIGOT_1, cents=89, sale_length_m=FOOT_M, standard="ASTM D1785")
PIPE_2 = item("pipe 1-1/2", Kind.PIPE, SPIGOT_2, SPIGOT_2, cents=139, sale_length_m=FOOT_M)
ELBOW_1 = item("elbow 1", Kind.ELBOW, SOCKET_1, SOCKET_1, cents=120)
SWEEP_2 = item("sweep 1-1/2", Kind.SWEEP_ELBOW, SOCKET_2, SOCKET_2, cents=610)
BUSHING = item("bushing", Kind.BUSHING, SPIGOT_2, SOCKET_1, cents=150)
VALVE = item("valve 1", Kind.BALL_VALVE, SOCKET_1, SOCKET_1, cents=900)
ADAPTER = item("male adapter", Kind.ADAPTER, SOCKET_1, NPT_1, cents=95, standard="ASTM D2466")
TEE = item("tee 1", Kind.TEE, SOCKET_1, SOCKET_1, SOCKET_1, cents=210)
CEMENT = item("cement", Kind.CONSUMABLE, cents=799)
CATALOG = (PIPE_1, PIPE_2, ELBOW_1, SWEEP_2, BUSHING, VALVE, ADAPTER, TEE)


def part(of: CatalogItem, length_m: float = 0.0) -> Part:
    return Part(of.kind, of.ends, of.end_bores_m, item=of, length_m=length_m)


def run_plan(run: str, *purchases: Purchase, removed: tuple[Part, ...] = ()) -> RunPlan:
    return RunPlan(run, parts=(), purchases=purchases, removed=removed, joints=(), changes=())


def plan_of(
    *runs: RunPlan,
    tees: tuple[TeePlan, ...] = (),
    consumables: tuple[Purchase, ...] = (),
    status: Status = Status.OPTIMAL,
) -> Plan:
    cost = sum(one.cost_cents for one in (*runs, *tees, *consumables))
    return Plan(
        status=status,
        cost_cents=cost,
        bound_cents=cost,
        currency="USD",
        runs={one.run: one for one in runs},
        tees={one.point: one for one in tees},
        pump_speeds={},
        consumables=consumables,
    )


def system(units: str = "US") -> System:
    return System("test bench", units, "USD", Network({}, {}, {}, {}, {}, Water(35.0, 25.0)))


def test_the_same_item_for_two_runs_is_one_line_that_names_both_with_counts() -> None:
    bill = bill_of(
        system(),
        plan_of(
            run_plan("riser", Purchase(ELBOW_1, 1, "riser"), Purchase(ELBOW_1, 1, "riser")),
            run_plan("uv line", Purchase(ELBOW_1, 1, "uv line")),
        ),
    )

    assert [(line.quantity, line.where_used) for line in bill.lines] == [(3, "riser (2), uv line")]


def test_pipe_is_counted_in_sale_lengths_and_its_note_lists_the_pieces() -> None:
    pieces = [
        Purchase(PIPE_1, 2, "riser", 0.3556),
        Purchase(PIPE_1, 2, "riser", 0.3556),
        Purchase(PIPE_1, 9, "uv line", 2.5908),
    ]
    (line,) = bill_of(system(), plan_of(run_plan("riser", *pieces))).lines

    assert (line.quantity, line.unit, line.extended_cents) == (13, "ft", 13 * 89)
    assert line.where_used == "riser (2), uv line"
    assert worded(line.note, "US") == "pieces: 8 ft 6 in, 2 × 1 ft 2 in"


def test_a_list_goes_by_group_then_size_with_the_largest_first_then_kind() -> None:
    bought = [
        Purchase(one, 20, "riser") for one in (CEMENT, ADAPTER, VALVE, ELBOW_1, TEE, BUSHING, SWEEP_2, PIPE_1, PIPE_2)
    ]
    bill = bill_of(system(), plan_of(run_plan("riser", *bought[1:]), consumables=(bought[0],)))

    assert [line.item_id for line in bill.lines] == [
        "pipe 1-1/2",
        "pipe 1",
        "sweep 1-1/2",
        "bushing",
        "elbow 1",
        "tee 1",
        "valve 1",
        "male adapter",
        "cement",
    ]
    assert [line.group for line in bill.lines] == ["Pipe"] * 2 + ["Fittings"] * 4 + [
        "Valves",
        "Thread adapters",
        "Consumables",
    ]


def test_size_ends_and_standards_are_written_in_trade_words() -> None:
    lines = bill_of(
        system(), plan_of(run_plan("riser", Purchase(BUSHING, 1, "riser"), Purchase(ADAPTER, 1, "riser")))
    ).lines

    assert (lines[0].size, lines[0].ends) == ("1-1/2 in × 1 in", "spigot × socket")
    assert (lines[1].size, lines[1].ends) == ("1 in", "socket × NPT male")
    assert lines[1].standard == "ASTM D2466; ASME B1.20.1"


@pytest.mark.parametrize(
    ("form", "standard"),
    [
        (Form.NPT_FEMALE, "ASME B1.20.1"),
        (Form.R_MALE, "ISO 7-1"),
        (Form.RC_FEMALE, "ISO 7-1"),
        (Form.RP_FEMALE, "ISO 7-1"),
        (Form.G_MALE, "ISO 228-1"),
    ],
)
def test_a_thread_brings_its_standard(form: Form, standard: str) -> None:
    # The scopes of the standards: ASME B1.20.1 NPT; ISO 7-1 R, Rc, Rp (tight on the thread); ISO 228-1 G (not so).
    adapter = item("adapter", Kind.ADAPTER, SOCKET_1, End(form, "1 in", SizeSystem.THREAD))

    assert bill_of(system(), plan_of(run_plan("riser", Purchase(adapter, 1, "riser")))).lines[0].standard == standard


@pytest.mark.parametrize(
    ("length_m", "unit"),
    [(0.0, "each"), (0.3048, "ft"), (3.048, "10 ft length"), (1.0, "m"), (0.5, "0.5 m length"), (5.0, "5 m length")],
)
def test_the_unit_is_what_the_store_sells(length_m: float, unit: str) -> None:
    assert sale_unit(item("x", Kind.PIPE, SPIGOT_1, SPIGOT_1, sale_length_m=length_m)) == unit


def test_metric_pieces_are_written_in_millimetres() -> None:
    half_metres = item("pipe 32", Kind.PIPE, sale_length_m=0.5)
    (line,) = bill_of(system("metric"), plan_of(run_plan("riser", Purchase(half_metres, 1, "riser", 0.35)))).lines

    assert worded(line.note) == "pieces: 350 mm"


def test_equal_sizes_are_named_once() -> None:
    assert size_words(TEE) == "1 in"


def test_what_comes_out_is_listed_with_its_places_and_its_fate() -> None:
    removed = (part(ELBOW_1), part(ELBOW_1), part(PIPE_1, 0.3556), part(item("hose tail", Kind.ADAPTER, NPT_1, NPT_1)))
    tees = (TeePlan("manifold", Tee("manifold", TEE), (), (TEE,)),)
    lines = bill_of(system(), plan_of(run_plan("riser", removed=removed), tees=tees)).taken_out

    assert [(line.quantity, line.unit, line.description, line.where, line.fate) for line in lines] == [
        (1, "each", "hose tail", "riser", "reusable"),
        (2, "each", "elbow 1", "riser (2)", "scrap"),
        (1, "piece", "pipe 1, 1 ft 2 in long", "riser", "scrap"),
        (1, "each", "tee 1", "manifold", "scrap"),
    ]


def test_a_joint_that_is_not_plumbed_yet_is_nothing_to_take_out() -> None:
    gap = Part(Kind.OPEN_JOINT, (), ())

    assert bill_of(system(), plan_of(run_plan("riser", removed=(gap,)))).taken_out == ()


# Which joints open again is common practice, no source: cement never does; threads, barbs and unions do.
@pytest.mark.parametrize(
    ("kind", "ends", "fate", "word"),
    [
        (Kind.PUMP, (NPT_1, NPT_1), "reusable", "ports"),
        (Kind.DEVICE, (G_1, G_1), "reusable", "ports"),
        (Kind.ELBOW, (SOCKET_1, SOCKET_1), "scrap", "cemented"),
        (Kind.BUSHING, (SPIGOT_2, SOCKET_1), "scrap", "cemented"),
        (Kind.ADAPTER, (SOCKET_1, NPT_1), "scrap", "one of its joints"),
        (Kind.NIPPLE, (NPT_1, NPT_1), "reusable", "tape"),
        (Kind.UNION, (G_1, G_1), "reusable", "washer"),
        (Kind.UNION, (SOCKET_1, SOCKET_1), "scrap", "nut"),
        (Kind.TRUE_UNION_BALL_VALVE, (SOCKET_1, SOCKET_1), "reusable", "body"),
        (Kind.PIPE, (SPIGOT_1, SPIGOT_1), "scrap", "stub"),
        (Kind.HOSE, (End(Form.HOSE, "3/4 in", SizeSystem.HOSE),) * 2, "reusable", "cut back"),
        (Kind.ADAPTER, (End(Form.BARB, "3/4 in", SizeSystem.HOSE), NPT_1), "reusable", "hose clamp"),
    ],
)
def test_the_fate_of_a_part_follows_its_joints(kind: Kind, ends: tuple[End, ...], fate: str, word: str) -> None:
    told, why = fate_of(kind, ends)

    assert told == fate
    assert word in worded(why)


def test_two_currencies_are_an_error_and_never_a_guess() -> None:
    dear = item("elbow eur", Kind.ELBOW, SOCKET_1, SOCKET_1, currency="EUR")

    with pytest.raises(OptimizerError, match="priced in EUR, the plan in USD"):
        bill_of(system(), plan_of(run_plan("riser", Purchase(dear, 1, "riser"))))
    with pytest.raises(OptimizerError, match="plan is in USD, the system in EUR"):
        bill_of(replace(system(), currency="EUR"), plan_of(run_plan("riser")))


def test_pipe_shorter_than_its_pieces_is_refused() -> None:
    pieces = (Purchase(PIPE_1, 1, "riser", 0.25), Purchase(PIPE_1, 0, "riser", 0.09))

    with pytest.raises(OptimizerError, match="too short"):
        bill_of(system(), plan_of(run_plan("riser", *pieces)))


def test_a_short_piece_may_come_from_what_another_leaves_over() -> None:
    pieces = (Purchase(PIPE_1, 1, "riser", 0.2), Purchase(PIPE_1, 0, "uv line", 0.1))
    (line,) = bill_of(system(), plan_of(run_plan("riser", pieces[0]), run_plan("uv line", pieces[1]))).lines

    assert (line.quantity, line.where_used) == (1, "riser, uv line")


def test_nothing_else_is_bought_in_a_quantity_of_nought() -> None:
    with pytest.raises(OptimizerError, match="quantity 0, must be 1"):
        bill_of(system(), plan_of(run_plan("riser", Purchase(ELBOW_1, 0, "riser"))))


def test_two_items_under_one_id_are_refused() -> None:
    other = replace(ELBOW_1, price_cents=5)

    with pytest.raises(OptimizerError, match="both called elbow 1"):
        bill_of(system(), plan_of(run_plan("riser", Purchase(ELBOW_1, 1, "riser"), Purchase(other, 1, "riser"))))


def test_an_outcome_without_a_plan_has_no_bill() -> None:
    with pytest.raises(OptimizerError, match="'infeasible'"):
        bill_of(system(), plan_of(status=Status.INFEASIBLE))


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    def purchases(where: str) -> tuple[Purchase, ...]:
        chosen = draw(st.lists(st.tuples(st.sampled_from(CATALOG), st.integers(1, 30)), max_size=6))
        return tuple(Purchase(one, count, where, one.sale_length_m * (count - 0.5)) for one, count in chosen)

    def removed() -> tuple[Part, ...]:
        gone = st.tuples(st.sampled_from(CATALOG), st.sampled_from((0.1, 0.5)))
        return tuple(part(one, length_m) for one, length_m in draw(st.lists(gone, max_size=6)))

    runs = tuple(run_plan(name, *purchases(name), removed=removed()) for name in ("riser", "uv line", "display return"))
    tees = (TeePlan("manifold", Tee("manifold", TEE), purchases("manifold"), draw(st.sampled_from(((), (TEE,))))),)
    cement = (Purchase(CEMENT, draw(st.integers(1, 3)), "all cemented joints"),)
    return plan_of(*runs, tees=tees, consumables=cement)


@pytest.mark.long
@given(plans())
def test_everything_bought_is_on_the_list_exactly_once_and_the_lines_come_to_the_cost(plan: Plan) -> None:
    bought: Counter[str] = Counter()
    for one in (*plan.runs.values(), *plan.tees.values()):
        for purchase in one.purchases:
            bought[purchase.item.item_id] += purchase.quantity
    bought["cement"] = plan.consumables[0].quantity
    bill = bill_of(system(), plan)

    assert {line.item_id: line.quantity for line in bill.lines} == dict(bought)
    assert len(bill.lines) == len(bought)
    assert sum(line.extended_cents for line in bill.lines) == plan.cost_cents
    assert [GROUPS.index(line.group) for line in bill.lines] == sorted(GROUPS.index(line.group) for line in bill.lines)


@pytest.mark.long
@given(plans())
def test_everything_removed_is_on_the_take_out_list_exactly_once(plan: Plan) -> None:
    gone = Counter(removed.words for one in plan.runs.values() for removed in one.removed)
    gone.update(removed.description for one in plan.tees.values() for removed in one.removed)
    listed: Counter[str] = Counter()
    for line in bill_of(system(), plan).taken_out:
        listed[line.description.split(",")[0]] += line.quantity

    assert listed == gone


@pytest.mark.slow
@given(plans())
def test_a_bill_does_not_depend_on_the_order_of_the_runs(plan: Plan) -> None:
    turned = replace(plan, runs=dict(reversed(list(plan.runs.items()))))

    def rows(of: Plan) -> list[tuple[str, int]]:
        return [(line.item_id, line.quantity) for line in bill_of(system(), of).lines]

    assert rows(plan) == rows(turned)
