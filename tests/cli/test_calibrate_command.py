"""`calibrate`, and what `flow` and `losses` show beside the flows of today: bands, settings, groups, the head line."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from running import Retrofit

from optimizer.cli import main

MEASURED = "examples/measured-return.yaml"
CELLAR = "examples/cellar-sump.yaml"
GALLON_H_M3_S = 3.785411784e-3 / 3600.0


@pytest.mark.long
def test_calibrate_says_what_fits_what_does_not_and_what_to_measure_next(retrofit: Retrofit) -> None:
    result = retrofit("calibrate", MEASURED)
    assert result.exit_code == 0
    assert "The speed setting of pump 'return' shows power" in result.stdout
    assert "The lift is 52 % of the most that the pump can lift." in result.stdout
    assert "needs 3.6 times the head of the curve of pump 'return', which is implausible." in result.stdout
    assert "Two readings cannot distinguish A from B." in result.stdout
    assert "Measure next: run 'return line', set to 50 %: A expects 744 gph, B expects 638 gph" in result.stdout


@pytest.mark.long
def test_calibrate_alone_leaves_the_file_as_it_was(retrofit: Retrofit, here: Path) -> None:
    before = (here / MEASURED).read_bytes()
    retrofit("calibrate", MEASURED)
    assert (here / MEASURED).read_bytes() == before


@pytest.mark.long
def test_written_factors_make_flow_give_what_was_measured(retrofit: Retrofit, here: Path) -> None:
    before = (here / MEASURED).read_bytes()
    result = retrofit("calibrate", MEASURED, "--write")
    assert "Wrote the factors of A into examples/measured-return.yaml" in result.stdout
    assert (here / MEASURED).read_bytes().startswith(before.rstrip())
    (run,) = json.loads(retrofit("flow", MEASURED, "--json").stdout)["runs"]
    assert run["flow_m3_s"] == pytest.approx(1190 * GALLON_H_M3_S, rel=0.1)  # 5 % is one spread of the reading
    assert run["flow_low_m3_s"] < 1190 * GALLON_H_M3_S < run["flow_high_m3_s"]


@pytest.mark.long
def test_calibrating_again_gives_the_same(retrofit: Retrofit, here: Path) -> None:
    first = json.loads(retrofit("calibrate", MEASURED, "--write", "--json").stdout)
    again = json.loads(retrofit("calibrate", MEASURED, "--write", "--json").stdout)
    assert [one["dials"] for one in again["explanations"]] == [one["dials"] for one in first["explanations"]]
    assert (here / MEASURED).read_text(encoding="utf-8").count("\ncalibration:") == 1


def test_a_measured_system_has_a_narrower_band_once_it_is_calibrated(retrofit: Retrofit, here: Path) -> None:
    def relative_width() -> float:
        (run,) = json.loads(retrofit("flow", MEASURED, "--json").stdout)["runs"]
        return float((run["flow_high_m3_s"] - run["flow_low_m3_s"]) / run["flow_m3_s"])

    path = here / MEASURED
    known = path.read_text(encoding="utf-8").replace("    # dial: power  ", "    dial: power  ")
    path.write_text(known, encoding="utf-8")
    before = relative_width()
    retrofit("calibrate", MEASURED, "--write")
    assert relative_width() < 0.8 * before


def test_without_readings_there_is_nothing_to_calibrate(retrofit: Retrofit) -> None:
    result = retrofit("calibrate", CELLAR)
    assert result.exit_code == 2
    assert result.stderr.startswith("nothing was measured; a reading needs a run")


@pytest.mark.long
def test_readings_that_nothing_explains_are_code_1_and_nothing_is_written(retrofit: Retrofit, here: Path) -> None:
    path = here / MEASURED
    path.write_text(path.read_text(encoding="utf-8").replace("1190 gal/h", "9 gal/h"), encoding="utf-8")
    before = path.read_bytes()
    result = retrofit("calibrate", MEASURED, "--write")
    assert result.exit_code == 1
    assert "look at the pump's curve, the heights and the parts in the file" in result.stdout
    assert path.read_bytes() == before


def test_flow_shows_between_what_each_flow_lies(retrofit: Retrofit) -> None:
    text = retrofit("flow", CELLAR).stdout
    assert "80 % range" in text
    runs = json.loads(retrofit("flow", CELLAR, "--json").stdout)["runs"]
    assert all(run["flow_low_m3_s"] < run["flow_m3_s"] < run["flow_high_m3_s"] for run in runs)


def test_flow_over_settings_has_a_column_for_each(retrofit: Retrofit) -> None:
    text = retrofit("flow", CELLAR, "--speed", "40..100").stdout
    assert re.search("40 % +50 % +60 %", text)
    data = json.loads(retrofit("flow", CELLAR, "--speed", "90..100", "--json").stdout)
    assert [one["setting_share"] for one in data["settings"]] == [0.9, 0.95, 1.0]
    risers = [one["runs"][0]["flow_m3_s"] for one in data["settings"]]
    assert risers == sorted(risers)
    today = json.loads(retrofit("flow", CELLAR, "--json").stdout)["runs"][0]["flow_m3_s"]
    assert risers[0] == pytest.approx(today)  # the file's own setting is 90 %


def test_settings_are_those_of_the_dial(retrofit: Retrofit, here: Path) -> None:
    plain = json.loads(retrofit("flow", CELLAR, "--speed", "80", "--json").stdout)["settings"][0]["runs"][0]
    path = here / CELLAR
    path.write_text(path.read_text(encoding="utf-8").replace("speed: 90 %", "dial: power\n    speed: 90 %"), "utf-8")
    dialled = json.loads(retrofit("flow", CELLAR, "--speed", "80", "--json").stdout)["settings"][0]["runs"][0]
    assert dialled["flow_m3_s"] > 1.2 * plain["flow_m3_s"]  # 80 % of power is 93 % of rpm
    assert "90 % (97 % of full rpm)" in retrofit("flow", CELLAR).stdout


@pytest.mark.parametrize("text", ["40-100", "0..50", "100..40", "fast", "50..120"])
def test_settings_that_are_none_are_refused(retrofit: Retrofit, text: str) -> None:
    result = retrofit("flow", CELLAR, "--speed", text)
    assert result.exit_code == 2
    assert "write percent of full speed from 1 to 100, such as 40..100 or 72" in " ".join(result.stderr.split())


def test_losses_by_run_and_by_kind_add_up_to_all_lost_power(retrofit: Retrofit) -> None:
    for by in ("run", "kind"):
        data = json.loads(retrofit("losses", CELLAR, "--by", by, "--json").stdout)
        assert sum(one["share_of_all_lost_power"] for one in data["losses"]) == pytest.approx(1.0)
        shares = [one["share_of_all_lost_power"] for one in data["losses"]]
        assert shares == sorted(shares, reverse=True)
        assert f"by {by}:" in retrofit("losses", CELLAR, "--by", by).stdout


def test_the_head_along_a_path_goes_from_water_to_water(retrofit: Retrofit) -> None:
    places = json.loads(retrofit("losses", CELLAR, "--along", "left outlet", "--json").stdout)["places"]
    assert places[0]["head_m"] == 0.0
    assert places[-1]["head_m"] == pytest.approx(9 * 0.3048 + 4 * 0.0254, abs=1e-5)
    assert {place["run"] for place in places} >= {"riser", "display return", "left outlet"}
    text = retrofit("losses", CELLAR, "--along", "left outlet").stdout
    assert "pump return" in text
    assert "exit at display" in text


def test_an_unknown_run_has_no_head_line(retrofit: Retrofit) -> None:
    result = retrofit("losses", CELLAR, "--along", "left")
    assert result.exit_code == 2
    assert "there is no run 'left'" in result.stderr


def test_close_coupled_fittings_are_marked(retrofit: Retrofit) -> None:
    text = retrofit("losses", CELLAR).stdout
    assert "1 in. sch 40 PVC 90° elbow, socket × socket *" in text
    assert "* stands closer than five bores to another fitting" in text


def test_one_way_of_showing_losses_at_a_time(retrofit: Retrofit) -> None:
    assert retrofit("losses", CELLAR, "--by", "run", "--limit", "3").exit_code == 2


def test_calibrate_is_a_command() -> None:
    assert "calibrate" in main.commands
