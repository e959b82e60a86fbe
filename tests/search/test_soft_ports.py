"""Devices whose ports take hose or tube alone, not connected yet in a line of pipe."""

from pathlib import Path

import pytest

from optimizer import pipeline
from optimizer.model.catalog import Kind

FILE = """
system: soft ports
units: US
surfaces: {{sump: 0 ft, display: 4 ft}}
pumps: {{lift: {{curve: [0 gal/h at 14 ft, 800 gal/h at 10 ft, 1400 gal/h at 0 ft], ports: 1 in NPT male}}}}
devices: {{dosing: {{loss: 1 ft at 10 gal/h, ports: {ports}, volume: 0 gal}}}}
runs:
  riser:
    from: sump
    to: top
    size: 1 in sch 40 PVC
    parts: [pump lift, adapter NPT female x socket, union, pipe 3 ft]
  out: {{from: top, to: display, size: 1 in sch 40 PVC, parts: [pipe 1 ft, ball valve, elbow]}}
  side:
    from: top branch
    to: sump
    size: 1/2 in sch 40 PVC
    parts: [pipe 6 in, ball valve, pipe 3 in, open joint, device dosing, open joint, pipe 1 ft]
targets: {{out: at least 400 gal/h, side: at least 5 gal/h}}
"""


@pytest.mark.long
@pytest.mark.parametrize(
    ("ports", "soft", "seal"),
    [
        ("1/2 in barb", Kind.HOSE, "clamp"),
        pytest.param("1/4 in compression", Kind.TUBE, "", marks=pytest.mark.slow),
        pytest.param("3/8 in push-fit", Kind.TUBE, "", marks=pytest.mark.slow),
    ],
)
def test_a_tail_of_hose_or_tube_connects_them(tmp_path: Path, ports: str, soft: Kind, seal: str) -> None:
    path = tmp_path / "soft.yaml"
    path.write_text(FILE.format(ports=ports))
    report = pipeline.plan(*pipeline.read(path), time_limit_s=30.0)
    parts = report.plan.runs["side"].parts
    at = next(i for i, part in enumerate(parts) if part.kind is Kind.DEVICE)

    assert [parts[at - 1].kind, parts[at + 1].kind] == [soft, soft]
    assert not any(part.kind is Kind.OPEN_JOINT for part in parts)
    bought = " ".join(line.description for line in report.bill.lines)
    assert str(soft) in bought
    assert seal in bought
    assert report.verification.passed
