"""What the commands print, where, and with which exit code."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click
import openpyxl
import pytest
from running import LONG, METRIC, SHORT, Retrofit
from said import free

from optimizer import pipeline
from optimizer.cli import main
from optimizer.cli.commands import _SOLVERS
from optimizer.errors import CheckError, NoPlanError, SolverError
from optimizer.model.plan import Plan, Status
from optimizer.program.solve import SOLVERS

WATER = "examples/house-water.yaml"
BROKEN = Path(__file__).parent.parent / "broken"
NAMES = sorted(path.stem for path in BROKEN.glob("*.yaml"))
COMMANDS = ("check", "flow", "losses", "plan", "example")


def strict_json(text: str) -> Any:
    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    return json.loads(text, parse_constant=refuse)


@pytest.mark.parametrize("file", [SHORT, LONG, METRIC, "examples/starter.yaml"])
def test_check_says_what_was_found(retrofit: Retrofit, file: str) -> None:
    result = retrofit("check", file)

    assert result.exit_code == 0
    assert "every end fits its neighbor" in result.stdout
    assert result.stderr == ""


def test_check_counts_runs_parts_points_and_targets(retrofit: Retrofit) -> None:
    # counted by hand in the file: one run of 15 parts between two surfaces, one pump, one target
    found = strict_json(retrofit("check", SHORT, "--json").stdout)

    assert found["counts"] == {
        "runs": 1,
        "parts": 15,
        "open joints": 0,
        "tees": 0,
        "pumps": 1,
        "devices": 0,
        "targets": 1,
    }
    assert [point["point"] for point in found["points"]] == ["sump", "display"]
    assert found["runs"][0]["pipe_length_m"] == pytest.approx((6 + 36 + 10 + 20 + 6) * 0.0254)


def test_check_says_where_something_is_not_plumbed_yet(retrofit: Retrofit) -> None:
    told = retrofit("check", LONG).stdout
    assert "Run uv line, not connected yet between the ball valve 45 % open and device uv: 3/4 in socket" in told


@pytest.mark.parametrize(
    ("command", "name"),
    [
        *(("check", name) for name in NAMES[::3]),  # every message is compared where files are read
        *(("plan", name) for name in NAMES[::20]),
        *(pytest.param(command, name, marks=pytest.mark.slow) for command in ("check", "plan") for name in NAMES),
    ],
)
def test_a_broken_file_gives_all_its_faults_on_stderr_and_code_2(
    retrofit: Retrofit, monkeypatch: pytest.MonkeyPatch, command: str, name: str
) -> None:
    monkeypatch.chdir(BROKEN)
    expected = (BROKEN / f"{name}.txt").read_text(encoding="utf-8")

    result = retrofit(command, f"{name}.yaml")

    number = expected.count("\n")
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr == f"{expected}{number} error{'s' * (number > 1)}; nothing was calculated.\n"


def test_the_faults_of_a_file_are_there_as_data_too(retrofit: Retrofit, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(BROKEN)

    result = retrofit("check", "many-faults.yaml", "--json")

    faults = strict_json(result.stdout)["faults"]
    assert result.exit_code == 2
    assert len(faults) == 7
    assert faults[0] == {
        "place": "many-faults.yaml:3:8",
        "found": "'USA'",
        "allowed": "US or metric",
        "suggestion": "'US'",
    }


@pytest.mark.parametrize("command", ["check", "flow", "losses", "plan"])
@pytest.mark.parametrize("path", ["nowhere.yaml", "examples", "no/such/folder.yaml"])
def test_a_file_that_can_not_be_read_is_named_without_a_traceback(retrofit: Retrofit, command: str, path: str) -> None:
    result = retrofit(command, path)

    assert result.exit_code == 2
    assert result.stderr.startswith(f"{path}: found ")
    assert result.stderr.endswith("1 error; nothing was calculated.\n")


@pytest.mark.parametrize("path", ["nowhere.csv", "examples"])
def test_a_catalog_that_can_not_be_read_is_named(retrofit: Retrofit, path: str) -> None:
    result = retrofit("check", SHORT, "--catalog", path)

    assert result.exit_code == 2
    assert f"{path}: found " in result.stderr


def test_flow_shows_every_run_and_what_it_misses(retrofit: Retrofit) -> None:
    lines = retrofit("flow", SHORT).stdout.splitlines()

    row = next(line for line in lines if line.startswith("return line"))
    assert "at least 700 gph" in row
    assert "-1" in row  # by how much it misses: a hundred and some


def test_losses_come_worst_first_and_as_many_as_asked_for(retrofit: Retrofit) -> None:
    everything = strict_json(retrofit("losses", SHORT, "--json").stdout)["losses"]
    worst = strict_json(retrofit("losses", SHORT, "--json", "--limit", "3").stdout)["losses"]

    heads = [row["head_loss_m"] for row in everything]
    assert heads == sorted(heads, reverse=True)
    assert worst == everything[:3]
    assert f"{len(everything) - 3} smaller losses are not shown." in retrofit("losses", SHORT, "--limit", "3").stdout


@pytest.mark.long
def test_the_data_of_every_command_is_strict_json(retrofit: Retrofit) -> None:
    for command in ("check", "flow", "losses", "plan"):
        result = retrofit(command, SHORT, "--json")
        assert result.exit_code == 0
        assert strict_json(result.stdout)["system"] == "Single return line"
        assert result.stderr == ""


@pytest.mark.long
def test_plan_prints_what_it_also_gives_as_data(retrofit: Retrofit) -> None:
    printed, data = retrofit("plan", SHORT).stdout, strict_json(retrofit("plan", SHORT, "--json").stdout)

    assert data["status"] == "optimal"
    assert f"Parts cost ${data['total_cents'] / 100:.2f}. Proven cheapest" in printed
    assert all(demand["met"] for demand in data["demands"])


def test_plan_writes_the_workbook_that_it_names(retrofit: Retrofit, here: Path) -> None:
    result = retrofit("plan", SHORT, "-o", "parts.xlsx")

    assert result.exit_code == 0
    assert "Wrote parts.xlsx" in result.stdout
    assert "Order" in openpyxl.load_workbook(here / "parts.xlsx").sheetnames


@pytest.mark.long
def test_a_workbook_that_is_there_stays_unless_told(retrofit: Retrofit, here: Path) -> None:
    (here / "parts.xlsx").write_bytes(b"mine")

    refused = retrofit("plan", SHORT, "-o", "parts.xlsx")
    assert refused.exit_code == 2
    assert refused.stderr == "parts.xlsx: is there already; choose another name, or allow it (--replace)\n"
    assert (here / "parts.xlsx").read_bytes() == b"mine"

    assert retrofit("plan", SHORT, "-o", "parts.xlsx", "--replace").exit_code == 0
    assert openpyxl.load_workbook(here / "parts.xlsx").sheetnames


def test_a_place_that_can_not_be_written_is_refused_before_the_search(
    retrofit: Retrofit, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pipeline, "search", None)

    for place in ("parts.csv", "no/such/parts.xlsx", "examples"):
        result = retrofit("plan", SHORT, "-o", place)
        assert result.exit_code == 2
        assert result.stderr.startswith(f"{place}: ")


TOO_HIGH = """
system: A tank beyond reach, invented
units: metric
surfaces: {sump: 0 m, tank: 1.2 m}
pumps:
  return: {curve: [0 L/h at 3.5 m, 3000 L/h at 1.8 m, 4500 L/h at 0 m], ports: 3/4 in NPT male}
runs:
  return line:
    from: sump
    to: tank
    size: 3/4 in sch 40 PVC
    parts: [pump return, adapter NPT female x socket, pipe 1 ft, ball valve, pipe 1 ft]
rules: {sizes: [3/4 in, 1 in]}
targets: {return line: at least 4400 L/h}
"""


@pytest.mark.long
def test_a_target_out_of_reach_is_code_1_with_the_reasons(retrofit: Retrofit, here: Path) -> None:
    (here / "high.yaml").write_text(TOO_HIGH, encoding="utf-8")

    result = retrofit("plan", "high.yaml", "-o", "parts.xlsx")
    data = strict_json(retrofit("plan", "high.yaml", "--json").stdout)

    assert result.exit_code == 1
    assert "Proven" in result.stdout
    assert "return line" in result.stdout
    assert not (here / "parts.xlsx").exists()
    assert data["status"] == "infeasible"
    assert data["reasons"]


def test_a_search_that_ran_out_of_time_is_code_3_and_no_proof(
    retrofit: Retrofit, monkeypatch: pytest.MonkeyPatch
) -> None:
    ended = Plan(Status.NO_PLAN_FOUND, None, None, "USD", {}, {}, {}, reasons=(free("the time limit came first"),))
    monkeypatch.setattr(pipeline, "search", lambda *_, **__: ended)

    result = retrofit("plan", SHORT)

    assert result.exit_code == 3
    assert "none is ruled out" in result.stdout
    assert "Proved" not in result.stdout


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (SolverError("no solver gave an answer"), 3),
        (CheckError("the plan failed its check"), 3),
        (NoPlanError(["too high"], proved=True), 1),
        (NoPlanError(["time"], proved=False), 3),
    ],
)
def test_an_error_is_one_line_and_its_own_code(
    retrofit: Retrofit, monkeypatch: pytest.MonkeyPatch, error: Exception, code: int
) -> None:
    def fail(*_: Any, **__: Any) -> None:
        raise error

    monkeypatch.setattr(pipeline, "search", fail)

    result = retrofit("plan", SHORT)

    assert (result.exit_code, result.stdout, result.stderr) == (code, "", f"{error}\n")


def test_an_error_that_nobody_expected_is_not_hidden(retrofit: Retrofit, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pipeline, "flows", lambda _: 1 / 0)

    ran = retrofit("flow", SHORT, "--traceback")

    assert ran.exit_code == 70
    assert "ZeroDivisionError" in ran.stderr


@pytest.mark.long
def test_a_store_s_own_prices_change_the_plan_s_cost(retrofit: Retrofit, here: Path) -> None:
    before = strict_json(retrofit("plan", SHORT, "--json").stdout)
    sold_singly = [line for line in before["parts"] if line["unit"] == "each"]  # a price list names no sticks
    part = max(sold_singly, key=lambda line: line["extended_cents"])
    price = f"{part['unit_price_cents'] / 200:.2f}"
    (here / "prices.csv").write_text(
        f"item_id,price,currency,price_date\n{part['item_id']},{price},USD,2026-11-01\n", encoding="utf-8"
    )

    after = strict_json(retrofit("plan", SHORT, "--json", "--catalog", "prices.csv").stdout)

    assert after["total_cents"] < before["total_cents"]


@pytest.mark.long
@pytest.mark.parametrize("solver", _SOLVERS)
def test_every_offered_solver_finds_the_same_cost(retrofit: Retrofit, solver: str) -> None:
    data = strict_json(retrofit("plan", WATER, "--json", "--solver", solver).stdout)
    usual = strict_json(retrofit("plan", WATER, "--json").stdout)

    assert (data["status"], data["cost_cents"]) == ("optimal", usual["cost_cents"])


def test_the_solvers_offered_are_those_of_the_program() -> None:
    assert tuple(name.upper() for name in _SOLVERS) == SOLVERS


@pytest.mark.parametrize(
    "words", [["--limit", "0"], ["--limit", "x"], ["--nonsense"]], ids=lambda words: " ".join(words)
)
def test_an_option_that_is_not_understood_is_code_2(retrofit: Retrofit, words: list[str]) -> None:
    assert retrofit("losses", SHORT, *words).exit_code == 2


@pytest.mark.parametrize("limit", ["0", "-1", "nan", "soon"])
def test_a_time_limit_is_a_number_of_seconds_above_0(retrofit: Retrofit, limit: str) -> None:
    assert retrofit("plan", SHORT, "--time-limit", limit).exit_code == 2


def test_the_starter_file_can_be_planned_as_it_is(retrofit: Retrofit, here: Path) -> None:
    assert retrofit("example").exit_code == 0
    assert (here / "starter.yaml").read_bytes() == (here / "examples" / "starter.yaml").read_bytes()
    assert retrofit("plan", "starter.yaml").exit_code == 0


def test_a_starter_file_never_takes_the_place_of_another_unasked(retrofit: Retrofit, here: Path) -> None:
    (here / "mine.yaml").write_text("mine", encoding="utf-8")

    refused = retrofit("example", "mine.yaml")
    assert refused.exit_code == 2
    assert "is there already" in refused.stderr
    assert (here / "mine.yaml").read_text(encoding="utf-8") == "mine"

    assert retrofit("example", "mine.yaml", "--replace").exit_code == 0
    assert (here / "mine.yaml").read_text(encoding="utf-8").startswith("# A starter file")


@pytest.mark.parametrize("words", [["--help"], *([command, "--help"] for command in COMMANDS)], ids=" ".join)
def test_help_is_there_for_every_command(retrofit: Retrofit, words: list[str]) -> None:
    result = retrofit(*words)

    assert result.exit_code == 0
    assert result.stdout.startswith("Usage: retrofit")


def test_every_option_of_every_command_has_its_help() -> None:
    for command in main.commands.values():
        assert command.help
        assert all(option.help for option in command.params if isinstance(option, click.Option))
