"""Flow meters: which one reads a line, by hand calculation; straight pipe, adapters, buckets and pulses."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from optimizer import pipeline
from optimizer.cli import main
from optimizer.model.catalog import Catalog
from optimizer.model.kinds import Kind
from optimizer.model.system import System
from optimizer.read.places import data_directory
from optimizer.search.meters import MeteredLine, metered_lines

METER = "adapter 32 mm socket x 1 in BSPP female, meter 1 in BSPP male, adapter 1 in BSPP female x 32 mm socket"
GPH = 0.003785411784 / 3600  # a US gallon in m³, by definition
LINE = """
system: a line with a meter
units: metric
water: {{salinity: 0 g/kg, temperature: 20 degC}}
surfaces: {{high: 2 m, low: 0 m}}
runs:
  line: {{from: high, to: low, size: 32 mm PVC-U PN16, parts: [{parts}]}}
targets: {{line: any}}
"""


def house_water() -> str:
    return str(data_directory("examples") / "house-water.yaml")


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["meters", *arguments])


def lines_of(path: Path | str, *wanted: str) -> tuple[System, Catalog, tuple[MeteredLine, ...]]:
    system, catalog = pipeline.read(path)
    return system, catalog, metered_lines(system, catalog, pipeline.settings_card(system), wanted)


@pytest.fixture(scope="module")
def planned() -> tuple[System, Catalog]:
    return pipeline.read(house_water())


def test_the_top_off_line_carries_what_its_losses_leave_by_hand(planned: tuple[System, Catalog]) -> None:
    # 60 psi is 42.2 m of fresh water (998.2 kg/m³ at 20 °C), and the supply lies 3 ft higher. The membrane takes
    # 30 ft for each gph; the rest is Kv: h = (Q/Kv)² 10.2 m with Q in m³/h, and Hagen-Poiseuille in the tube (Re 1300).
    system, _ = planned
    flow = pipeline.flows(system).flows_m3_s["pure water"]
    item_kv = [
        part.item.loss.coefficients[0]
        for part in system.network.runs["pure water"].parts
        if part.item is not None and part.item.loss.method.value == "Kv"
    ]
    tube_m = sum(part.length_m for part in system.network.runs["pure water"].parts if part.kind is Kind.TUBE)
    head = 60 * 6894.757 / (998.2 * 9.80665) + 3 * 0.3048
    membrane = 30 * 0.3048 * flow / GPH
    valves = sum((flow * 3600 / kv) ** 2 for kv in item_kv) * 1e5 / (998.2 * 9.80665)
    tube = 128 * 1.004e-6 * tube_m * flow / (math.pi * 9.80665 * 0.00432**4)

    assert len(item_kv) == 6
    assert membrane + valves + tube == pytest.approx(head, rel=0.01)  # short fittings are not counted by hand


def test_the_example_is_planned_and_every_thread_finds_its_piece(planned: tuple[System, Catalog]) -> None:
    system, catalog = planned
    found = pipeline.search(system, catalog)
    bought = [one.item for one in found.runs["pure water"].purchases for _ in range(one.quantity)]
    assert found.status.value == "optimal"
    assert sorted(str(item.ends[1]) for item in bought) == [*["1/4 in NPT male"] * 4, *["1/8 in BSPP female"] * 2]
    assert not [part for run in found.runs.values() for part in run.parts if part.kind is Kind.OPEN_JOINT]


@pytest.mark.long
def test_a_meter_that_stands_is_told_with_its_pulses_and_a_bucket() -> None:
    answer = json.loads(run(house_water(), "--bucket", "1 gal", "--json").output)
    (line,) = answer["runs"]
    flow = line["expected"][0]["flow_m3_s"]

    assert line["run"] == "pure water"
    # 2200 pulses a liter; a gallon at so many gph fills in its share of an hour
    assert line["standing"]["pulses_per_s"]["set"] == pytest.approx(2200 * 1000 * flow)
    assert line["expected"][0]["bucket_s"] == pytest.approx(3600 * GPH / flow)
    assert line["standing"]["straight_enough"]
    # G 1/8 males on 1/4 in. tube: a tube adapter with a BSPP female and its flat washer on either side
    assert ["push-fit × BSPP female" in piece for piece in line["standing"]["before"]] == [True]
    assert ["push-fit × BSPP female" in piece for piece in line["standing"]["after"]] == [True]
    assert line["standing"]["washers"] == 2
    assert line["standing"]["too_slow_in"] == []


@pytest.mark.long
def test_a_flow_below_its_range_is_said_to_read_nothing(tmp_path: Path) -> None:
    text = Path(house_water()).read_text(encoding="utf-8").replace("meter G 1/8 male", "meter G 1/4 male")
    path = tmp_path / "file.yaml"
    path.write_text(text, encoding="utf-8")
    output = run(str(path)).output

    # 4.3 gph are 0.27 L/min, the 1/4 in. meter starts at 0.3; the 1/8 in. one at 0.15
    assert "The flow is below its range, where it reads nothing in set." in output
    assert "1/8 in. nylon turbine flow meter" in output


@pytest.mark.long
def test_every_meter_that_is_offered_reads_the_line_and_comes_with_its_adapters() -> None:
    system, catalog, lines = lines_of(data_directory("examples") / "single-return.yaml")
    for line in lines:
        flows = [one.flow_m3_s for one in line.expected]
        for one in line.choices:
            meter = catalog.meters[one.item.item_id]
            inside = all(meter.low_m3_s <= flow <= meter.high_m3_s for flow in flows)
            assert one.reads == (inside and None not in one.ways)
            # Kv is m³/h at 1 bar; sea water of 1024 kg/m³
            kv = one.item.loss.coefficients[0]
            assert one.loss_m == pytest.approx((max(flows) * 3600 / kv) ** 2 * 1e5 / (1000 * 9.80665), rel=0.01)
            for way, meter_end in zip(one.ways, (one.item.ends[0], one.item.ends[-1]), strict=True):
                if way is not None:
                    ends = {end for joint in way.joints for end in (joint.first, joint.second)}
                    assert way.allowed
                    assert meter_end in ends
            assert one.washers == 0 or "BSPP" in one.item.description
        best = [one for one in line.choices if one.reads]
        assert line.choices[: len(best)] == tuple(best)
    assert system.targets


@pytest.mark.long
@pytest.mark.parametrize(
    ("parts", "enough"),
    [
        ("pipe 1 m, elbow, pipe 100 mm, METER, pipe 1 m", False),
        pytest.param("pipe 1 m, elbow, pipe 300 mm, METER, pipe 1 m", True, marks=pytest.mark.slow),
        pytest.param(
            "pipe 1 m, elbow, pipe 300 mm, METER, pipe 100 mm, elbow, pipe 1 m", False, marks=pytest.mark.slow
        ),
        ("pipe 1 m, elbow, pipe 100 mm, union, pipe 200 mm, METER, pipe 200 mm", True),
    ],
)
def test_straight_pipe_is_counted_from_the_meter_to_the_first_bend(tmp_path: Path, parts: str, enough: bool) -> None:
    # ten bores before and five behind: 267 and 134 mm of 32 mm pipe of a bore of 26.7 mm (usual, common practice)
    path = tmp_path / "line.yaml"
    path.write_text(LINE.format(parts=parts.replace("METER", METER)), encoding="utf-8")
    _, _, (line,) = lines_of(path)

    assert line.standing is not None
    assert line.standing.straight.enough == enough
    assert line.standing.straight.before_m == pytest.approx(0.267, abs=0.005)


@pytest.mark.slow
def test_a_line_that_wants_a_meter_is_told_where_it_would_go(tmp_path: Path) -> None:
    path = tmp_path / "line.yaml"
    path.write_text(LINE.format(parts="pipe 200 mm, elbow, pipe 900 mm, elbow, pipe 100 mm"), encoding="utf-8")
    output = run(str(path), "--run", "line").output

    assert "the longest straight stretch, behind elbow, has 900 mm" in output
    assert "The first one, before:" in output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--run", "nowhere"), "a run of the file"),
        (("--bucket", "0 gal"), "a volume above 0"),
        (("--bucket", "3 ft"), "3 ft"),
    ],
)
def test_bad_arguments_are_refused_in_words(arguments: tuple[str, ...], words: str) -> None:
    result = run(house_water(), *arguments)

    assert result.exit_code == 2
    assert words in result.output
