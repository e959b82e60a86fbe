"""Ranges of several dials hold together: every setting within them is solved and judged by the checks of plans."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.verify.running import running
from optimizer.verify.safe_range import safe_ranges
from optimizer.verify.safety import unsafe_when

TWO = """
system: two returns into one display, invented
units: metric
surfaces: {sump: 0 m, display: 1.2 m}
pumps:
  p: {curve: [[0 L/h, 4 m], [2000 L/h, 3 m], [4000 L/h, 0 m]], ports: 1 in socket, speed: 80 %, speeds: 40 % to 100 %}
  q: {curve: [[0 L/h, 4 m], [2000 L/h, 3 m], [4000 L/h, 0 m]], ports: 1 in socket, speed: 80 %, speeds: 40 % to 100 %}
runs:
  left: {from: sump, to: display, size: 1 in sch 40 PVC, parts: [pump p, pipe 1 m, elbow, pipe 1 m]}
  right: {from: sump, to: display, size: 1 in sch 40 PVC, parts: [pump q, pipe 2 m, elbow x 2, pipe 1 m]}
tanks:
  display: {area: 0.5 m2, overflow edge: 60 cm, rim above edge: 40 mm, return outlet depth: 20 mm}
  sump: {free volume: 90 L}
drains:
  main: {from: display, mode: full siphon, size: DRAIN sch 40 PVC, drop: 1.1 m, parts: [bulkhead, gate valve, pipe 1 m]}
targets: {left: at least 200 L/h, right: at least 200 L/h}
"""


def two(folder: Path, drain: str) -> System:
    path = folder / "system.yaml"
    path.write_text(TWO.replace("DRAIN", drain), encoding="utf-8")
    return load_system(path, load_catalog())


def at(system: System, *speeds: float) -> System:
    pumps = zip(system.network.pumps.items(), speeds, strict=True)
    network = replace(system.network, pumps={name: replace(pump, speed=speed) for (name, pump), speed in pumps})
    return replace(system, network=network)


def is_safe(system: System, *speeds: float) -> bool:
    there = at(system, *speeds)
    return not unsafe_when(there, running(there.network))


def test_each_dial_may_stand_anywhere_in_its_range_whatever_the_other_does(tmp_path: Path) -> None:
    """Each pump at full speed is safe with the other as it runs, and both are not."""
    system = two(tmp_path, "1 in")
    assert is_safe(system, 1.0, 0.8)
    assert is_safe(system, 0.8, 1.0)
    assert not is_safe(system, 1.0, 1.0)

    ranges = safe_ranges(system, system.network)

    assert [each.pump for each in ranges] == ["p", "q"]
    within = [np.linspace(each.low or 0.0, each.high or 0.0, 6) for each in ranges]
    assert all(is_safe(system, *speeds) for speeds in itertools.product(*within))
    highs = [each.high or 0.0 for each in ranges]
    assert max(highs) < 1.0
    assert not is_safe(system, *(high + 0.01 for high in highs))
    assert all(each.why_high is not None and each.why_high.code == "gets too much" for each in ranges)


def test_dials_that_do_not_touch_each_other_keep_their_whole_range(tmp_path: Path) -> None:
    system = two(tmp_path, "1-1/2 in")
    ranges = safe_ranges(system, system.network)

    assert is_safe(system, 1.0, 1.0)
    assert [each.high for each in ranges] == [1.0, 1.0]


@pytest.mark.parametrize("first", ["p", "q"])
def test_one_dial_alone_is_as_before(first: str, tmp_path: Path) -> None:
    system = two(tmp_path, "1 in")
    pumps = {n: pump if n == first else replace(pump, speeds=()) for n, pump in system.network.pumps.items()}
    alone = replace(system, network=replace(system.network, pumps=pumps))
    (found,) = safe_ranges(alone, alone.network)

    assert found.high == 1.0
