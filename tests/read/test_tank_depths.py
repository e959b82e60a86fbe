"""How deep a return opens: at the water line itself is a depth, above it is none."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from optimizer.errors import InputError
from optimizer.model.tanks import Tank
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system

EXAMPLE = Path(__file__).parents[2] / "examples" / "cellar-sump.yaml"


def display(tmp_path: Path, depth: str) -> Tank:
    path = tmp_path / "system.yaml"
    text = EXAMPLE.read_text(encoding="utf-8")
    path.write_text(re.sub(r"return outlet depth: 1 in", f"return outlet depth: {depth}", text), encoding="utf-8")
    return next(tank for tank in load_system(path, load_catalog()).tanks if tank.name == "display")


def test_a_return_may_open_at_the_water_line_itself(tmp_path: Path) -> None:
    at_the_line, below = display(tmp_path, "0 in"), display(tmp_path, "1 in")

    assert at_the_line.opening_depth_m == 0.0
    assert below.opening_depth_m == pytest.approx(0.0254)


def test_a_depth_above_the_water_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="found '-1 in'; allowed: a depth of 0 or more"):
        display(tmp_path, "-1 in")


LOOP = """
system: Loop
units: US
surfaces: {tank: 0 ft}
pumps:
  loop: {curve: [0 gph at 9 ft, 1000 gph at 7 ft, 2600 gph at 0 ft], ports: 1 in NPT female}
runs:
  suction: {from: tank, to: joint, size: 1 in sch 40 PVC, parts: [bulkhead, pipe 8 in, ball valve]}
  pressure:
    from: joint
    to: t
    size: 1 in sch 40 PVC
    parts: [pipe 3 in, adapter socket x NPT male, pump loop, adapter NPT male x socket, pipe 2 ft]
  front: {from: t, to: tank, size: 1 in sch 40 PVC, parts: [pipe 3 ft, elbow]}
  back: {from: t branch, to: tank, size: 1 in sch 40 PVC, parts: [pipe 1 ft, elbow]}
tanks:
  tank: {length: 60 in, width: 24 in, mouths: {pressure: 14 in, front: 2 in}}
"""


def test_a_mouth_is_named_by_any_of_the_runs_that_are_one_line() -> None:
    (tank,) = load_system(Path("loop.yaml"), load_catalog(), LOOP.encode()).tanks

    assert dict(tank.mouths_m) == {"suction": pytest.approx(14 * 0.0254), "front": pytest.approx(2 * 0.0254)}


def test_what_a_line_reaches_is_not_said_while_a_part_of_it_can_not_be_read() -> None:
    with pytest.raises(InputError) as caught:
        load_system(Path("loop.yaml"), load_catalog(), LOOP.replace("pipe 2 ft", "pipe of 2 ft").encode())

    (fault,) = caught.value.faults
    assert "pipe of 2 ft" in str(fault)


def test_a_mouth_of_no_run_at_all_is_a_fault_then_too() -> None:
    broken = LOOP.replace("pipe 2 ft", "pipe of 2 ft").replace("front: 2 in", "fromt: 2 in")
    with pytest.raises(InputError) as caught:
        load_system(Path("loop.yaml"), load_catalog(), broken.encode())

    assert [word for fault in caught.value.faults for word in ("pipe of 2 ft", "fromt") if word in str(fault)] == [
        "pipe of 2 ft",
        "fromt",
    ]
