"""What stands on a pump's suction is never throttled, nor what the owner says stays open."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from small_aquaria import aquarium, catalog, part, pump_part

from optimizer import pipeline
from optimizer.choices.graph import Arc
from optimizer.choices.valve_slots import valve_slot
from optimizer.model.catalog import Kind
from optimizer.model.network import Condition, Part
from optimizer.model.plan import Plan, RunPlan, Status, Verification, planned_network
from optimizer.model.system import Rules, System
from optimizer.model.throttling import may_be_throttled, valve_to_set
from optimizer.read.systems import load_system
from optimizer.verify.check import verify_plan

PIPE, VALVE = part(Kind.PIPE, "3/4 in", 0.5), part(Kind.BALL_VALVE, "3/4 in")
RUN = aquarium().network.runs["return line"]

RING = """
system: A wave pump with a valve before it
units: metric
surfaces: {sump: 0 m, display: 1.2 m}
pumps:
  return: {curve: [0 L/h at 4 m, 2000 L/h at 3 m, 4000 L/h at 0 m], ports: 1 in NPT male}
  wave: {curve: [0 L/h at 3 m, 3000 L/h at 2 m, 6000 L/h at 0 m], ports: 1 in NPT male}
runs:
  line:
    from: sump
    to: display
    size: 1 in sch 40 PVC
    parts: [pump return, adapter NPT female x socket, ball valve, pipe 2 m]
  wave suction:
    from: display
    to: ring in
    size: 1 in sch 40 PVC
    parts:
      [bulkhead, pipe 300 mm, ball valve, pipe 100 mm, adapter socket x NPT female, pump wave,
       adapter NPT female x socket, pipe 300 mm]
  jet 1: {from: ring in, to: display, size: 1 in sch 40 PVC, parts: [pipe 1 m, bulkhead]}
  jet 2: {from: ring in branch, to: display, size: 1 in sch 40 PVC, parts: [pipe 2 m, bulkhead]}
targets: {line: 1000 to 1500 L/h, jet 1: at least 500 L/h, jet 2: at least 400 L/h}
"""
SUCTIONS = """
system: Two suctions that join before a pump
units: metric
surfaces: {sump: 0 m, bay: 0 m, display: 1.2 m}
pumps:
  return: {curve: [0 L/h at 4 m, 2000 L/h at 3 m, 4000 L/h at 0 m], ports: 1 in NPT male}
runs:
  near: {from: sump, to: wye, size: 1 in sch 40 PVC, parts: [pipe 500 mm, ball valve, pipe 100 mm]}
  far: {from: bay, to: wye branch, size: 1 in sch 40 PVC, parts: [pipe 500 mm, ball valve, pipe 100 mm]}
  riser:
    from: wye
    to: display
    size: 1 in sch 40 PVC
    parts: [pipe 100 mm, adapter socket x NPT female, pump return, adapter NPT female x socket, ball valve, pipe 2 m]
targets: {riser: 800 to 1200 L/h}
"""


def read(text: str, tmp_path: Path) -> System:
    path = tmp_path / "system.yaml"
    path.write_text(text, encoding="utf-8")
    return load_system(path, catalog())


def run_of(*parts: Part) -> object:
    return valve_to_set(replace(RUN, parts=parts))


@pytest.mark.parametrize(
    ("parts", "index"),
    [
        ((PIPE, VALVE, PIPE), 1),
        ((pump_part("3/4 in"), PIPE, VALVE), 2),
        ((PIPE, VALVE, pump_part("3/4 in"), PIPE), None),
        ((PIPE, VALVE, pump_part("3/4 in"), PIPE, VALVE), 4),
        ((pump_part("3/4 in"), PIPE, VALVE, pump_part("3/4 in"), PIPE), None),
        ((PIPE, replace(VALVE, stays_open=True), PIPE, VALVE), 3),
        ((PIPE, replace(VALVE, stays_open=True), PIPE), None),
        ((PIPE, PIPE), None),
    ],
)
def test_which_valve_of_a_run_is_set(parts: tuple[Part, ...], index: int | None) -> None:
    assert run_of(*parts) == index


def test_a_valve_is_cut_in_behind_the_pump_alone() -> None:
    long, short = part(Kind.PIPE, "3/4 in", 3.0), part(Kind.PIPE, "3/4 in", 1.0)
    run = replace(RUN, parts=(long, VALVE, pump_part("3/4 in"), short))
    slot = valve_slot(run, catalog(), Rules())
    assert slot is not None
    assert slot.at == 4 == valve_to_set(slot.run)
    assert slot.run.parts[:3] == run.parts[:3]
    assert len({valve.ends[0].size for valve in slot.valves}) == len(slot.valves) > 1
    for valve in slot.valves:
        chosen = slot.run_of([Arc(0, (long,)), Arc(1, (valve,))])
        assert [part is valve for part in chosen.parts] == [i == slot.at for i in range(len(chosen.parts))]
    assert valve_slot(replace(run, feeds_pump=True), catalog(), Rules()) is None


def test_runs_that_join_before_a_pump_are_its_suction(tmp_path: Path) -> None:
    runs = read(SUCTIONS, tmp_path).network.runs
    assert {name for name, run in runs.items() if run.feeds_pump} == {"near", "far"}
    assert [name for name, run in runs.items() if may_be_throttled(run)] == ["riser"]


def settings_left_open(system: System, plan: Plan, verification: Verification) -> None:
    network = planned_network(system.network, plan)
    for setting in verification.valves:
        if setting.opening < 1.0:
            assert setting.part_index == valve_to_set(network.runs[setting.run])


@pytest.mark.long
@pytest.mark.parametrize("text", [pytest.param(RING, marks=pytest.mark.long), SUCTIONS])
def test_no_plan_throttles_a_suction(text: str, tmp_path: Path) -> None:
    system = read(text, tmp_path)
    plan = pipeline.search(system, catalog(), time_limit_s=20.0)
    assert plan.found
    checked = verify_plan(system, plan)
    assert checked.passed
    assert any(setting.opening < 1.0 for setting in checked.valves)
    settings_left_open(system, plan, checked)


def test_with_known_flows_the_valve_behind_the_pump_holds_the_window() -> None:
    system = aquarium(low_m3_s=1.0e-4, high_m3_s=1.2e-4)
    run = system.network.runs["return line"]
    before = (PIPE, replace(VALVE, opening=0.5), PIPE)
    parts = (*before, *run.parts)
    system = replace(system, network=system.network.with_runs({"return line": replace(run, parts=parts)}))
    plan = pipeline.search(system, catalog(), time_limit_s=20.0)
    checked = verify_plan(system, plan)
    assert checked.passed
    opened = {setting.part_index: setting.opening for setting in checked.valves}
    network = planned_network(system.network, plan)
    held = valve_to_set(network.runs["return line"])
    assert held is not None
    assert opened[held] < 1.0
    assert opened[1] == 1.0  # the one on the suction stands half shut today: it is to be opened


def test_a_window_on_a_run_whose_only_valve_stays_open_is_not_held_by_it() -> None:
    system = aquarium(low_m3_s=1.0e-4, high_m3_s=1.2e-4)
    run = system.network.runs["return line"]
    parts = tuple(
        replace(each, stays_open=True, condition=Condition.KEEP) if each.kind is Kind.BALL_VALVE else each
        for each in run.parts
    )
    system = replace(system, network=system.network.with_runs({"return line": replace(run, parts=parts)}))
    plan = pipeline.search(system, catalog(), time_limit_s=20.0)
    assert plan.found
    assert plan.cost_cents > 0  # a valve of its own, or a way that loses more
    settings_left_open(system, plan, verify_plan(system, plan))


def test_a_valve_that_stays_open_is_read_and_kept(tmp_path: Path) -> None:
    text = RING.replace("ball valve, pipe 2 m", "{part: ball valve, stays open: yes}, pipe 2 m")
    (valve,) = (each for each in read(text, tmp_path).network.runs["line"].parts if each.kind is Kind.BALL_VALVE)
    assert valve.stays_open
    assert valve.condition is Condition.KEEP


HOUSE = """
system: House water to two barrels, one of them without a valve
units: metric
water: {salinity: 0 g/kg, temperature: 18 degC}
outlets: {high: 1.2 m, low: 0.8 m}
supplies: {mains: {pressure: 3.5 bar, elevation: 0.6 m}}
devices: {filter: {loss: [15 m at 5 L/h, 30 m at 10 L/h], ports: 1/4 in push-fit}}
runs:
  feed: {from: mains, to: split, size: 1/4 in PE tube, parts: [ball valve, tube 1 m, device filter, tube 2 m]}
  to high: {from: split, to: high, size: 1/4 in PE tube, parts: [tube 4 m]}
  to low: {from: split branch, to: low, size: 1/4 in PE tube, parts: [tube 2 m, ball valve, tube 2 m]}
targets: {to high: at least 3 L/h, to low: at least 3 L/h}
"""


def test_of_two_valves_on_a_way_the_one_that_need_not_be_throttled_is_open(tmp_path: Path) -> None:
    # The filter leaves both lines some 11 L/h together; all that has to be held back is what runs to the lower one.
    path = tmp_path / "house.yaml"
    path.write_text(HOUSE)
    system = load_system(path, catalog())
    runs = {name: RunPlan(name, run.parts, (), (), (), ()) for name, run in system.network.runs.items()}
    checked = verify_plan(system, Plan(Status.FEASIBLE, 0, 0, "USD", runs, {}, {}))
    openings = {one.run: one.opening for one in checked.valves}

    assert all(checked.flows_m3_s[name] >= 3.0 / 3.6e6 for name in ("to high", "to low"))
    assert openings["feed"] == 1.0
    assert openings["to low"] < 1.0
