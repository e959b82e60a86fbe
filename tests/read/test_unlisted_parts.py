"""What stands already may have any two ends: a part that no catalog row is gets an estimated loss, and says so."""

from pathlib import Path

import pytest

from optimizer import pipeline
from optimizer.documents.flows_text import loss_blocks
from optimizer.documents.tables import plain_text
from optimizer.errors import InputError
from optimizer.joints.bores import step_square_s2_m5
from optimizer.model.catalog import CatalogItem, Kind, LossMethod
from optimizer.model.system import System

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


def test_it_is_turned_so_that_its_ends_meet_their_neighbours(tmp_path: Path) -> None:
    system, _ = pipeline.read(_path(tmp_path, "adapter 3/4 in spigot x 1 in NPT female"))
    part = system.network.runs["line"].parts[1]

    assert [str(end) for end in part.ends] == ["1 in NPT female", "3/4 in spigot"]
    assert part.reverse
    assert part.end_bores_m[0] > part.end_bores_m[1]


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


TEE_FILE = """
system: an odd tee
units: metric
surfaces: {{sump: 0 m, tank: 1.4 m}}
pumps: {{lift: {{curve: [0 L/h at 4 m, 2000 L/h at 3 m, 4000 L/h at 0 m], ports: 1 in NPT male}}}}
runs:
  riser: {{from: sump, to: split, size: 1 in sch 40 PVC, parts: [pump lift, female adapter, pipe 1 m]}}
  on: {{from: split, to: tank, size: 3/4 in sch 40 PVC, parts: [pipe 1 m]}}
  aside: {{from: split branch, to: tank, size: 3/4 in sch 40 PVC, parts: [pipe 1 m]}}
targets: {{on: at least 500 L/h, aside: at least 500 L/h}}
{more}
"""


def test_a_tee_that_no_row_is_has_the_sizes_of_its_runs_and_says_so(tmp_path: Path) -> None:
    path = tmp_path / "odd.yaml"
    path.write_text(TEE_FILE.format(more=""))
    system, catalog = pipeline.read(path)
    tee = system.network.tees["split"].item
    solution, rows = pipeline.losses(system)

    assert tee is not None
    assert tee.item_id not in catalog.items
    assert [str(end) for end in tee.ends] == ["1 in socket", "3/4 in socket", "3/4 in socket"]
    assert any("tee 'split' with legs 1 in x 3/4 in x 3/4 in is not in the catalog" in line for line in system.remarks)
    assert "(not in the catalog, loss estimated) at split" in plain_text(loss_blocks(system, rows))
    assert solution.flows_m3_s["on"] + solution.flows_m3_s["aside"] == pytest.approx(solution.flows_m3_s["riser"])


def test_a_plan_keeps_such_a_tee_or_buys_one_that_there_is(tmp_path: Path) -> None:
    path = tmp_path / "odd.yaml"
    path.write_text(TEE_FILE.format(more=""))
    report = pipeline.plan(*pipeline.read(path), time_limit_s=30.0)

    assert report.verification.passed
    assert not any("not in the catalog" in line.description for line in report.bill.lines)


def test_an_opening_of_such_a_tee_must_still_fit_its_run(tmp_path: Path) -> None:
    path = tmp_path / "odd.yaml"
    path.write_text(TEE_FILE.format(more="tees: {split: 1 in socket x 3/4 in socket x 1/2 in NPT female}"))

    with pytest.raises(InputError, match="1/2 in NPT female"):  # beside the pipe of 3/4 in.
        pipeline.read(path)


@pytest.mark.parametrize(("leg", "onward"), [("", " branch"), (" branch", "")])
def test_the_tee_of_a_closed_stub_may_be_one_that_no_row_is(tmp_path: Path, leg: str, onward: str) -> None:
    text = TEE_FILE.format(more="").replace("from: split, to", f"from: split{onward}, to")
    stub = f"  aside: {{from: split{leg}, size: 1/2 in sch 40 PVC, parts: [pipe 5 cm, cap]}}"
    lines = [stub if line.startswith("  aside") else line for line in text.splitlines()]
    path = tmp_path / "odd.yaml"
    path.write_text("\n".join(lines).replace(", aside: at least 500 L/h", ""))
    system, _ = pipeline.read(path)
    (run,) = system.network.runs.values()

    assert [str(end) for end in run.parts[3].ends] == ["1 in socket", "3/4 in socket"]
    assert any("with 'aside' closed' is not in the catalog" in line for line in system.remarks)


def test_a_part_named_by_its_kind_alone_takes_the_pipe_or_the_threads_that_stand_beside_it(tmp_path: Path) -> None:
    odd = "female adapter, strainer, pipe 10 cm, male adapter, strainer, male adapter, bushing to 3/4 in"
    system, _ = pipeline.read(_path(tmp_path, odd))
    plain, threaded = (part for part in system.network.runs["line"].parts if part.kind is Kind.STRAINER)

    assert [str(end) for end in plain.ends] == ["1 in socket", "1 in socket"]
    assert [str(end) for end in threaded.ends] == ["1 in NPT female", "1 in NPT female"]


def test_a_larger_strainer_is_taken_to_lose_as_many_velocity_heads_as_the_one_in_the_catalog(tmp_path: Path) -> None:
    # K = 1.6e9 D^4 / Kv^2 (IEC 60534, D in m, Kv in m3/h): Kv grows as the square of the bore
    system, catalog = pipeline.read(_path(tmp_path, "adapter NPT female x socket, strainer, bushing to 3/4 in"))
    part = next(part for part in system.network.runs["line"].parts if part.kind is Kind.STRAINER)
    listed = catalog.items["strainer-075-npt"]

    assert part.item is not None
    bores = part.item.loss.bore_m, listed.loss.bore_m
    assert part.item.loss.coefficients[0] == pytest.approx(listed.loss.coefficients[0] * (bores[0] / bores[1]) ** 2)
    assert bores[0] > bores[1]


def test_what_opens_into_the_tank_in_a_size_that_no_row_has_is_the_next_one_made_larger(tmp_path: Path) -> None:
    # the row of 3/4 in.: a bore of 18.39 mm, a nozzle of 17 mm, K 1.5 on it
    path = _path(tmp_path, "adapter NPT female x socket, bushing to 3/4 in")
    hose = "adapter 3/4 in socket x 1 in NPT female, 1 in ball-joint hose"
    path.write_text(path.read_text().replace("3/4 in pipe 300 mm", f"3/4 in pipe 300 mm, {hose}"))
    system, _ = pipeline.read(path)
    item = system.network.runs["line"].parts[-1].item

    assert item is not None
    assert [str(end) for end in item.ends] == ["1 in NPT male", "1 in open"]
    assert item.end_bores_m[1] / item.end_bores_m[0] == pytest.approx(17 / 18.39)
    assert item.loss.coefficients == (1.5,)
    assert "not in the catalog" in item.description


@pytest.mark.parametrize(
    ("size", "parts", "ends"),
    [
        ("2 in", "elbow, bushing to 1/2 in, pipe 1 m", ["2 in spigot", "1/2 in socket"]),
        ("1/2 in", "pipe 1 m, bushing to 2 in, elbow", ["1/2 in socket", "2 in spigot"]),
    ],
)
def test_a_bushing_sits_in_the_wider_end_whichever_way_the_water_goes(
    tmp_path: Path, size: str, parts: str, ends: list[str]
) -> None:
    path = tmp_path / "odd.yaml"
    line = f"line: {{from: upper, to: sump, size: {size} sch 40 PVC, parts: [{parts}]}}"
    path.write_text(f"system: by gravity\nunits: metric\nsurfaces: {{sump: 0 m, upper: 1 m}}\nruns:\n  {line}\n")
    system, _ = pipeline.read(path)
    (bushing,) = (part for part in system.network.runs["line"].parts if part.kind is Kind.BUSHING)

    assert [str(end) for end in bushing.ends] == ends


BAR_FILE = """
system: a wide spray bar
units: metric
surfaces: {{sump: 0 m}}
outlets: {{over: 1.4 m}}
pumps: {{lift: {{curve: [0 L/h at 4 m, 2000 L/h at 3 m, 4000 L/h at 0 m], ports: 1 in NPT male}}}}
runs:
  line:
    from: sump
    to: over
    size: 1-1/2 in sch 40 PVC
    parts: [pump lift, adapter 1 in NPT female x 1 in socket, 1 in pipe 100 mm, reducing coupling to 1-1/2 in, pipe 1 m,
      {bar}]
targets: {{line: any}}
"""


def bar_of(tmp_path: Path, bar: str) -> tuple[System, CatalogItem]:
    path = tmp_path / "bar.yaml"
    path.write_text(BAR_FILE.format(bar=bar))
    system, _ = pipeline.read(path)
    item = system.network.runs["line"].parts[-1].item
    assert item is not None
    return system, item


def test_a_spray_bar_of_a_size_that_no_row_has_loses_what_its_holes_say_and_is_marked(tmp_path: Path) -> None:
    # by hand: 20 holes of 6 mm are one of 26.8 mm; Q = 0.61 A (2 g h)^0.5, so (1/0.61² - 1) velocity heads beside the
    # jets' own
    system, item = bar_of(tmp_path, "spray bar with 20 holes of 6 mm")

    assert str(item.ends[0]) == "1-1/2 in socket"
    assert item.loss.bore_m == pytest.approx(0.006 * 20**0.5)
    assert item.loss.coefficients == pytest.approx((1 / 0.61**2 - 1,))
    assert item.description == "1-1/2 in. sch 40 PVC spray bar, 20 holes of 6 mm (not in the catalog, loss estimated)"
    assert any("'spray bar with 20 holes of 6 mm' is not in the catalog" in line for line in system.remarks)


def test_one_whose_holes_nobody_counted_is_the_largest_of_the_catalog_made_larger(tmp_path: Path) -> None:
    # the row of 1 in.: a bore of 26.24 mm and holes that are together one of 27.71 mm
    _, item = bar_of(tmp_path, "spray bar")

    assert item.loss.bore_m == pytest.approx(item.end_bores_m[0] * 27.71 / 26.24)
    assert (item.loss.source, item.loss.band_low, item.loss.band_high) == ("estimate", 0.5, 2.0)


def test_such_a_bar_stays_and_is_never_bought(tmp_path: Path) -> None:
    bar_of(tmp_path, "spray bar with 20 holes of 6 mm")
    path = tmp_path / "bar.yaml"
    path.write_text(path.read_text().replace("{line: any}", "{line: at least 2500 L/h}"))
    report = pipeline.plan(*pipeline.read(path), time_limit_s=30.0)

    assert report.verification.passed
    assert not any("not in the catalog" in line.description for line in report.bill.lines)
