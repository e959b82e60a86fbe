"""Two runs that meet end to end without a tee are one line."""

from pathlib import Path

import pytest

from optimizer import pipeline
from optimizer.errors import InputError

HEAD = """
system: hose that goes on as pipe
units: metric
surfaces: {sump: 0 m, tank: 1.4 m}
pumps: {lift: {curve: [0 L/h at 4 m, 2000 L/h at 3 m, 4000 L/h at 0 m], ports: 1 in barb}}
"""
APART = """
runs:
  soft: {from: sump, to: wall, size: 1 in vinyl hose, parts: [pump lift, hose 1.2 m, adapter 1 in barb x 1 in socket]}
  hard: {from: wall, to: tank, size: 1 in sch 40 PVC, parts: [pipe 2 m, elbow, ball valve 60 % open, pipe 300 mm]}
targets: {hard: at least 1500 L/h}
measured: [{run: hard, flow: 1800 L/h, valves: {hard: 60 %}}]
"""
TOGETHER = """
runs:
  soft:
    from: sump
    to: tank
    size: 1 in vinyl hose
    parts: [pump lift, hose 1.2 m, adapter 1 in barb x 1 in socket, pipe 2 m, elbow, ball valve 60 % open, pipe 300 mm]
targets: {soft: at least 1500 L/h}
measured: [{run: soft, flow: 1800 L/h, valves: {soft: 60 %}}]
"""


def _read(tmp_path: Path, text: str):
    path = tmp_path / "line.yaml"
    path.write_text(HEAD + text)
    return pipeline.read(path)[0]


def test_runs_written_apart_are_the_line_that_they_are(tmp_path: Path) -> None:
    apart, together = _read(tmp_path, APART), _read(tmp_path, TOGETHER)

    assert list(apart.network.runs) == ["soft"]
    ours, whole = (system.network.runs["soft"].parts for system in (apart, together))
    assert [(part.kind, part.ends, part.item) for part in ours] == [(part.kind, part.ends, part.item) for part in whole]
    assert pipeline.flows(apart).flows_m3_s == pytest.approx(pipeline.flows(together).flows_m3_s, rel=1e-9)
    assert [(one.run, one.low_m3_s) for one in apart.targets] == [(one.run, one.low_m3_s) for one in together.targets]
    assert [one.run for one in apart.measured] == ["soft"]


def test_it_is_said_that_they_are_one(tmp_path: Path) -> None:
    (remark,) = _read(tmp_path, APART).remarks

    assert "'hard' goes on where 'soft' ends: the two are one, 'soft'" in remark


def test_three_in_a_row_are_one(tmp_path: Path) -> None:
    text = APART.replace("to: tank, size: 1 in sch", "to: corner, size: 1 in sch").replace(
        "targets:",
        "  end: {from: corner, to: tank, size: 3/4 in sch 40 PVC, parts: [bushing from, pipe 1 m]}\ntargets:",
    )
    text = text.replace("bushing from", "1 in reducing coupling to 3/4 in")
    system = _read(tmp_path, text)

    assert list(system.network.runs) == ["soft"]
    assert system.network.runs["soft"].parts[-1].ends[0].size == "3/4 in"


def test_two_that_both_end_at_a_point_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="only two runs, 'soft' and 'hard', at 'wall'"):
        _read(tmp_path, APART.replace("{from: wall, to: tank,", "{from: tank, to: wall,"))
