"""A tail of pipe on the bend that opens into the tank: what it is worth, and that the search may buy it."""

from __future__ import annotations

from pathlib import Path

import pytest
from said import said

from optimizer import pipeline
from optimizer.hydraulics import solve_network
from optimizer.model.catalog import PIPES
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.verify.check import verify_plan

EXAMPLE = Path(__file__).parents[2] / "examples" / "single-return.yaml"
M3_S_PER_GPH = 3.785411784e-3 / 3600.0


def asked(tmp_path: Path, target: str, more: str = "") -> System:
    path = tmp_path / "system.yaml"
    text = EXAMPLE.read_text(encoding="utf-8").replace("at least 700 gal/h", target)
    path.write_text(text + more, encoding="utf-8")
    return load_system(path, load_catalog())


def planned(system: System) -> Plan:
    return pipeline.search(system, load_catalog())


@pytest.mark.long
def test_a_tail_of_pipe_is_the_cheapest_way_to_a_little_more_flow(tmp_path: Path) -> None:
    # By hand: 2 ft of 3/4 in. pipe at 0.79 a foot, a can of primer (4.99) and one of cement (5.49): 12.06. A sweep
    # elbow in place of the last one costs 2.49 for the pipe's 1.58.
    system = asked(tmp_path, "at least 600 gal/h", "\nrules: {velocity limit: 8 ft/s}\n")

    plan = planned(system)

    assert plan.status is Status.OPTIMAL
    assert plan.cost_cents == 2 * 79 + 499 + 549
    *stay, tail = plan.runs["return line"].parts
    assert all(part.existing for part in stay)
    assert tail.kind in PIPES
    assert tail.length_m > tail.end_bores_m[0]
    assert any("tail of pipe" in line for line in said(verify_plan(system, plan).warnings))


def test_a_tail_gives_what_its_line_has_with_pipe_at_its_end(tmp_path: Path) -> None:
    # The line with 1 in. of pipe written at its end, solved as it stands: 608 gal/h, 576 without.
    bare = solve_network(asked(tmp_path, "at least 600 gal/h").network)
    ends = "      - elbow\n", "\ntargets"
    text = EXAMPLE.read_text(encoding="utf-8").replace("".join(ends), "      - pipe 1 in\n".join(ends))
    path = tmp_path / "tailed.yaml"
    path.write_text(text, encoding="utf-8")
    tailed = solve_network(load_system(path, load_catalog()).network)

    assert bare.flows_m3_s["return line"] / M3_S_PER_GPH == pytest.approx(576, abs=1)
    assert tailed.flows_m3_s["return line"] / M3_S_PER_GPH == pytest.approx(608, abs=1)


@pytest.mark.long
def test_new_pipe_on_the_last_bend_keeps_to_the_velocity_limit(tmp_path: Path) -> None:
    plan = planned(asked(tmp_path, "at least 600 gal/h"))

    assert not any(part.kind in PIPES and not part.existing for part in plan.runs["return line"].parts)
