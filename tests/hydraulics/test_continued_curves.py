"""A pump's curve that its owner goes on with: known again, and said to be theirs."""

from pathlib import Path

import pytest
from said import said

from optimizer import pipeline
from optimizer.errors import InputError

FILE = """
system: short curve
units: metric
surfaces: {{sump: 0 m, tank: 0.4 m}}
pumps: {{p: {{curve: [0 L/h at 3 m, 600 L/h at 2.6 m, 1000 L/h at 2 m]{more}, ports: 1 in NPT male}}}}
runs: {{line: {{from: sump, to: tank, size: 1 in sch 40 PVC, parts: [pump p, adapter NPT female x socket, pipe 1 m]}}}}
targets: {{line: at least 900 L/h}}
"""
CONTINUED = ", continued: [1600 L/h at 1 m, 2000 L/h at 0 m]"


def _read(tmp_path: Path, more: str):
    path = tmp_path / "short.yaml"
    path.write_text(FILE.format(more=more))
    return pipeline.read(path)[0]


def test_what_was_not_known_is_known_again_and_said_to_be_the_owners(tmp_path: Path) -> None:
    short = pipeline.flows(_read(tmp_path, ""))
    longer = pipeline.flows(_read(tmp_path, CONTINUED))

    assert short.doubt.pumps == ("p",)
    assert longer.doubt.pumps == ()
    assert longer.flows_m3_s["line"] * 3.6e6 == pytest.approx(1700.0, rel=0.15)  # near where 0.6 m of head are left
    assert any("how its owner continued it" in text for text in said(longer.warnings))
    assert not any("not known" in text for text in said(longer.warnings))


def test_within_the_makers_points_nothing_is_said_of_it(tmp_path: Path) -> None:
    text = FILE.replace("tank: 0.4 m", "tank: 2.3 m").format(more=CONTINUED)
    (tmp_path / "high.yaml").write_text(text)

    assert said(pipeline.flows(pipeline.read(tmp_path / "high.yaml")[0]).warnings) == ()


@pytest.mark.parametrize("more", [", continued: [900 L/h at 1 m]", ", continued: [1500 L/h at 2.5 m]"])
def test_it_goes_on_behind_the_last_point_and_falls(tmp_path: Path, more: str) -> None:
    with pytest.raises(InputError, match="not continued"):
        _read(tmp_path, more)
