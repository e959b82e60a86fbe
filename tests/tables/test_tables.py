"""Tables for notebooks, column by column against what the commands tell of the examples."""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import planned_examples
import pytest
from cli.running import ROOT
from ruamel.yaml import YAML

from optimizer import pipeline, tables
from optimizer.documents import payload
from optimizer.documents.search_text import frontier_json
from optimizer.errors import DocumentError
from optimizer.model.outcome import PlanReport
from optimizer.model.system import System
from optimizer.tables.frames import frame
from optimizer.units import parse_flow, parse_fraction

every_example = pytest.mark.parametrize("name", planned_examples.each(planned_examples.ALL))


def values(table: pd.DataFrame, column: str) -> list[Any]:
    return [None if pd.isna(one) else one for one in table[column].astype(object)]


def same(name: str, table: pd.DataFrame, keys: dict[str, str], rows: Sequence[Mapping[str, Any]]) -> None:
    """Hold every column of a table against data, row by row; `keys` says what a column is called there if otherwise."""
    assert list(table.columns) == list(tables.COLUMNS[name])
    assert len(table) == len(rows)
    for column in table.columns:
        told, expected = values(table, column), [row[keys.get(column, column)] for row in rows]
        assert [one is None for one in told] == [one is None for one in expected], column
        there, here = ([one for one in some if one is not None] for some in (told, expected))
        assert there == (pytest.approx(here) if any(isinstance(one, float) for one in here) else here), column


@pytest.mark.parametrize("table", tables.COLUMNS)
def test_an_empty_table_has_all_its_columns_and_types(table: str) -> None:
    empty = frame(table, [])

    assert {name: str(kind) for name, kind in empty.dtypes.items()} == dict(tables.COLUMNS[table])


@every_example
def test_flows_bands_and_losses_are_those_of_the_commands(name: str) -> None:
    path = ROOT / "examples" / f"{name}.yaml"
    system, _ = pipeline.read(path)
    flows, bands, losses = tables.flows(system), tables.bands(system), tables.losses(system)
    written = YAML(typ="safe").load(path)["runs"]
    for mode, at in system.ways_to_run:
        solution, band = pipeline.flows(at), pipeline.flow_band(at)
        told = [
            {**row, "mode": mode, "from": ends(written, row["run"], "from"), "to": ends(written, row["run"], "to")}
            for row in payload.flow_json(at, solution, band)["runs"]
        ]
        same("flows", flows[flows["mode"] == mode], {"velocity_m_s": "fastest_velocity_m_s"}, told)
        there = bands[bands["mode"] == mode]
        same("bands", there, {"low_m3_s": "flow_low_m3_s", "high_m3_s": "flow_high_m3_s"}, told)
        lost = [
            {
                **row,
                "mode": mode,
                "position": None if row["part_index"] is None else row["part_index"] + 1,
                "kind": None if row["part_index"] is None else kind_of(at, row["run"], row["part_index"]),
            }
            for row in payload.losses_json(at, pipeline.losses(at)[1])["losses"]
        ]
        keys = {"share_of_all": "share_of_all_lost_power", "gained_flow_m3_s": "flow_gained_without_it_m3_s"}
        same("losses", losses[losses["mode"] == mode], keys, lost)


def ends(written: Mapping[str, Any], run: str, end: str) -> str:
    """Return a point as the file has it for a run, without the word for the side opening of a tee."""
    return str(written[run][end]).removesuffix(" branch").removesuffix(" run 1").removesuffix(" run 2").strip()


def kind_of(at: System, run: str, index: int) -> str:
    return str(at.network.runs[run].parts[index].kind)


@every_example
def test_a_plan_s_tables_are_those_of_its_data(name: str) -> None:
    report, catalog = planned_examples.searched(name)
    taken = planned_examples.taken_off(name)[1]
    told = json.loads(json.dumps(payload.plan_json(report, taken)))

    same("targets", tables.targets(report), {}, told["demands"])
    lines = [{**line, "spare": key == "spares"} for key in ("parts", "spares") for line in told[key]]
    same("parts_list", tables.parts_list(report), {"cost_cents": "extended_cents"}, lines)
    pieces = [
        {
            **piece,
            "position": piece["part_index"] + 1,
            "description": catalog.items[piece["item_id"]].description,
        }
        for piece in told["cuts"]["pieces"]
    ]
    same("cut_list", tables.cut_list(report, catalog), {"shows_m": "face_to_face_m"}, pieces)
    checks = (
        [
            {**one, "what": one["check"]["text"], "check": check.check.value, "verdict_now": check.verdict_now.value}
            for one, check in zip(told["safety"], report.verification.safety.checks, strict=True)
        ]
        if report.verification.safety
        else []
    )
    keys = {"at_upper_end": "after_at_upper_end", "spare": "share_to_spare"}
    same("safety", tables.safety(report), keys, checks)
    same("leaks", tables.leaks(report), {"joint": "words"}, told["weak_joints"])


@every_example
def test_the_joints_of_a_plan_are_those_of_its_steps(name: str) -> None:
    report, _ = planned_examples.searched(name)
    told = json.loads(json.dumps(payload.plan_json(report, planned_examples.taken_off(name)[1])))
    table = tables.joints(report)

    made = [(run["run"], one["method"], one["size"]) for run in told["work"] for one in run["joints"]]
    assert Counter(zip(table["where"], table["method"], table["size"], strict=True)) == Counter(made)
    assert all(one["method"] in one["joint"] and one["size"] in one["joint"] for _, one in table.iterrows())


def test_readings_are_those_of_the_file() -> None:
    path = ROOT / "examples" / "measured-return.yaml"
    written = YAML(typ="safe").load(path)["measured"]

    table = tables.readings(pipeline.read(path)[0])

    rows = [
        {
            "run": one["run"],
            "flow_m3_s": parse_flow(one["flow"], "US"),
            "accuracy": parse_fraction(one.get("accuracy", "5 %")),
            "settings": f"return={parse_fraction(str(one['at'])):g}",
            "openings": "",
        }
        for one in written
    ]
    same("readings", table, {}, rows)


@pytest.mark.long
def test_a_frontier_s_table_has_its_plans() -> None:
    system, catalog = pipeline.read(ROOT / "examples" / "single-return.yaml")
    found = pipeline.frontier(system, catalog)

    table = tables.frontier(found)

    told = frontier_json(system, found.plans, None)["plans"]
    same("frontier", table, {"works": "works_in_share_of_cases", "total_m3_s": "pump_flow_m3_s"}, told)
    assert list(table["cost_cents"]) == sorted(table["cost_cents"])


def test_a_catalog_s_table_has_every_row() -> None:
    _, shelf = pipeline.read(ROOT / "examples" / "single-return.yaml")
    table = tables.catalog(shelf)

    rows = [
        {
            **{name: getattr(item, name, None) for name in tables.COLUMNS["catalog"]},
            "kind": str(item.kind),
            "ends": " x ".join(map(str, item.ends)),
            "own": False,
            "price_date": pd.Timestamp(item.price_date),
        }
        for item in shelf.items.values()
    ]
    same("catalog", table, {}, rows)


def test_the_shipped_files_say_what_the_catalog_s_table_does() -> None:
    table = tables.catalog(pipeline.read(ROOT / "examples" / "single-return.yaml")[1]).set_index("item_id")
    files = [pd.read_csv(path) for path in sorted((ROOT / "catalogs").glob("*.csv"))]
    written = pd.concat([one for one in files if {"item_id", "price"} <= set(one)]).set_index("item_id")
    shared = [one for one in written.index if one in table.index]

    assert len(shared) > 1_500
    there, here = table.loc[shared], written.loc[shared]
    assert list(there["price_cents"]) == [round(100 * price) for price in here["price"]]
    assert list(there["currency"]) == list(here["currency"])
    assert list(there["price_date"]) == [pd.Timestamp(day) for day in here["price_date"]]
    for column in ("material", "source", "basis"):
        assert list(there[column]) == list(here[column]), column


def test_a_price_list_goes_out_and_comes_back(tmp_path: Path) -> None:
    file = ROOT / "examples" / "single-return.yaml"
    _, shelf = pipeline.read(file)
    table = tables.price_list(shelf, ["pipe"])
    table["price"] = table["price"] * 3
    table.loc[0, "price"] = pd.NA

    tables.write_price_list(table, tmp_path / "own.csv")

    _, dearer = pipeline.read(file, [tmp_path / "own.csv"])
    first, *rest = table["item_id"]
    assert dearer.items[first].price_cents == shelf.items[first].price_cents
    assert all(dearer.items[one].price_cents == 3 * shelf.items[one].price_cents for one in rest)
    with pytest.raises(DocumentError, match=r"may not|exists|replace"):
        tables.write_price_list(table, tmp_path / "own.csv")
    with pytest.raises(DocumentError, match="currency lacks"):
        tables.write_price_list(table.drop(columns="currency"), tmp_path / "other.csv")


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_a_table_keeps_its_values_in_a_file(tmp_path: Path, ending: str) -> None:
    system, _ = pipeline.read(ROOT / "examples" / "single-return.yaml")
    table = tables.losses(system)
    if ending == "csv":
        table.to_csv(tmp_path / "t.csv", index=False)
        again = pd.read_csv(tmp_path / "t.csv", keep_default_na=True).assign(mode="")
        pd.testing.assert_frame_equal(again.astype(table.dtypes.to_dict()), table, check_categorical=False)
    else:
        table.to_parquet(tmp_path / "t.parquet")
        pd.testing.assert_frame_equal(pd.read_parquet(tmp_path / "t.parquet"), table)


def test_a_notebook_shows_a_plan_as_the_command_does() -> None:
    report: PlanReport = planned_examples.searched("single-return")[0]
    shown = tables.show(report)

    assert "Parts cost" in str(shown)
    assert shown._repr_html_().startswith("<pre>Plan: Single return line")
    assert "<script" not in shown._repr_html_()


def test_the_command_does_not_load_what_only_tables_need() -> None:
    code = "import sys, optimizer.cli, optimizer.cli.many; sys.exit('pandas' in sys.modules)"

    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.long
def test_a_notebook_draws_a_frontier_and_a_system() -> None:
    system, catalog = pipeline.read(ROOT / "examples" / "single-return.yaml")
    chart = tables.show_frontier(system, pipeline.frontier(system, catalog))._repr_html_()

    assert chart.startswith("<svg")
    assert "<pre>" in chart
    assert "display" in tables.show_system(system)._repr_html_()


@pytest.mark.long
def test_the_example_for_notebooks_runs(tmp_path: Path) -> None:
    script = ROOT / "examples" / "notebook.py"
    done = subprocess.run([sys.executable, script, tmp_path], capture_output=True, text=True, check=False, cwd=ROOT)

    assert done.returncode == 0, done.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == ["losses.png", "reach.png"]
    assert "Parts cost" in done.stdout
