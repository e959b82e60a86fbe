"""How touchy a valve near shut is, against its published curve."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

from optimizer.hydraulics import solve_network, valve_k
from optimizer.model.catalog import THROTTLES
from optimizer.model.plan import ValveSetting
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.verify.remarks import touchy_valves
from optimizer.wording.notes import note_words

EXAMPLES = Path(__file__).parents[2] / "examples"


def test_a_valve_near_shut_says_how_far_five_degrees_move_its_flow() -> None:
    network = load_system(EXAMPLES / "cellar-sump.yaml", load_catalog()).network
    run = network.runs["carbon line"]
    index = next(i for i, part in enumerate(run.parts) if part.kind in THROTTLES)
    opening = 0.15
    parts = tuple(replace(part, opening=opening) if i == index else part for i, part in enumerate(run.parts))
    there = network.with_runs({run.name: replace(run, parts=parts)})
    (note,) = touchy_valves(there, (ValveSetting(run.name, index, "", opening, 0.0),))
    share = dict(note.values)["share"]
    # Where a valve takes all the head, Q goes with K^-0.5; the rest of the run takes some, so it is less.
    most = math.sqrt(valve_k(run.parts[index].kind, opening) / valve_k(run.parts[index].kind, opening + 5 / 90)) - 1
    assert 0.3 * most < share < most
    assert f"5° of its handle move its flow by {round(100 * share)} %" in note_words(note, "US")
    now = solve_network(there).flows_m3_s[run.name]
    assert now > 0.0
    assert not list(touchy_valves(network, (ValveSetting(run.name, index, "", 0.5, 0.0),)))
