"""How fast plans come where flows are not known: pytest tests/benchmarks/test_unknown_flow_speed.py -m slow -s.

Times are of the processor, and are printed. On a machine whose cores are shared they come to about twice those of an
idle one, which the bars allow for. The systems are invented.
"""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from test_search_speed import SHARED, cellar, unthrottled

from optimizer.model.plan import Status
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.search.unknown_flows import find_unknown

pytestmark = pytest.mark.slow
ENOUGH_S = 600.0  # of the clock, so that no time limit comes between
LINES = ("left outlet", "right outlet", "scrubber line", "uv line", "carbon line", "phosphate line", "skimmer line")

TWO_OUTLETS = """
system: Two outlets, one target
units: US
surfaces: {sump: 0, display: 13 ft}
pumps:
  return:
    curve: [0 gal/h at 32 ft, 1000 gal/h at 29 ft, 2000 gal/h at 23 ft, 3000 gal/h at 14 ft, 3800 gal/h at 0 ft]
    ports: {in: 1-1/2 in NPT female, out: 1-1/2 in NPT female}
runs:
  riser:
    from: sump
    to: split
    size: 1 in sch 40 PVC
    parts: [1-1/2 in bulkhead, 1-1/2 in pipe 6 in, 1-1/2 in union, 1-1/2 in pipe 4 in,
      adapter 1-1/2 in socket x 1-1/2 in NPT male, pump return, adapter 1-1/2 in NPT male x 1-1/2 in socket,
      bushing to 1 in, pipe 3 in, union, pipe 4 in, swing check valve, pipe 3 in, ball valve, pipe 4 in, elbow,
      pipe 12 ft, elbow, pipe 9 ft, elbow, pipe 3 ft, elbow, pipe 2 ft]
  left: {from: split, to: display, size: 1 in sch 40 PVC,
    parts: [bushing to 3/4 in, pipe 10 in, elbow, pipe 18 in, elbow, pipe 6 in]}
  right: {from: split branch, to: display, size: 3/4 in sch 40 PVC,
    parts: [pipe 4 in, elbow, pipe 3 ft, elbow, pipe 6 in]}
targets: {left + right: at least 1500 gal/h}
rules: {sizes: [3/4 in, 1 in, 1-1/4 in, 1-1/2 in], velocity limit: 6 ft/s}
"""
RING = """
system: One small ring
units: metric
surfaces: {sump: 0 m, near: 0.94 m, far: 1 m}
pumps:
  return:
    curve: [0 L/h at 5 m, 1100 L/h at 4.6 m, 2200 L/h at 3 m, 3575 L/h at 0 m]
    ports: 1 in NPT male
    speeds: [60 %, 70 %, 80 %, 90 %, 100 %]
runs:
  riser: {from: sump, to: in, size: 1 in sch 40 PVC,
    parts: [pump return, adapter NPT female x socket, pipe 0.5 m, elbow, pipe 1.2 m]}
  one side: {from: in, to: there, size: 1 in sch 40 PVC, parts: [pipe 0.8 m, elbow, pipe 0.5 m]}
  other side: {from: in branch, to: here, size: 1 in sch 40 PVC, parts: [pipe 0.9 m, elbow, pipe 0.5 m]}
  link: {from: there branch, to: here, size: 1 in sch 40 PVC, parts: [pipe 0.7 m]}
  near outlet: {from: here branch, to: near, size: 1 in sch 40 PVC, parts: [pipe 0.6 m, elbow, pipe 0.4 m]}
  far outlet: {from: there, to: far, size: 1 in sch 40 PVC, parts: [pipe 0.6 m, elbow, pipe 0.3 m]}
targets:
  near outlet: at least 1337 L/h
  far outlet: at least 1730 L/h
rules: {sizes: [1 in, 1-1/4 in, 1-1/2 in], velocity limit: 9 m/s}
"""


def read(text: str, folder: Path) -> System:
    path = folder / "system.yaml"
    path.write_text(text)
    return load_system(path, load_catalog())


@pytest.mark.parametrize(("branches", "bar_s"), [(3, 3.0), (4, 10.0), (5, 60.0), (6, 60.0), (7, 60.0)])
def test_branches_without_a_valve_are_planned_to_a_proof(branches: int, bar_s: float) -> None:
    system, catalog = unthrottled(cellar(), *LINES[:branches]), load_catalog()
    start = time.process_time()
    found = find_unknown(system, catalog, time_limit_s=ENOUGH_S)
    taken = time.process_time() - start
    print(f"\n{branches} branches without a valve: {taken:.1f} s, {found.cents} cents, {found.rounds} boxes")
    assert found.plan.status is Status.OPTIMAL
    assert taken < SHARED * bar_s


@pytest.mark.parametrize(
    ("text", "bar_s"), [(TWO_OUTLETS, 10.0), (RING, 60.0)], ids=["two outlets, a target on their sum", "small ring"]
)
def test_two_outlets_with_a_target_on_their_sum_and_a_small_ring_are_planned_to_a_proof(
    text: str, bar_s: float, tmp_path: Path
) -> None:
    system, catalog = read(text, tmp_path), load_catalog()
    start = time.process_time()
    found = find_unknown(system, catalog, time_limit_s=ENOUGH_S)
    taken = time.process_time() - start
    print(f"\n{system.name}: {taken:.1f} s, {found.cents} cents, {found.rounds} boxes")
    assert found.plan.status is Status.OPTIMAL
    assert taken < SHARED * bar_s


def test_a_small_ring_has_a_plan_soon(tmp_path: Path) -> None:
    system, catalog = read(RING, tmp_path), load_catalog()
    start = time.process_time()
    found = find_unknown(system, catalog, time_limit_s=ENOUGH_S, any_plan=True)
    taken = time.process_time() - start
    print(f"\na small ring: a first plan after {taken:.1f} s, {found.cents} cents")
    assert found.plan.found
    assert taken < SHARED * 5.0
