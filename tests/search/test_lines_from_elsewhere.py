"""Lines that get their water from elsewhere than the pump: house water, a tank above. Invented systems.

Whatever a plan says of them is held against a plain solution of the network, with the valves where the plan puts them.
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import pytest

from optimizer import pipeline
from optimizer.hydraulics import solve_network
from optimizer.model.catalog import Kind
from optimizer.model.outcome import PlanReport
from optimizer.model.plan import Plan, Status, planned_network
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.verify.settings import with_openings

L_H = 1e-3 / 3600.0
POINTS = """\
system: lines from elsewhere
units: metric
water: {salinity: 35 g/kg, temperature: 25 degC}
surfaces: {sump: 0 m, display: 1.2 m}
pumps:
  p: {curve: [[0 L/h, 4 m], [2000 L/h, 3 m], [4000 L/h, 0 m]], ports: 1 in NPT male}
"""
HOUSE = "supplies: {house: {pressure: 3 bar, elevation: 0.5 m}}\n"
METER = "devices: {meter: {loss: 60 cm at 12 L/h, ports: 1/4 in NPT female}}\n"
OVERFLOW = (
    "drains: {overflow: {from: display, to: sump, mode: full siphon, size: 2 in sch 40 PVC, drop: 1 m, "
    "parts: [pipe 1 m]}}\n"
)
PUMPED = (
    "line: {from: sump, to: display, size: 1 in sch 40 PVC, "
    "parts: [pump p, adapter 1 in NPT female x 1 in socket, ball valve, pipe 2 m, elbow, pipe 50 mm]}"
)


def planned(tmp_path: Path, runs: str, targets: str, more: str = "") -> PlanReport:
    """Return the plan of the pumped line and the runs given, checked."""
    lines = "\n".join(f"  {line}" for line in [PUMPED, *runs.splitlines()])
    file = tmp_path / "system.yaml"
    house = HOUSE if "house" in runs else ""
    file.write_text(f"{POINTS}{house}runs:\n{lines}\ntargets: {{{targets}}}\n{more}")
    system, catalog = pipeline.read(file)
    return pipeline.plan(system, catalog)


def flow_l_h(found: PlanReport, run: str) -> float:
    """Return what a run carries after the work, solved anew [L/h]."""
    network = planned_network(found.system.network, found.plan)
    told = {(valve.run, valve.part_index) for valve in found.verification.valves}
    for name, each in network.runs.items():
        if name == "bleed":
            continue
        stands = [i for i, part in enumerate(each.parts) if part.opening < 1.0]
        assert all((name, i) in told for i in stands), "a valve that is not told of stays where it is"
    return solve_network(with_openings(network, found.verification.valves)).flows_m3_s[run] / L_H


def test_the_valve_of_a_line_from_house_water_is_set_so_that_its_upper_limit_holds(tmp_path: Path) -> None:
    top_off = "top off: {from: house, to: sump, size: 1/2 in sch 40 PVC, parts: [pipe 500 mm, gate valve, pipe 700 mm]}"
    found = planned(tmp_path, top_off, "line: at least 2500 L/h, top off: at most 300 L/h")
    # orifice law by hand: 1/2 in. pipe and an open valve under 30 m of head carry more than 10 times as much
    assert found.before_flows_m3_s["top off"] > 3000.0 * L_H
    assert 0.0 <= flow_l_h(found, "top off") <= 300.0
    assert flow_l_h(found, "line") >= 2500.0
    assert found.plan.cost_cents == 0


def test_the_valve_of_a_line_that_feeds_by_gravity_is_set_into_its_window(tmp_path: Path) -> None:
    feed = "feed: {from: display, to: sump, size: 1/2 in sch 40 PVC, parts: [pipe 500 mm, ball valve, pipe 700 mm]}"
    found = planned(tmp_path, feed, "line: at least 2500 L/h, feed: 400 to 700 L/h", OVERFLOW)
    assert found.before_flows_m3_s["feed"] > 1500.0 * L_H
    assert 400.0 * (1 - 1e-4) <= flow_l_h(found, "feed") <= 700.0 * (1 + 1e-4)
    assert found.plan.cost_cents == 0


def test_open_joints_of_a_line_without_a_target_are_plumbed(tmp_path: Path) -> None:
    line = (
        "meter line: {from: house, to: sump, size: 1/4 in PE tube, "
        "parts: [tube 1 m, open joint, device meter, open joint, tube 1.5 m]}"
    )
    found = planned(tmp_path, line, "line: at least 2500 L/h", METER)
    parts = found.plan.runs["meter line"].parts
    assert all(part.kind is not Kind.OPEN_JOINT for part in parts)
    # catalogs/adapters.csv: compression x NPT male at 1.99 on each side of the meter; a roll of tape at 1.49
    assert found.plan.cost_cents == 2 * 199 + 149


def test_a_line_too_narrow_for_gravity_is_made_wider(tmp_path: Path) -> None:
    feed = "feed: {from: display, to: sump, size: 1/2 in sch 40 PVC, parts: [pipe 500 mm, ball valve, pipe 700 mm]}"
    found = planned(
        tmp_path,
        feed,
        "line: at least 2500 L/h, feed: at least 2200 L/h",
        OVERFLOW + "rules: {velocity limit: 9 m/s}\n",
    )
    assert flow_l_h(found, "feed") >= 2200.0 * (1 - 1e-4)
    assert (found.plan.cost_cents or 0) > 0


def test_a_tank_that_only_a_gravity_line_empties_gets_a_line_that_takes_all(tmp_path: Path) -> None:
    feed = "feed: {from: display, to: sump, size: 1/2 in sch 40 PVC, parts: [pipe 500 mm, ball valve, pipe 700 mm]}"
    fast = "rules: {velocity limit: 9 m/s}\n"
    found = planned(tmp_path, feed, "line: at least 2500 L/h, feed: at least 2200 L/h", fast)
    network = planned_network(found.system.network, found.plan)
    alone = replace(network, runs={"feed": network.runs["feed"]})  # what it carries while the display is kept full

    assert found.verification.passed
    assert solve_network(alone).flows_m3_s["feed"] >= flow_l_h(found, "line") * L_H * (1 - 1e-4)


def from_text(tmp_path: Path, text: str) -> PlanReport:
    """Return the plan of a system file, checked."""
    file = tmp_path / "system.yaml"
    file.write_text(text)
    return pipeline.plan(*pipeline.read(file))


def test_house_water_that_parts_at_a_tee_is_planned_without_any_pump(tmp_path: Path) -> None:
    found = from_text(
        tmp_path,
        """\
system: house water alone
units: metric
surfaces: {sump: 0 m, bin: 0.5 m}
supplies: {house: {pressure: 0.3 bar, elevation: 0.5 m}}
runs:
  main: {from: house, to: fork, size: 1/2 in sch 40 PVC, parts: [pipe 2 m, elbow, pipe 1 m]}
  a: {from: fork, to: sump, size: 1/2 in sch 40 PVC, parts: [pipe 500 mm, ball valve, pipe 700 mm]}
  b: {from: fork branch, to: bin, size: 1/2 in sch 40 PVC, parts: [pipe 500 mm, ball valve, pipe 700 mm]}
targets: {a: at least 1500 L/h, b: 500 to 700 L/h}
""",
    )
    assert flow_l_h(found, "a") >= 1500.0 * (1 - 1e-4)
    assert 500.0 * (1 - 1e-4) <= flow_l_h(found, "b") <= 700.0 * (1 + 1e-4)
    assert found.plan.pump_speeds == {}


def test_two_pumps_that_feed_tanks_of_their_own_are_planned_together(tmp_path: Path) -> None:
    ports = "curve: [[0 L/h, 4 m], [2000 L/h, 3 m], [4000 L/h, 0 m]], ports: 1 in NPT male"
    parts = "adapter 1 in NPT female x 1 in socket, bushing 1 x 3/4 in, pipe 2 m, elbow, pipe 500 mm"
    found = from_text(
        tmp_path,
        f"""\
system: two pumps
units: metric
surfaces: {{sump: 0 m, display: 1.2 m, tank: 1 m}}
pumps: {{p: {{{ports}}}, q: {{{ports}}}}}
runs:
  line: {{from: sump, to: display, size: 3/4 in sch 40 PVC, parts: [pump p, {parts}]}}
  other: {{from: sump, to: tank, size: 3/4 in sch 40 PVC, parts: [pump q, {parts}]}}
targets: {{line: at least 2750 L/h, other: at least 2000 L/h}}
rules: {{velocity limit: 9 m/s}}
""",
    )
    assert found.before_flows_m3_s["line"] < 2750.0 * L_H
    assert flow_l_h(found, "line") >= 2750.0 * (1 - 1e-4)
    assert flow_l_h(found, "other") >= 2000.0
    assert not found.plan.runs["other"].changes  # it carries enough as it is


def test_a_valve_is_cut_into_a_line_of_house_water_that_has_an_upper_limit_and_none(tmp_path: Path) -> None:
    runs = (
        "top off: {from: house, to: sump, size: 1/2 in sch 40 PVC, parts: [pipe 500 mm, elbow, pipe 700 mm]}\n"
        "bleed: {from: house, to: sump, size: 1/2 in sch 40 PVC, parts: [pipe 1 m, ball valve 10 % open, pipe 1 m]}"
    )
    found = planned(tmp_path, runs, "line: at least 2500 L/h, top off: at most 300 L/h")
    assert flow_l_h(found, "top off") <= 300.0 * (1 + 1e-4)
    assert "bleed" not in {valve.run for valve in found.verification.valves}  # nobody asks anything of it


FEED = "feed: {{from: display, to: sump, size: 1/2 in sch 40 PVC, parts: [pipe 500 mm, {valve}pipe 700 mm]}}"


def test_a_gravity_line_that_gives_too_little_is_made_wider_at_a_proven_cost(tmp_path: Path) -> None:
    """New pipe of 3/4 in. is too fast: 1.524 m/s (5 ft/s) in 20.9 mm are 1,890 L/h, so it takes 1 in.: 2 ft of it."""
    found = planned(
        tmp_path, FEED.format(valve="ball valve, "), "line: at least 2500 L/h, feed: at least 1900 L/h", OVERFLOW
    )

    assert found.plan.status is Status.OPTIMAL
    assert flow_l_h(found, "feed") >= 1900.0
    bought = [line.item_id.partition("@")[0] for line in found.bill.lines]  # without the length it is sold in
    assert "sch40-pipe-100" in bought
    assert "sch40-pipe-075" not in bought


def test_a_gravity_line_that_gives_too_much_gets_a_valve_at_a_proven_cost(tmp_path: Path) -> None:
    found = planned(
        tmp_path, FEED.format(valve="coupling, "), "line: at least 2500 L/h, feed: 400 to 700 L/h", OVERFLOW
    )

    assert found.plan.status is Status.OPTIMAL
    assert 400.0 <= flow_l_h(found, "feed") <= 700.0


def test_two_gravity_lines_with_a_limit_on_their_sum_have_a_proven_plan(tmp_path: Path) -> None:
    """A valve in the one is not enough: the other gives more by itself, and new 1/2 in. pipe in it is too fast."""
    second = "second: {from: display, to: sump, size: 3/4 in sch 40 PVC, parts: [pipe 1 m, elbow, pipe 300 mm]}"
    runs = FEED.format(valve="ball valve, ") + "\n" + second
    found = planned(tmp_path, runs, "line: at least 2500 L/h, feed + second: 2000 to 2400 L/h", OVERFLOW)

    assert found.plan.status is Status.OPTIMAL
    assert 2000.0 <= flow_l_h(found, "feed") + flow_l_h(found, "second") <= 2400.0


TREE = """
  riser:
    {from: sump, to: t, size: 1 in sch 40 PVC, parts: [pump main, adapter NPT female x socket, union, pipe 20 in]}
  left: {from: t branch, to: display, size: 1 in sch 40 PVC, parts: [pipe 13 in, elbow, pipe 6 in]}
  right: {from: t, to: display, size: 1 in sch 40 PVC, parts: [pipe 9 in, elbow, pipe 5 in, elbow, pipe 7 in]}"""
TOP_UP = """
  top-up:
    from: house
    to: barrel
    size: 1/4 in PE tube
    parts: [tube 12 ft, open joint, device float valve, open joint, tube 6 ft]"""
PUMP = "pumps: {main: {curve: [0 gph at 16 ft, 480 gph at 13.5 ft, 840 gph at 8 ft, 1200 gph at 0 ft], PORTS}}\n"
OF_TREE = PUMP.replace("PORTS", "ports: 1 in NPT male") + "surfaces: {sump: 0 ft, display: 5.8 ft}\n"
OF_LINE = """outlets: {barrel: 4 ft}
supplies: {house: {pressure: 55 psi, elevation: 3 ft}}
devices: {float valve: {loss: 2 ft at 10 gph, ports: 1/4 in NPT female, volume: 0 gal}}
"""


@pytest.mark.long
def test_a_line_of_far_more_head_beside_a_tree_costs_what_it_costs_alone() -> None:
    # the two share no water, and nothing that is bought in packs: tube fittings take neither cement nor tape here
    begun = time.process_time()
    tree, line, both = (
        plan_of(facts, runs, targets)
        for facts, runs, targets in (
            (OF_TREE, TREE, "left: at least 255 gph, right: 311 to 467 gph"),
            (OF_LINE, TOP_UP, "top-up: at least 11 gph"),
            (
                OF_TREE + OF_LINE,
                TREE + TOP_UP,
                "left: at least 255 gph, right: 311 to 467 gph, top-up: at least 11 gph",
            ),
        )
    )
    took_s = time.process_time() - begun

    assert {tree.status, line.status, both.status} == {Status.OPTIMAL}
    assert both.cost_cents == (tree.cost_cents or 0) + (line.cost_cents or 0)
    assert took_s < 30.0  # where both share cells of head, a minute finds a plan of far more and no proof


def plan_of(facts: str, runs: str, targets: str) -> Plan:
    text = f"system: house water beside outlets, invented\nunits: US\n{facts}runs:{runs}\ntargets: {{{targets}}}\n"
    return pipeline.search(load_system(Path("house.yaml"), load_catalog(), text.encode()), load_catalog())
