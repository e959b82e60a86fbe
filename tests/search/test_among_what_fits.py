"""A cheaper rival is one only where it fits: plans that were dearer when it was weighed before it was known to fit.

Invented lines; the plans are gone through by hand. Where a line is written from its other end, with losses that do not
know the direction of the water, the same work costs the same (common sense, no source).
"""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import pytest
from small_trees import full_catalog, small_catalog

from optimizer.choices.fronts import Front
from optimizer.choices.joining import Joiner, Joint
from optimizer.joints.chains import EndGraph
from optimizer.joints.efficient import MEETING, EfficientChains, Need
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.network import Part
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system
from optimizer.search.cheapest import find_plan
from optimizer.search.options import joiners_of

LINE = """
system: A globe valve in a long line, invented
units: metric
surfaces: {{sump: 0 m, display: 1.2 m}}
pumps:
  return: {{curve: [0 L/h at 3.5 m, 1500 L/h at 3.0 m, 3000 L/h at 1.8 m, 4500 L/h at 0 m], ports: 1 in NPT male}}
runs:
  riser:
    from: sump
    to: display
    size: 1 in sch 40 PVC
    parts: [pump return, adapter NPT female x socket, {parts}]
targets:
  riser: at least 2600 L/h
rules: {{sizes: [1 in, 1-1/4 in]}}
"""


def line(folder: Path, parts: str) -> System:
    file = folder / "line.yaml"
    file.write_text(LINE.format(parts=parts), encoding="utf-8")
    return load_system(file, full_catalog())


def planned(system: System, catalog: Catalog | None = None) -> Plan:
    return find_plan(system, catalog or full_catalog()).plan


def test_a_new_valve_between_two_kept_pipes_stands_on_two_couplings(tmp_path: Path) -> None:
    # By hand: the pipes are sawn at the faces of the globe valve, each takes a coupling and a stub of 10 mm to the ball
    # valve. That plumbing, written out, meets the target without a purchase.
    by_hand = "pipe 1.0 m, coupling, pipe 10 mm, ball valve, pipe 10 mm, coupling, pipe 8.0 m"
    assert planned(line(tmp_path, by_hand)).cost_cents == 0

    plan = planned(line(tmp_path, "pipe 1.0 m, globe valve, pipe 8.0 m"))

    kinds = [(one.kind, one.existing) for one in plan.runs["riser"].parts[2:]]
    assert kinds == [
        (Kind.PIPE, True),
        (Kind.COUPLING, False),
        (Kind.PIPE, False),
        (Kind.BALL_VALVE, False),
        (Kind.PIPE, False),
        (Kind.COUPLING, False),
        (Kind.PIPE, True),
    ]
    items = full_catalog().items
    # two stubs: 10 mm between the hubs, a saw cut of 3.2 mm and twice the depth of a 1 in. socket, 22.2 mm, so 58 mm:
    # both come from one length of 2 ft
    pipe = 2 * items["sch40-pipe-100"].price_cents
    bought = 2 * items["sch40-coupling-100"].price_cents + items["sch40-ball-valve-100"].price_cents + pipe
    cans = items["cement-quarter-pint"].price_cents + items["primer-quarter-pint"].price_cents
    assert (plan.status, plan.material_cents) == (Status.OPTIMAL, bought + cans)


@pytest.mark.parametrize("name", ["single-return", "metric-unions"])
def test_a_dearer_piece_never_makes_the_plan_cheaper(name: str) -> None:
    catalog = full_catalog()
    system = load_system(data_directory("examples") / f"{name}.yaml", catalog)
    base = planned(system).material_cents
    rng = random.Random(5)
    families = {run.family for run in system.network.runs.values()}
    rows = [item for item in catalog.items.values() if item.family in families and len(item.ends) == 2]
    bought = {buy.item.item_id for run in planned(system).runs.values() for buy in run.purchases}
    bushings = [item for item in rows if item.kind is Kind.BUSHING]
    for item in [catalog.items[key] for key in sorted(bought)] + rng.sample(bushings, 4):
        dearer = replace(item, price_cents=2 * item.price_cents + 30)
        items = {**catalog.items, item.item_id: dearer}
        raised = planned(system, replace(catalog, items=items)).material_cents

        assert base is not None
        assert raised is not None
        assert raised >= base, item.item_id


def a_joiner() -> Joiner:
    catalog = full_catalog()
    system = load_system(data_directory("examples") / "single-return.yaml", catalog)
    return joiners_of(system, catalog)["return line"].of(system.network.runs["return line"])


def mirrored(joints: list[Joint]) -> set[tuple[object, ...]]:
    return {_shape(tuple(reversed(joint.parts)), joint.methods[::-1], joint) for joint in joints}


def _shape(parts: tuple[Part, ...], methods: tuple[tuple[str, str], ...], joint: Joint) -> tuple[object, ...]:
    pipe = sorted((item.item_id, round(length_m, 9)) for item, length_m in joint.extra_pipe)
    pieces = tuple((one.item.item_id if one.item else "", round(one.length_m, 9)) for one in parts)
    return (pieces, methods, joint.separable, tuple(pipe), joint.cuts)


@pytest.mark.parametrize("gap_mm", [0, 3, 60])
def test_what_joins_two_ends_joins_them_the_other_way_round(gap_mm: int) -> None:
    # For losses that are the same both ways: the joints from left to right are those from right to left, turned round.
    joiner = a_joiner()
    even = EfficientChains(joiner.chains.end_graph, lambda piece: (0.0, piece.end_bores_m[0] ** -4, 0.0))
    sizes = [("3/4 in", "3/4 in"), ("3/4 in", "1 in"), ("1 in", "1-1/4 in")]
    for mine, other in sizes:
        for left in _fronts(joiner, mine):
            for right in _fronts(joiner, other):
                there = Joiner(joiner.shelf, joiner.depths, even).between(left, right, gap_mm)
                back = Joiner(joiner.shelf, joiner.depths, even).between(right, left, gap_mm)
                costs = sorted(_cents(joint) for joint in there)

                assert costs == pytest.approx(sorted(_cents(joint) for joint in back))
                assert {_shape(joint.parts, joint.methods, joint) for joint in there} == mirrored(back)


def _cents(joint: Joint) -> float:
    pieces = sum(one.item.price_cents for one in joint.parts if one.item and one.kind is not Kind.PIPE)
    pipe = [(one.item, one.length_m) for one in joint.parts if one.kind is Kind.PIPE and one.item is not None]
    return pieces + sum(m / item.sale_length_m * item.price_cents for item, m in (*pipe, *joint.extra_pipe))


def _fronts(joiner: Joiner, size: str) -> list[Front]:
    spigot, socket = (End(form, size, SizeSystem.IPS) for form in (Form.SPIGOT, Form.SOCKET))
    return [
        Front(spigot, cut=True),
        Front(spigot, pipe=joiner.shelf.pipe(size)),
        Front(socket),
        Front(socket, long=True),
    ]


def test_a_sawn_pipe_is_reached_from_either_side() -> None:
    # By hand: coupling on the sawn pipe, a stub in the socket opposite, whichever comes first.
    joiner = a_joiner()
    pipe = Front(End(Form.SPIGOT, "3/4 in", SizeSystem.IPS), cut=True)
    fitting = Front(End(Form.SOCKET, "3/4 in", SizeSystem.IPS))

    for left, right in ((pipe, fitting), (fitting, pipe)):
        kinds = [{one.kind for one in joint.parts} for joint in joiner.between(left, right, 0)]
        assert {Kind.COUPLING, Kind.PIPE} in kinds


def test_a_cheap_piece_that_does_not_reach_does_not_stand_in_the_way_of_a_dear_one_that_does() -> None:
    catalog = small_catalog(("3/4 in", "1 in"))
    end_graph = EndGraph(catalog)
    start, goal = End(Form.SPIGOT, "3/4 in", SizeSystem.IPS), End(Form.SOCKET, "1 in", SizeSystem.IPS)
    chains = EfficientChains(end_graph, lambda piece: (0.0, 0.0, 0.0))
    cheapest = chains.between(start, goal, MEETING)[0]
    reaching = chains.between(start, goal, Need(reach_m=0.025))

    assert [piece.kind for piece in cheapest.pieces] == [Kind.BUSHING]  # inside the socket: it adds next to no length
    assert reaching
    for chain in reaching:
        length_m = sum(sum(piece.item.take_outs_m) for piece in chain.pieces if piece.item is not None)
        assert length_m >= 0.025 or any(joint.method == "stub" for joint in chain.matings)
