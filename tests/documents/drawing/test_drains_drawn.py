"""Drains in the drawing: from the tank down to the water that each ends in, with what each takes; on paper too."""

import itertools
import re
from dataclasses import replace
from pathlib import Path

import pytest
from example_plans import example
from test_schematic import example_shown

from optimizer import pipeline
from optimizer.documents.drawing.drains import drain_verdicts, end_of, shown_drains
from optimizer.documents.drawing.labels import Shown, run_lines
from optimizer.documents.drawing.schematic import arranged, describe, schematic, schematic_canvas
from optimizer.documents.drawing.sheets import LEAST_POINTS, on_paper
from optimizer.documents.picture_sheets import room_on
from optimizer.documents.pictures import schematic_now
from optimizer.documents.report_facts import shown_now, solved
from optimizer.documents.sheet_kit import LETTER
from optimizer.model.safety import Verdict
from optimizer.units import show_flow
from optimizer.verify.drains import drain_capacity_m3_s

UPPER = pipeline.read(Path(__file__).parents[3] / "examples" / "upper-tank.yaml")[0]


def upper_shown() -> Shown:
    return shown_now(UPPER, solved(UPPER.ways_to_run[0][1].network, with_gains=False))


def test_a_drain_leads_from_its_tank_to_the_sump_or_to_the_tank_that_it_names() -> None:
    shown = upper_shown()
    plan = arranged(shown)

    ends = {"main drain": ("display", "sump"), "refugium emergency": ("refugium", "display")}
    for name, (top, bottom) in ends.items():
        lane = plan.lanes[name]
        assert (lane.top, lane.bottom) == (plan.y[top], plan.y[bottom])
        assert lane.down
    heights = {name: UPPER.network.points[name].elevation_m or 0.0 for name in plan.y if name != "tee"}
    known = [name for name in heights if UPPER.network.points[name].is_fixed]
    for one, other in itertools.combinations(known, 2):  # to scale, as ever
        apart = plan.pixels_per_m * (heights[one] - heights[other])
        assert plan.y[other] - plan.y[one] == pytest.approx(apart)


def test_its_kind_and_its_capacity_are_told_and_its_arrow_is_hollow() -> None:
    system, _ = example("cellar-sump")
    shown = example_shown("cellar-sump")

    for drain in system.drains:
        carried = drain_capacity_m3_s(drain, system.network.water)
        assert carried is not None
        assert run_lines(shown, drain.name) == (f"drain, {drain.mode}", f"takes up to {show_flow(carried, 'US')}")
    told, without = (schematic(one, title="t") for one in (shown, replace(shown, drains=())))
    drawn = r'class="{}" points="[\d.]+,[\d.]+ [\d.]+,[\d.]+ [\d.]+,[\d.]+"'
    for role, more in (("shape", len(system.drains) + 1), ("solid", 0)):  # one in the legend
        arrow = drawn.format(role)
        assert len(re.findall(arrow, told)) - len(re.findall(arrow, without)) == more
    assert "emergency drain (drain, emergency, takes up to" in describe(shown)


def test_what_a_drain_depends_on_is_missing_and_it_says_so() -> None:
    system, _ = example("cellar-sump")
    drain = replace(system.drains[0], drop_m=None)

    (one,) = shown_drains([drain], system.network, "US")

    assert one.lines == ("drain, full siphon", "capacity not known")


def test_a_drain_that_is_called_as_a_run_is_drawn_beside_it() -> None:
    system, _ = example("cellar-sump")
    drain = replace(system.drains[0], name="riser")
    shown = replace(example_shown("cellar-sump"), drains=shown_drains([drain], system.network, "US"))

    words = [box.words for box in schematic_canvas(shown).texts]

    assert words.count("riser") == 2
    assert len(shown.drawn.runs) == len(system.network.runs) + 1


def test_a_drain_without_a_water_below_is_left_out() -> None:
    system, _ = example("cellar-sump")
    network = replace(system.network, points={"display": system.network.points["display"]}, runs={})

    assert end_of(system.drains[0], network) == ""
    assert shown_drains(system.drains, network, "US") == ()


def test_how_safe_each_is_stands_in_the_picture_of_the_command() -> None:
    safety = pipeline.safety(UPPER)
    verdicts = drain_verdicts(UPPER.drains, safety.checks, now=True)

    assert verdicts["main drain"] is Verdict.SAFE
    svg = schematic_now(UPPER, solved(UPPER.ways_to_run[0][1].network, with_gains=False)).svg
    for name, verdict in verdicts.items():
        assert re.search(rf">{name}<.*?takes up to .*?>{verdict}<", svg, re.DOTALL)


def test_on_paper_they_stand_where_the_words_stay_legible() -> None:
    small, large = example_shown("metric-unions"), example_shown("cellar-sump")

    shown, _, sheets = on_paper(small, room_on(LETTER), 1)
    assert shown.drains
    assert sheets.text_points >= LEAST_POINTS - 0.01
    shown, _, _ = on_paper(large, room_on(LETTER), 1)
    assert shown.drains == ()
