"""What stands already may have any two ends: a part that no catalog row is gets an estimated loss, and says so."""

from pathlib import Path

import pytest

from optimizer import pipeline
from optimizer.documents.flows_text import loss_blocks
from optimizer.documents.tables import plain_text
from optimizer.errors import InputError
from optimizer.joints.bores import step_square_s2_m5
from optimizer.model.catalog import LossMethod

FILE = """
system: odd parts
units: metric
surfaces: {{sump: 0 m, tank: 1.4 m}}
pumps: {{lift: {{curve: [0 L/h at 4 m, 2000 L/h at 3 m, 4000 L/h at 0 m], ports: 1 in NPT male}}}}
runs:
  line:
    from: sump
    to: tank
    size: 1 in sch 40 PVC
    parts: [pump lift, {odd}, 3/4 in coupling, 3/4 in pipe 2 m, 3/4 in elbow, 3/4 in ball valve, 3/4 in pipe 300 mm]
targets: {{line: at least 1200 L/h}}
"""
ODD = "adapter 1 in NPT female x 3/4 in spigot"  # no row of the shipped catalogs


def _path(tmp_path: Path, odd: str) -> Path:
    path = tmp_path / "odd.yaml"
    path.write_text(FILE.format(odd=odd))
    return path


def test_a_part_of_any_two_ends_is_read_with_what_its_bores_lose(tmp_path: Path) -> None:
    system, catalog = pipeline.read(_path(tmp_path, ODD))
    part = system.network.runs["line"].parts[1]

    assert part.item is not None
    assert part.item.item_id not in catalog.items
    assert [str(end) for end in part.ends] == ["1 in NPT female", "3/4 in spigot"]
    assert part.item.loss.method is LossMethod.BORES
    assert (part.item.loss.source, part.item.loss.band_low, part.item.loss.band_high) == ("estimate", 0.5, 2.0)
    assert step_square_s2_m5(*part.end_bores_m) > 0.0


def test_it_is_marked_wherever_it_is_named(tmp_path: Path) -> None:
    system, _ = pipeline.read(_path(tmp_path, ODD))
    solution, rows = pipeline.losses(system)

    assert any("not in the catalog" in remark for remark in system.remarks)
    assert "not in the catalog, loss estimated" in plain_text(loss_blocks(system, rows))
    assert solution.flows_m3_s["line"] > 0.0


def test_a_plan_can_keep_it_and_never_buys_it(tmp_path: Path) -> None:
    system, catalog = pipeline.read(_path(tmp_path, ODD))
    report = pipeline.plan(system, catalog, time_limit_s=30.0)

    assert report.verification.passed
    assert not any("not in the catalog" in line.description for line in report.bill.lines)


def test_an_end_that_no_row_has_is_still_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="which the catalog does not have"):
        pipeline.read(_path(tmp_path, "adapter 1 in NPT female x 11 in socket"))


def test_what_is_to_be_bought_must_be_in_a_catalog(tmp_path: Path) -> None:
    path = _path(tmp_path, "adapter 1 in NPT female x socket, reducing coupling to 3/4 in")
    path.write_text(
        f"{path.read_text()}rules: {{second pump: {{how: side by side, line: [{ODD}, 3/4 in pipe 1 m]}}}}\n"
    )

    with pytest.raises(InputError, match="which the catalog does not have"):
        pipeline.read(path)
