"""What comes with every valve fully open is told where a handle holds it back, and only there."""

from __future__ import annotations

from pathlib import Path

import pytest
from said import said

from optimizer import pipeline
from optimizer.model.system import System
from optimizer.verify.remarks import opened
from optimizer.verify.running import running

# The emergency drain, a 1 in. standpipe under 3/8 in. of water, is a weir of its rim: far less than 700 gph.
FILE = """
system: More than the emergency drain carries
units: US
water: {salinity: 35 g/kg, temperature: 77 degF}
surfaces: {sump: 0 ft, display: 4 ft}
pumps: {return: {curve: [0 gph at 14 ft, 800 gph at 11 ft, 1600 gph at 0 ft], ports: 1 in NPT male}}
runs:
  line:
    from: sump
    to: display
    size: 1 in sch 40 PVC
    parts: [pump return, adapter NPT female x socket, pipe 4 ft, VALVE, pipe 1 ft]
tanks:
  display: {length: 48 in, width: 24 in, overflow edge: 14 in, rim above edge: 1-1/2 in, return outlet depth: 1/2 in}
drains:
  last: {from: display, mode: emergency, size: 1 in sch 40 PVC, fall: 3 ft, head over lip: 3/8 in, parts: [pipe 3 ft]}
targets: {line: at least 500 gph}
"""


@pytest.mark.parametrize(("valve", "told"), [("ball valve 30 % open", True), ("ball valve", False), ("elbow", False)])
def test_handles_are_to_be_fixed_where_they_hold_water_back(tmp_path: Path, valve: str, told: bool) -> None:
    def read(part: str) -> System:
        (tmp_path / "tank.yaml").write_text(FILE.replace("VALVE", part), encoding="utf-8")
        return pipeline.read(tmp_path / "tank.yaml")[0]

    system = read(valve)
    wide_open = running(read(valve.replace(" 30 % open", "")).network).flows_m3_s

    notes = said(opened(system, system.network, running(system.network), wide_open), "US")

    assert any("fix the handles" in one for one in notes) is told
