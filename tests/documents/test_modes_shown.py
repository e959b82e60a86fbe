"""What is run in several modes is told in every one of them."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from optimizer import pipeline
from optimizer.cli import main
from optimizer.documents.pictures import system_pictures
from optimizer.hydraulics.lift import barely_lifting

FILE = """
system: by day and night
units: metric
water: {salinity: 0 g/kg, temperature: 20 degC}
surfaces: {sump: 0 m, tank: 2 m}
pumps: {lift: {curve: [0 L/h at 4 m, 2000 L/h at 3 m, 4000 L/h at 0 m], ports: 1 in NPT male}}
runs:
  line: {from: sump, to: tank, size: 1 in sch 40 PVC, parts: [pump lift, adapter NPT female x socket, pipe 3 m, elbow]}
targets: {line: at least 1500 L/h}
modes:
  day: {lift: 100 %}
  night: {lift: 72 %, targets: {line: any}}
  service: {lift: off, targets: {line: any}}
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    (tmp_path / "modes.yaml").write_text(FILE)
    return tmp_path / "modes.yaml"


def _run(*words: object) -> str:
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exit_code == 0, result.output
    return result.output


def test_flow_has_every_mode_with_its_speeds_and_targets(path: Path) -> None:
    told = _run("flow", path)

    for mode, speed in (("day", "100 %"), ("night", "72 %"), ("service", "off")):
        part = told.split(f"Flows today in mode '{mode}'")[1].split("Flows today in mode")[0]
        assert any(line.startswith("lift") and speed in line for line in part.splitlines())
    assert told.count("at least 1,500 L/h") == 1


def test_one_mode_alone_says_the_same_as_among_the_others(path: Path) -> None:
    alone = json.loads(_run("flow", path, "--mode", "night", "--json"))["modes"]
    all_of_them = json.loads(_run("flow", path, "--json"))["modes"]

    assert [one["mode"] for one in all_of_them] == ["day", "night", "service"]
    assert alone == [all_of_them[1]]


def test_an_unknown_mode_is_refused_with_those_that_there_are(path: Path) -> None:
    result = CliRunner().invoke(main, ["losses", str(path), "--mode", "noon"])

    assert result.exit_code == 2
    assert "day, night, service" in result.output


@pytest.mark.parametrize("how", [(), ("--by", "run"), ("--by", "kind"), ("--along", "line")])
def test_losses_are_told_in_the_mode_that_is_asked_for(path: Path, how: tuple[str, ...]) -> None:
    by_day, by_night = (_run("losses", path, *how, "--mode", mode) for mode in ("day", "night"))

    assert "in mode 'day'" in by_day
    assert "in mode 'night'" in by_night


def test_the_drawing_has_the_flow_of_every_mode_on_its_run(path: Path) -> None:
    system, _ = pipeline.read(path)
    pictures = {picture.name: picture for picture in system_pictures(system)}

    for mode in ("day", "night", "service"):
        assert f"{mode}: " in pictures["schematic-now"].svg
    assert {"pump-1-day", "pump-1-night", "losses-now-night"} <= set(pictures)
    assert "pump-1-service" not in pictures, "a pump that is off has no working point"


def test_a_pump_barely_lifts_where_its_own_arithmetic_says_so(path: Path) -> None:
    # Curve and line as H = H0 s² - a Q² and Hs + k Q², k and a from two solved points: with 2 % less head the flow
    # falls to sqrt((0.98 H0 s² - Hs) / (0.98 a + k)) of sqrt((H0 s² - Hs) / (a + k)).
    system, _ = pipeline.read(path)
    modes = dict(system.ways_to_run)
    by_day = pipeline.flows(modes["day"]).flows_m3_s["line"]
    by_night = pipeline.flows(modes["night"]).flows_m3_s["line"]

    assert barely_lifting(modes["day"].network, {"line": by_day}) == ()
    (told,) = barely_lifting(modes["night"].network, {"line": by_night})
    share = dict(told.values)["share"]
    shut_off, lift = 4.0 * 0.72**2, 2.0
    # near shut-off losses and the fall of the curve are next to nothing beside the head left over: both bounds of an
    # exponent between 1 (laminar) and 1/2 (square law) of that head
    left = (0.98 * shut_off - lift) / (shut_off - lift)
    assert 1.0 - left**0.5 - 0.02 <= share <= 1.0 - left + 0.02
