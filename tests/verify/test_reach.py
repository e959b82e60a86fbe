"""How far a plumbing gets in several modes: found in a few looks, and not beside modes in which nothing runs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from small_aquaria import catalog

from optimizer.clock import TimeIsUp, limited
from optimizer.read.systems import load_system
from optimizer.verify import reach
from optimizer.verify.openings import Settled, settle
from optimizer.verify.reach import furthest

MODES = """
system: Two tanks on one pump, invented
units: metric
surfaces: {sump: 0 m, display: 1.35 m, frag: 1.05 m}
pumps:
  dc: {curve: [0 L/h at 5 m, 3000 L/h at 4.2 m, 6000 L/h at 2.6 m, 9000 L/h at 0 m], ports: 1 in NPT male}
runs:
  riser: {from: sump, to: cross, size: 1 in sch 40 PVC,
    parts: [pump dc, adapter NPT female x socket, pipe 30 cm, spring check valve, pipe 40 cm]}
  display feed: {from: cross, to: display, size: 1 in sch 40 PVC, parts: [pipe 60 cm, elbow, pipe 35 cm, elbow]}
  side: {from: cross branch, to: split, size: 1 in sch 40 PVC, parts: [pipe 12 cm, ball valve 60 % open, pipe 10 cm]}
  frag feed: {from: split, to: frag, size: 1 in sch 40 PVC, parts: [pipe 60 cm, elbow, pipe 40 cm, elbow]}
  scrubber line: {from: split branch, to: sump, size: 3/4 in sch 40 PVC, parts: [pipe 10 cm, gate valve, pipe 50 cm]}
modes:
  day: {dc: 90 %}
  night: {dc: 79 %, targets: {display feed: at least 1300 L/h, frag feed: at least 300 L/h, scrubber line: any}}
IDLE
targets: {display feed: at least 2400 L/h, frag feed: 500 to 1400 L/h, scrubber line: 10 to 25 % of side}
"""


def told(folder: Path, idle: str, monkeypatch: pytest.MonkeyPatch) -> tuple[reach.Reach, int]:
    looks: list[int] = []

    def counted(duties: Sequence[Any], *words: Any) -> Settled | None:
        looks.append(1)
        return settle(duties, *words)

    def shy(*words: Any) -> tuple[float, Any] | None:
        found = furthest(*words)  # the smooth program ends a hair below what it aims at
        return found and (found[0] * (1.0 - 1e-12), found[1])

    monkeypatch.setattr(reach, "settle", counted)
    monkeypatch.setattr(reach, "furthest", shy)
    path = folder / "system.yaml"
    path.write_text(MODES.replace("IDLE", idle), encoding="utf-8")
    system = load_system(path, catalog())
    return reach.best_speeds(system, reach.present_networks(system)), len(looks)


@pytest.mark.long
def test_a_reach_above_the_targets_is_leapt_to(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found, looks = told(tmp_path, "", monkeypatch)

    assert found.scale > 1.05
    assert looks <= 6  # by steps and halves it took fifteen and more


@pytest.mark.long
def test_a_mode_in_which_nothing_runs_changes_no_reach(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    alone, _ = told(tmp_path, "", monkeypatch)
    with_feeding, _ = told(tmp_path, "  feeding: {dc: off}", monkeypatch)

    assert with_feeding.scale == pytest.approx(alone.scale, rel=1e-6)
    assert set(with_feeding.flows_m3_s) == {"day", "night", "feeding"}
    assert max(with_feeding.flows_m3_s["feeding"].values()) == pytest.approx(0.0, abs=1e-9)


def test_it_ends_with_the_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(TimeIsUp), limited(0.0):
        told(tmp_path, "", monkeypatch)


@pytest.mark.long
def test_a_valve_that_must_take_much_before_another_line_carries_anything_is_found(tmp_path: Path) -> None:
    """With the gate valve open all water of the side line runs to the sump, however far it is shut at first."""
    path = tmp_path / "system.yaml"
    path.write_text(MODES.replace("IDLE", ""), encoding="utf-8")
    system = load_system(path, catalog())
    climb = reach._Climb(system, reach.present_networks(system))

    found = settle(climb.duties(1.0), climb.conditions)

    assert found is not None
    assert found.met
    flows = found.flows_m3_s["day"]
    assert flows["frag feed"] > 500 / 3.6e6
    assert 0.1 <= flows["scrubber line"] / flows["side"] <= 0.25
