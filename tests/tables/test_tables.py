"""Tables for notebooks, column by column against what the commands tell of the examples."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pandas as pd
import planned_examples
import pytest
from cli.running import ROOT

from optimizer import pipeline, tables
from optimizer.documents import payload
from optimizer.errors import DocumentError
from optimizer.model.outcome import PlanReport
from optimizer.tables.frames import frame

every_example = pytest.mark.parametrize("name", planned_examples.each(planned_examples.ALL))


def values(table: pd.DataFrame, column: str) -> list[Any]:
    return [None if one is pd.NA or one is None else one for one in table[column].astype(object)]


def same(table: pd.DataFrame, columns: dict[str, str], rows: list[dict[str, Any]]) -> None:
    """Hold columns of a table against keys of data, row by row."""
    for column, key in columns.items():
        told, expected = values(table, column), [row.get(key) for row in rows]
        assert [one is None for one in told] == [one is None for one in expected], column
        assert [one for one in told if one is not None] == pytest.approx([one for one in expected if one is not None])


@pytest.mark.parametrize("table", tables.COLUMNS)
def test_an_empty_table_has_all_its_columns_and_types(table: str) -> None:
    empty = frame(table, [])

    assert {name: str(kind) for name, kind in empty.dtypes.items()} == dict(tables.COLUMNS[table])


@every_example
def test_flows_bands_and_losses_are_those_of_the_commands(name: str) -> None:
    system, _ = pipeline.read(ROOT / "examples" / f"{name}.yaml")
    flows, bands, losses = tables.flows(system), tables.bands(system), tables.losses(system)
    for mode, at in system.ways_to_run:
        solution, band = pipeline.flows(at), pipeline.flow_band(at)
        told = payload.flow_json(at, solution, band)["runs"]
        there = flows[flows["mode"] == mode]
        same(there, {"run": "run", "flow_m3_s": "flow_m3_s"}, told)
        same(bands[bands["mode"] == mode], {"low_m3_s": "flow_low_m3_s", "high_m3_s": "flow_high_m3_s"}, told)
        lost = payload.losses_json(at, pipeline.losses(at)[1])["losses"]
        keys = {
            "run": "run",
            "place": "place",
            "part": "part",
            "head_loss_m": "head_loss_m",
            "close_coupled": "close_coupled",
        }
        keys |= {"share_of_all": "share_of_all_lost_power", "gained_flow_m3_s": "flow_gained_without_it_m3_s"}
        here = losses[losses["mode"] == mode]
        same(here, keys, lost)
        assert values(here, "position") == [
            None if one["part_index"] is None else one["part_index"] + 1 for one in lost
        ]


@every_example
def test_a_plan_s_tables_are_those_of_its_data(name: str) -> None:
    report, catalog = planned_examples.searched(name)
    taken = planned_examples.taken_off(name)[1]
    told = json.loads(json.dumps(payload.plan_json(report, taken)))

    same(tables.targets(report), {key: key for key in tables.COLUMNS["targets"]}, told["demands"])
    lines = [*report.bill.lines, *report.bill.spares]
    parts = tables.parts_list(report)
    assert values(parts, "item_id") == [line.item_id for line in lines]
    assert values(parts, "quantity") == [line.quantity for line in lines]
    assert parts.loc[~parts["spare"], "cost_cents"].sum() == report.bill.total_cents - report.plan.effort_cents
    cuts = tables.cut_list(report, catalog)
    assert values(cuts, "mark") == [piece.mark for piece in taken.cuts.pieces]
    assert values(cuts, "cut_m") == pytest.approx([piece.cut_m for piece in taken.cuts.pieces])
    assert len(tables.joints(report)) == sum(len(run.joints) for run in report.plan.runs.values())
    checks = report.verification.safety.checks if report.verification.safety else ()
    safety = tables.safety(report)
    assert values(safety, "verdict") == [one.verdict.value for one in checks]
    assert values(safety, "after") == pytest.approx([one.after for one in checks])
    assert values(tables.leaks(report), "joint") == [one.words for one in report.leaks]


@pytest.mark.long
def test_a_frontier_s_table_has_its_plans() -> None:
    system, catalog = pipeline.read(ROOT / "examples" / "single-return.yaml")
    found = pipeline.frontier(system, catalog)

    table = tables.frontier(found)

    assert values(table, "cost_cents") == [one.plan.cost_cents for one in found.plans]
    assert values(table, "reach") == pytest.approx([one.reach for one in found.plans])
    assert list(table["cost_cents"]) == sorted(table["cost_cents"])


def test_a_catalog_s_table_has_every_row() -> None:
    _, shelf = pipeline.read(ROOT / "examples" / "single-return.yaml")
    table = tables.catalog(shelf)

    assert list(table["item_id"]) == list(shelf.items)
    elbow = table.set_index("item_id").loc["sch40-elbow-100"]
    item = shelf.items["sch40-elbow-100"]
    assert (elbow["kind"], elbow["price_cents"], elbow["bore_m"]) == ("elbow", item.price_cents, item.bore_m)
    assert not table["own"].any()


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
