"""Hose that goes over into pipe: each stretch is planned in its own kind and sizes. Invented plumbing."""

from __future__ import annotations

from pathlib import Path

from optimizer import pipeline
from optimizer.model.catalog import Kind
from optimizer.model.plan import Plan, Status
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.verify.check import verify_plan

SYSTEM = """
system: Hose and pipe
units: metric
water: {{salinity: 35 g/kg, temperature: 25 degC}}
surfaces: {{sump: 0, display: 1.27 m}}
pumps:
  return:
    curve: [[0 L/h, 3.96 m], [1500 L/h, 3.35 m], [3000 L/h, 2.29 m], [4700 L/h, 0 m]]
    ports: 1 in barb
runs:
  return line:
    from: sump
    to: display
    size: {size}
    parts:
{parts}
targets: {{return line: at least 2900 L/h}}
rules: {{sizes: [3/4 in, 1 in]}}
"""
PARTS = (
    *("pump return", "1 in hose 1.2 m"),
    "1 in adapter barb x socket",
    "bushing to 3/4 in",
    *("3/4 in pipe 35 cm", "3/4 in elbow") * 2,
    "3/4 in pipe 20 cm",
)


def planned(tmp_path: Path, size: str) -> Plan:
    path = tmp_path / "system.yaml"
    parts = "\n".join(f"      - {part}" for part in PARTS)
    path.write_text(SYSTEM.format(size=size, parts=parts), encoding="utf-8")
    system = load_system(path, load_catalog())

    plan = pipeline.search(system, load_catalog())
    assert not plan.found or verify_plan(system, plan).passed
    return plan


def test_the_stretch_of_pipe_behind_hose_grows_within_the_sizes_allowed(tmp_path: Path) -> None:
    plan = planned(tmp_path, "1 in vinyl hose")

    assert plan.status is Status.OPTIMAL
    new = [part for part in plan.runs["return line"].parts if not part.existing and part.kind is Kind.PIPE]
    assert new
    assert {part.item.family for part in new if part.item} == {"sch 40 PVC"}
    assert any(part.kind is Kind.HOSE and part.existing for part in plan.runs["return line"].parts)


def test_a_run_written_in_pipe_that_begins_with_hose_is_the_same_plumbing(tmp_path: Path) -> None:
    by_hose = planned(tmp_path, "1 in vinyl hose")
    by_pipe = planned(tmp_path, "1 in sch 40 PVC")

    assert by_hose.cost_cents == by_pipe.cost_cents
