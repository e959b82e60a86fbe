"""The cut list as text and as data."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from optimizer.documents.cut_text import cut_json
from optimizer.model.catalog import Kind
from optimizer.model.plan import Plan, RunPlan, Status
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.stock_lengths import load_stick_rules
from optimizer.read.systems import load_system
from optimizer.takeoff.cut_list import CutList, cut_list


@cache
def made() -> CutList:
    """Return the cut list where every pipe of one run of an example is bought anew."""
    catalog = load_catalog()
    system = load_system(Path(data_directory("examples") / "cellar-sump.yaml"), catalog)
    runs = {}
    for name, run in system.network.runs.items():
        fresh = name == "riser"
        parts = tuple(replace(p, existing=False) if p.kind is Kind.PIPE and fresh else p for p in run.parts)
        runs[name] = RunPlan(name, parts, (), (), (), ())
    plan = Plan(Status.OPTIMAL, 0, 0, "USD", runs, {}, {})
    return cut_list(system.network, plan, catalog, load_stick_rules())


def test_the_cut_list_as_data_holds_what_is_cut_from_each_stick() -> None:
    cuts = made()
    data = json.loads(json.dumps(cut_json(cuts, "US"), allow_nan=False))

    assert sorted((m for stick in data["sticks"] for m in stick["marks"]), key=int) == [
        piece["mark"] for piece in data["pieces"]
    ]
    length_m = {piece["mark"]: piece["cut_m"] for piece in data["pieces"]}
    for stick in data["sticks"]:
        whole = sum(length_m[mark] for mark in stick["marks"]) + stick["saw_m"] + stick["offcut_m"]
        assert whole == pytest.approx(stick["length_m"])
