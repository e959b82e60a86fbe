"""A time limit bounds all of a search, whatever it is at when the time comes. The systems are invented."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import pytest
from cli.running import ROOT
from said import said
from small_trees import full_catalog, random_tree, small_catalog

from optimizer import pipeline
from optimizer.clock import TimeIsUp, left_s, limited, look, unlimited
from optimizer.model.plan import Status
from optimizer.model.system import System
from optimizer.read.systems import load_system

SPARE_S = 2.0


def comb(teeth: int, targets: bool = True) -> System:
    """Return a manifold with so many outlets, none of them with a valve."""
    points = ["surfaces: {sump: 0 m", *(f", tank{i}: 1 m" for i in range(teeth)), "}"]
    lines = [
        "system: Comb",
        "units: metric",
        "".join(points),
        "pumps: {return: {curve: [0 L/h at 6 m, 9000 L/h at 5 m, 20000 L/h at 0 m], ports: 1 in NPT male}}",
        "runs:",
        "  riser: {from: sump, to: t0, size: 1 in sch 40 PVC, "
        "parts: [pump return, adapter NPT female x socket, pipe 0.5 m]}",
    ]
    body = "pipe 0.5 m, elbow, pipe 0.4 m, elbow, pipe 0.3 m"
    for i in range(teeth):
        lines.append(f"  out{i}: {{from: t{i} branch, to: tank{i}, size: 1 in sch 40 PVC, parts: [{body}]}}")
        end = f"to: t{i + 1}" if i + 1 < teeth else "to: last"
        lines.append(f"  link{i}: {{from: t{i}, {end}, size: 1 in sch 40 PVC, parts: [pipe 0.3 m]}}")
    lines[2] = lines[2].replace("}", ", last: 1.1 m}")
    lines += ["targets:", *(f"  out{i}: at least 300 L/h" for i in range(teeth))]
    lines.append("rules: {sizes: [1 in, 1-1/4 in, 1-1/2 in]}")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "system.yaml"
        path.write_text("\n".join(lines))
        return load_system(path, full_catalog())


@pytest.mark.long
@pytest.mark.parametrize("limit_s", [0.5, pytest.param(3.0, marks=pytest.mark.slow)])
def test_a_search_of_many_runs_without_a_valve_ends_in_its_time(limit_s: float) -> None:
    system = comb(24)
    began, clock = time.process_time(), time.monotonic()
    found = pipeline.search(system, full_catalog(), time_limit_s=limit_s)
    taken_s = time.process_time() - began

    assert found.status in (Status.FEASIBLE, Status.NO_PLAN_FOUND)
    assert taken_s < limit_s + SPARE_S
    assert time.monotonic() - clock < 4.0 * (limit_s + SPARE_S)  # a busy machine is slower by the clock


def test_what_is_inside_gets_no_more_time_than_what_is_around_it() -> None:
    with limited(100.0):
        with limited(1e9):
            assert left_s() < 101.0
        with limited(-1.0), pytest.raises(TimeIsUp):
            look()
        look()
        with limited(-1.0), unlimited():
            look()
    look()


def test_without_time_a_search_of_known_flows_says_so() -> None:
    found = pipeline.search(random_tree(3, small_catalog()), small_catalog(), time_limit_s=0.0)

    assert found.status is Status.NO_PLAN_FOUND
    assert "time limit" in said(found.reasons)[0]


@pytest.mark.long
def test_the_most_flow_ends_in_its_time_where_the_pump_lifts_far_too_little(tmp_path: Path) -> None:
    text = (ROOT / "examples" / "metric-unions.yaml").read_text(encoding="utf-8")
    high = text.replace("display: 1.9 m", "display: 38 m").replace("rules:", "rules:\n  budget: 40 USD")
    assert high.count("38 m") == 1
    assert high.count("budget: 40") == 1
    (tmp_path / "high.yaml").write_text(high, encoding="utf-8")
    system, catalog = pipeline.read(tmp_path / "high.yaml")
    began = time.process_time()

    found = pipeline.most_flow(system, catalog, time_limit_s=1.0)

    assert not found.plan.found
    assert time.process_time() - began < 1.0 + SPARE_S
