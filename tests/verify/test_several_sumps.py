"""Several sumps: each has to hold what may come to it and to give its own share, by hand and by a simulation."""

from __future__ import annotations

import random
from collections.abc import Mapping
from pathlib import Path

import pytest
from falling_systems import (
    DOWN,
    PUMP,
    RETURN,
    SECOND,
    SIDE,
    SUMP,
    back_of,
    fallen,
    litres,
    lost,
    same,
    tank,
    written,
)
from said import worded

from optimizer.hydraulics import solve_network
from optimizer.model.checks import Check
from optimizer.model.circuits import fed_surfaces, sumps
from optimizer.model.safety import SafetyCheck, Verdict
from optimizer.model.system import System
from optimizer.verify.drain_back import wet_volume_m3
from optimizer.verify.into_sumps import back_into_m3, origins, starts
from optimizer.verify.leaks import leak_places
from optimizer.verify.safety import safety_today


def two_sumps(tmp_path: Path, free_l: int) -> System:
    runs = {"line": RETURN, "second": ("low sump", "display", SECOND[2])}
    facts = {
        "display": tank(0.5, ", return outlet depth: 60 mm"),
        "sump": "free volume: 300 L, pump reserve: 100 L",
        "low sump": f"free volume: {free_l} L, pump reserve: 100 L",
    }
    drains = {"display": "sump", "display 2": "low sump"}
    return written(tmp_path, {"sump": 0, "low sump": -0.3, "display": 1.2}, runs, facts, drains)


def drain_back_row(system: System) -> SafetyCheck:
    return next(check for check in safety_today(system).checks if check.check is Check.DRAIN_BACK)


@pytest.mark.parametrize(("end", "stays"), [("sump", True), ("low", False)])
def test_a_sump_into_which_a_pump_sends_water_of_a_tank_above_stays_one(end: str, stays: bool, tmp_path: Path) -> None:
    # the sump lifts into the box, that runs down to the display, out of which the chiller's pump draws: all comes back
    # to the sump. Were that water to end lower still, the tank between would be one that runs over
    runs = {
        "lift": ("sump", "box", f"{PUMP.format('main')}, pipe 3 m"),
        "down": ("box", "display", "bulkhead, pipe 1 m size 2 in"),
        "chiller": ("display", end, SIDE),
    }
    heights = {"sump": 0, "display": 1.2, "box": 2.0}
    if end == "low":
        heights["low"] = -0.5
        runs["up again"] = ("low", "sump", f"{PUMP.format('last')}, pipe 3 m")
    facts = {
        "display": tank(0.5, ", mouths: {chiller: 50 mm}"),
        "box": tank(0.2, ", return outlet depth: 20 mm, mouths: {down: 60 mm}"),
    }
    if stays:
        facts["sump"] = SUMP
    system = written(tmp_path, heights, runs, facts, DOWN if stays else {"display": "low"})

    assert ("sump" in sumps(system.network)) is stays
    assert ("sump" in fed_surfaces(system.network)) is not stays
    if stays:
        mouths = {("lift", "box"): 0.020, ("down", "box"): 0.060, ("chiller", "display"): 0.050}
        mouths["down", "display"] = 0.3
        assert litres(system) == same(lost(fallen(system, mouths, {**DOWN, "box": "display"})))


def test_each_of_two_sumps_holds_what_may_come_to_it(tmp_path: Path) -> None:
    # both lines run back: about half comes into either; with the check valve of one held all comes into the other
    system = two_sumps(tmp_path, 300)
    mouths = {("line", "display"): 0.06, ("second", "display"): 0.06}
    both, one = (fallen(system, mouths, DOWN, held=held).gained_m3 for held in (False, True))
    row = drain_back_row(system)
    assert row.after is not None
    assert row.after > one["sump"] > 1.8 * both["sump"]
    assert row.after == pytest.approx(one["sump"], abs=0.008)  # and pipe and drains

    small = drain_back_row(two_sumps(tmp_path, 10))
    assert both["low sump"] > 0.010
    assert small.verdict is Verdict.UNSAFE
    assert worded(small.title) == "power-off drain-back (limit: room in 'low sump')"


def some_two_sumps(tmp_path: Path, seed: int) -> tuple[System, dict[tuple[str, str], float], dict[str, str]]:
    """Return a random display between two sumps, with a box above it that runs down to one of the three."""
    dice = random.Random(seed)
    heights = {"sump": 0.0, "low sump": -0.3, "display": 1.2, "box": round(dice.uniform(1.5, 2.2), 2)}
    deep, back, box, down = (dice.randrange(5, 250) for _ in range(4))
    to = dice.choice(["display", "sump", "low sump"])
    runs = {
        "line": RETURN,
        "second": ("low sump", "display", SECOND[2]),
        "lift": (dice.choice(["sump", "low sump"]), "box", f"{PUMP.format('lift')}, pipe 3 m"),
        "down": ("box", to, "bulkhead, pipe 2 m size 1-1/2 in"),
    }
    if dice.random() < 0.5:
        del runs["second"]
        runs["side"] = ("display", "low sump", SIDE)
        runs["lift"] = ("low sump", *runs["lift"][1:])
        runs["down"] = ("box", dice.choice(["display", "sump"]), runs["down"][2])
    facts = {
        "display": tank(
            0.4, f", return outlet depth: {deep} mm" + (f", mouths: {{side: {back} mm}}" * ("side" in runs))
        ),
        "box": tank(0.2, f", return outlet depth: {box} mm, mouths: {{down: {down} mm}}"),
        "sump": SUMP,
        "low sump": SUMP,
    }
    mouths = {("line", "display"): deep, ("second", "display"): deep, ("side", "display"): back}
    mouths |= {("lift", "box"): box, ("down", "box"): down, ("down", "display"): 300}
    over = dice.choice(["sump", "low sump"])
    system = written(tmp_path, heights, runs, facts, {"display": over})
    return system, {key: depth / 1000 for key, depth in mouths.items()}, {"display": over, "box": "display"}


@pytest.mark.parametrize("seed", range(12))
def test_no_sump_gets_more_in_the_simulation_than_is_counted(seed: int, tmp_path: Path) -> None:
    system, mouths, drains = some_two_sumps(tmp_path, seed)
    back = back_of(system)
    assert not back.missing

    for held in (False, True):
        told = fallen(system, mouths, drains, held=held)
        for sump, gained in told.gained_m3.items():
            assert back_into_m3(system.network, back, system.drains, sump) > 0.99 * gained - 3e-4, (sump, held)


# ---- what each gives


def apart(tmp_path: Path, *, reserves_l: tuple[int, int], more: Mapping[str, str] | None = None) -> System:
    """Return two aquaria that share nothing, but where a drain of the first ends in the sump of the second."""
    runs = {"line": RETURN, "second": ("low sump", "frag", SECOND[2])}
    one, two = reserves_l
    facts = {
        "display": tank(0.5, ", return outlet depth: 20 mm"),
        "frag": tank(0.2, ", return outlet depth: 30 mm").replace("start volume: 2 L", "start volume: 6 L"),
        "sump": f"free volume: 300 L, pump reserve: {one} L",
        "low sump": f"free volume: 300 L, pump reserve: {two} L",
    }
    drains = {"display": "sump", "frag": "low sump", **(more or {})}
    return written(tmp_path, {"sump": 0.3, "low sump": 0, "display": 1.5, "frag": 1.0}, runs, facts, drains)


def start_row(system: System) -> SafetyCheck:
    return next(check for check in safety_today(system).checks if check.check is Check.PUMP_RESERVE)


def test_each_sump_gives_what_gathers_in_its_own_tanks(tmp_path: Path) -> None:
    # 2 L of 10 L and 6 L of 5 L: of both together there would be plenty
    row = start_row(apart(tmp_path, reserves_l=(10, 5)))

    assert worded(row.title) == "draw-down of 'low sump' at start-up (limit: usable water)"
    assert (row.after, row.limit, row.verdict) == (pytest.approx(0.006), pytest.approx(0.005), Verdict.UNSAFE)
    assert start_row(apart(tmp_path, reserves_l=(10, 7))).verdict is Verdict.SAFE


def test_two_sumps_that_feed_one_tank_share_what_gathers_there_by_their_flows(tmp_path: Path) -> None:
    system = two_sumps(tmp_path, 300)
    flows = solve_network(system.network).flows_m3_s

    given = {each.sump: each.gathers_m3 for each in starts(system, system.network, flows)}

    share = flows["line"] / (flows["line"] + flows["second"])
    assert given == {"sump": pytest.approx(0.002 * share), "low sump": pytest.approx(0.002 * (1 - share))}


def test_water_that_tanks_pass_on_is_of_the_sumps_it_came_from(tmp_path: Path) -> None:
    # by hand: the display gets a from its sump and b out of the box, which gets c of the display's and d of the low
    # sump's; of the box's water x came from the sump, of the display's y: y = (a + b x) / (a + b), x = c y / (c + d)
    runs = {
        "line": RETURN,
        "up": ("display", "box", f"bulkhead, pipe 300 mm, adapter socket x NPT female, {PUMP.format('up')}, pipe 1 m"),
        "second": ("low sump", "box", SECOND[2]),
        "down": ("box", "display", "bulkhead, pipe 1 m size 1-1/2 in"),
    }
    heights = {"sump": 0, "low sump": 0, "display": 1.0, "box": 1.6}
    own = ", return outlet depth: 20 mm"
    facts = {"display": tank(0.3, own), "box": tank(0.3, f"{own}, mouths: {{down: 5 mm}}")}
    facts |= {"sump": SUMP, "low sump": SUMP}
    system = written(tmp_path, heights, runs, facts, {"display": "sump", "box": "display"})
    flows = solve_network(system.network).flows_m3_s
    into_box = {"up": flows["up"], "second": flows["second"]}
    over = sum(into_box.values()) - flows["down"]  # over the box's edge, into the display
    a, b, c, d = flows["line"], flows["down"] + over, flows["up"], flows["second"]
    y = a / (a + b - b * c / (c + d))

    tanks, lines = origins(system.network, flows)

    assert tanks["display"]["sump"] == pytest.approx(y)
    assert tanks["box"]["sump"] == pytest.approx(c * y / (c + d))
    assert lines["up"]["low sump"] == pytest.approx(1 - y)


def litres_at_joints(system: System) -> dict[str, float]:
    """Return the most that any joint of each run lets out [L]."""
    found: dict[str, float] = {}
    for place in leak_places(system, system.network, solve_network(system.network).flows_m3_s):
        assert place.water_m3 is not None
        found[place.run] = max(found.get(place.run, 0.0), 1e3 * place.water_m3)
    return found


def test_a_joint_lets_out_what_the_sumps_give_that_bring_water_to_it(tmp_path: Path) -> None:
    system = apart(tmp_path, reserves_l=(10, 7))
    back = back_of(system)
    pipe = {name: 1e3 * wet_volume_m3(system.network.runs[name]) for name in ("line", "second")}
    tanks = {name: 1e3 * back.volumes_m3[f"tank '{name}'"] for name in ("display", "frag")}
    own = {"line": 10 + tanks["display"] + pipe["line"], "second": 7 + tanks["frag"] + pipe["second"]}
    # each drain lets out what its tank's sump gives
    assert litres_at_joints(system) == pytest.approx({**own, "drain 0": 10, "drain 1": 7})

    linked = litres_at_joints(apart(tmp_path, reserves_l=(10, 7), more={"display 2": "low sump"}))
    assert linked["line"] == pytest.approx(own["line"])  # nothing of the low sump comes up to it
    assert linked["second"] == pytest.approx(own["second"] + own["line"])
    assert (linked["drain 0"], linked["drain 1"]) == (pytest.approx(10), pytest.approx(17))
