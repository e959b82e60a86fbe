"""The commands around the plan where the flows are not known: one run for day and night, as an owner writes it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from running import Retrofit

from optimizer import pipeline

TEXT = """
system: Day and night
units: metric
surfaces: {sump: 0 m, tank: 1.2 m}
pumps:
  return:
    curve: [0 L/h at 3.5 m, 1500 L/h at 3.0 m, 3000 L/h at 1.8 m, 4500 L/h at 0 m]
    ports: 3/4 in NPT male
runs:
  line:
    from: sump
    to: tank
    size: 3/4 in sch 40 PVC
    parts: [pump return, adapter NPT female x socket, pipe 6 in, elbow, pipe 4 ft]
settings:
  day: {return: 100 %, targets: {line: at least 2800 L/h}}
  night: {return: 80 %, targets: {line: at least 1900 L/h}}
rules: {sizes: [3/4 in, 1 in], velocity limit: 3 m/s}
"""


@pytest.fixture
def system(tmp_path: Path) -> Path:
    path = tmp_path / "day-and-night.yaml"
    path.write_text(TEXT)
    return path


@pytest.mark.long
def test_the_frontier_says_what_is_proved(retrofit: Retrofit, system: Path) -> None:
    result = retrofit("frontier", str(system), "--step", "20", "--budget", "20")

    assert result.exit_code == 0
    assert "the cheapest here that meets every target" in result.stdout
    assert "Each plan is proven the cheapest for what it reaches." in result.stdout
    assert "is proven.\n" in result.stdout


@pytest.mark.slow
def test_the_frontier_as_data_has_status_and_notes(retrofit: Retrofit, system: Path) -> None:
    data = json.loads(retrofit("frontier", str(system), "--step", "50", "--json").stdout)

    assert {plan["status"] for plan in data["plans"]} == {"optimal"}
    assert data["notes"]


def test_a_frontier_without_time_is_no_answer(retrofit: Retrofit, system: Path) -> None:
    result = retrofit("frontier", str(system), "--time-limit", "0.01")

    assert result.exit_code == 3
    assert "the time limit came" in result.stdout


@pytest.mark.slow
def test_the_pictures_have_cost_against_reach_and_what_is_proved_of_it(
    retrofit: Retrofit, system: Path, tmp_path: Path
) -> None:
    result = retrofit("draw", str(system), "-o", str(tmp_path / "pictures"), "--plan")
    chart = (tmp_path / "pictures" / "frontier.svg").read_text(encoding="utf-8")

    assert result.exit_code == 0
    assert "Each plan is proven the cheapest for what it reaches." in result.stdout
    assert "looks longer" not in result.stdout  # all was settled
    assert "% of the minimum flows" in chart
    assert "your plan" in chart


@pytest.mark.long
def test_a_page_without_time_for_cost_against_reach_says_how_to_get_it(
    retrofit: Retrofit, system: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    look = pipeline.frontier
    monkeypatch.setattr(pipeline, "frontier", lambda *words, **more: look(*words, **{**more, "time_limit_s": 0.0}))

    result = retrofit("report", str(system), "-o", str(tmp_path / "plan.html"))
    page = (tmp_path / "plan.html").read_text(encoding="utf-8")

    assert result.exit_code == 0
    assert "No plan was found for even 1 % of the minimum flows: the time limit came." in page
    assert f"`retrofit frontier {system} --time-limit 600` looks longer." in page
    assert "Speeds by mode: day: return 100 %; night: return 80 %." in page
    assert page.count("Where only one mode is shown, it is &#x27;day&#x27;, the first in the file.") == 4


@pytest.mark.slow
def test_other_ways_say_what_is_proved_of_each(retrofit: Retrofit, system: Path) -> None:
    result = retrofit("compare", str(system))

    assert result.exit_code == 0
    assert "the cheapest " in result.stdout
    assert "cheapest of its kind" in result.stdout
    assert "nothing at all" in result.stdout


@pytest.mark.long
def test_an_explanation_says_what_is_missed_without_a_change_and_when_another_plan_wins(
    retrofit: Retrofit, system: Path
) -> None:
    system.write_text(TEXT.replace("elbow, pipe 4 ft", "elbow, pipe 3 ft, elbow, pipe 1 ft"))

    result = retrofit("explain", str(system))

    assert result.exit_code == 0
    assert "Proven cheapest for these parts, prices and rules." in result.stdout
    assert "missed most, valves left as set" in result.stdout
    assert "line, night: " in result.stdout
    assert "another plan is cheaper" in result.stdout


def test_explaining_what_is_out_of_reach_says_why(retrofit: Retrofit, system: Path) -> None:
    system.write_text(TEXT.replace("2800", "4400"))

    result = retrofit("explain", str(system), "--time-limit", "20")

    assert result.exit_code == 1
    assert "No plan" in result.stdout
