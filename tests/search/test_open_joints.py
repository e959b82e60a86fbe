"""Places that are not connected yet: each is tried before any search, and a union is never asked of what has none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from said import worded
from test_own_lists import bought, with_prices

from optimizer import pipeline
from optimizer.choices.open_joints import cemented_machines, open_places
from optimizer.cli import main
from optimizer.documents.note_words import all_notes
from optimizer.errors import NoPlanError
from optimizer.model.kinds import Kind
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.search.cheapest import find_plan
from optimizer.search.studies.kinds import kinds_of_plan
from optimizer.search.studies.ways_out import present_share
from optimizer.search.watch import Watch

FILE = """
system: Places that are not connected yet
units: US
surfaces: {{sump: 0 ft, bin: 2 ft}}
supplies: {{house: {{pressure: 40 psi, elevation: 2 ft}}}}
pumps: {{p: {{curve: [0 gph at 12 ft, 400 gph at 10 ft, 800 gph at 0 ft], ports: 3/4 in NPT male}}}}
devices: {{unit: {{loss: 2 ft at 20 gph, ports: {ports}}}}}
runs:
  return: {{from: sump, to: bin, size: 3/4 in sch 40 PVC, parts: [pump p, adapter NPT female x socket, pipe 4 ft]}}
  line: {{from: house, to: bin, size: {size}, parts: [{parts}]}}
targets: {{line: at least 1 gph}}
"""
CASES = [
    ("1/4 in BSPP male", "1/4 in PE tube", "tube 3 ft, open joint, device unit, open joint, tube 5 ft"),
    ("3/4 in NPT female", "1/4 in PE tube", "tube 3 ft, open joint, device unit, open joint, tube 5 ft"),
    ("1/4 in NPT male", "1 in sch 40 PVC", "pipe 3 ft, open joint, device unit, open joint, pipe 5 ft"),
    ("3/4 in GHT male", "1/2 in vinyl hose", "hose 3 ft, open joint, device unit, open joint, hose 5 ft"),
    ("3/4 in socket", "3/4 in sch 40 PVC", "pipe 3 ft, open joint, device unit, open joint, pipe 5 ft"),
    ("3/4 in barb", "3/4 in sch 40 PVC", "pipe 3 ft, open joint, device unit, open joint, pipe 5 ft"),  # a tail of hose
    ("2 in socket", "1/4 in PE tube", "tube 3 ft, open joint, device unit, open joint, tube 5 ft"),
]


def written(folder: Path, ports: str, size: str, parts: str) -> Path:
    path = folder / "system.yaml"
    path.write_text(FILE.format(ports=ports, size=size, parts=parts), encoding="utf-8")
    return path


@pytest.mark.parametrize(("ports", "size", "parts"), CASES)
def test_what_can_be_connected_is_connected_by_the_plan_with_unions_kept(
    tmp_path: Path, ports: str, size: str, parts: str
) -> None:
    path = written(tmp_path, ports, size, parts)
    system, catalog = pipeline.read(path, ())
    assert system.rules.keep_services
    places = open_places(system, catalog)

    assert [place.run for place in places] == ["line", "line"]
    assert all(place.least_cents is not None and not place.why_not for place in places)
    found = pipeline.search(system, catalog)
    bought = found.runs["line"].purchases
    least = sum(place.least_cents or 0 for place in places)
    assert bought or not least
    assert sum(one.item.price_cents for one in bought) >= least
    assert all(part.kind is not Kind.OPEN_JOINT for part in found.runs["line"].parts)


def test_check_says_which_place_has_no_way_and_why(tmp_path: Path) -> None:
    path = written(
        tmp_path, "3 in NPT male", "1/4 in PE tube", "tube 3 ft, open joint, device unit, open joint, tube 5 ft"
    )
    places = open_places(load_system(path, load_catalog()), load_catalog())
    output = CliRunner().invoke(main, ["check", str(path)]).output

    assert all(place.least_cents is None for place in places)
    assert "There is NO way to connect them: no piece ends in what 3 in NPT male takes." in output
    assert "not connected yet between the tube 3 ft and device unit: 1/4 in tube to 3 in NPT male" in output


@pytest.mark.parametrize(
    ("parts", "asked"),
    [
        ("pipe 3 ft, device unit, pipe 5 ft", True),  # nothing comes apart towards the house
        ("pipe 3 ft, union, pipe 2 in, device unit, pipe 5 ft", False),  # and the far end is free in the bin
        ("pipe 3 ft, open joint, device unit, pipe 5 ft", False),
    ],
)
def test_a_machine_that_cement_holds_is_asked_about_by_name(tmp_path: Path, parts: str, asked: bool) -> None:
    text = FILE.replace("from: house, to: bin", "from: t, to: bin").replace(
        "targets:",
        "  feed: {{from: house, to: t, size: 3/4 in sch 40 PVC, parts: [pipe 1 ft]}}\n"
        "  other: {{from: t branch, to: bin, size: 3/4 in sch 40 PVC, parts: [pipe 1 ft]}}\ntargets:",
    )
    path = tmp_path / "system.yaml"
    path.write_text(text.format(ports="3/4 in socket", size="3/4 in sch 40 PVC", parts=parts), encoding="utf-8")
    found = cemented_machines(load_system(path, load_catalog()))

    assert (("line", "device unit") in found) == asked
    output = CliRunner().invoke(main, ["check", str(path)]).output
    assert ("device unit is cemented in" in output) == asked


@pytest.mark.parametrize(
    ("ports", "size", "parts"),
    [
        ("3/4 in BSPP male", "3/4 in sch 40 PVC", "pipe 3 ft, open joint, device unit, open joint, pipe 5 ft"),
        ("3/4 in NPT female", "3/4 in sch 40 PVC", "pipe 3 ft, open joint, device unit, open joint, pipe 5 ft"),
        ("3/4 in GHT male", "1/2 in vinyl hose", "hose 3 ft, open joint, device unit, open joint, hose 5 ft"),
    ],
)
def test_no_union_is_bought_beside_a_port_that_unscrews(tmp_path: Path, ports: str, size: str, parts: str) -> None:
    system, catalog = pipeline.read(written(tmp_path, ports, size, parts), ())
    found = pipeline.search(system, catalog)

    assert found.found
    assert all(one.item.kind is not Kind.UNION for one in found.runs["line"].purchases)


def test_a_union_is_bought_beside_a_port_that_is_cemented(tmp_path: Path) -> None:
    parts = "pipe 3 ft, open joint, device unit, open joint, pipe 5 ft"
    system, catalog = pipeline.read(written(tmp_path, "3/4 in socket", "3/4 in sch 40 PVC", parts), ())
    found = pipeline.search(system, catalog)

    unions = [one for one in found.runs["line"].purchases if one.item.kind is Kind.UNION]
    assert len(unions) == 2


def test_a_device_between_rigid_pipes_is_told_to_need_a_side_that_turns(tmp_path: Path) -> None:
    parts = "pipe 3 ft, open joint, device unit, open joint, pipe 5 ft"
    report = pipeline.plan(*pipeline.read(written(tmp_path, "3/4 in BSPP male", "3/4 in sch 40 PVC", parts), ()))

    assert any("device unit comes out by its threads alone" in words for words in all_notes(report))


def test_what_is_not_connected_yet_reaches_nothing_of_its_targets_today(tmp_path: Path) -> None:
    system = load_system(written(tmp_path, *CASES[0]), load_catalog())
    line = system.network.runs["line"]
    joined = tuple(part for part in line.parts if part.kind is not Kind.OPEN_JOINT)
    closed = replace(system, network=system.network.with_runs({"line": replace(line, parts=joined)}))

    assert present_share(system, Watch.of(30.0)) == 0.0
    assert present_share(closed, Watch.of(30.0)) == 1.0
    beside = [kinds_of_plan(each, load_catalog(), Watch.of(0.0))[-1] for each in (system, closed)]  # no time to search
    assert [worded(one.kind) for one in beside] == ["nothing at all"] * 2
    assert beside[0].reach == 0.0
    assert beside[1].reach >= 1.0


def test_where_nothing_joins_an_open_joint_the_no_says_which_and_why() -> None:
    text = """
system: a device that takes a hose nobody sells, invented
units: metric
surfaces: {sump: 0 m, display: 1.2 m}
pumps: {p: {curve: [[0 L/h, 4 m], [2000 L/h, 3 m], [4000 L/h, 0 m]], ports: 25 mm socket}}
devices: {uv: {loss: 0.4 m at 1000 L/h, ports: 21 mm barb}}
runs:
  line:
    from: sump
    to: display
    size: 25 mm PVC-U PN16
    parts: [pump p, pipe 1 m, ball valve, open joint, device uv, open joint, pipe 50 cm]
targets: {line: at least 500 L/h}
"""
    system = load_system(Path("uv.yaml"), load_catalog(), text.encode())
    with pytest.raises(NoPlanError) as no:
        pipeline.plan(system, load_catalog())

    assert no.value.proved
    assert "in run 'line' nothing in the catalogs joins 25 mm socket to 21 mm barb" in str(no.value)


@pytest.mark.long
def test_where_the_list_is_too_short_the_reasons_name_in_trade_words_what_it_lacks(tmp_path: Path) -> None:
    system, catalog = with_prices(tmp_path, ["sch40-pipe-150,1.99", "sch40-elbow-150,1.99"])
    free = find_plan(replace(system, rules=replace(system.rules, own_lists_only=False)), catalog).plan

    with pytest.raises(NoPlanError) as caught:
        pipeline.plan(system, catalog)

    way = next(reason for reason in caught.value.reasons if "buy only from: every catalog" in reason)
    lacking = {item.description for item in bought(free) if item.item_id not in catalog.own}
    assert caught.value.proved
    named = {words for words in lacking if words in way}  # another plan may be found in the time there is
    assert {words.split(", ")[0] for words in named} >= {
        "1-1/2 in. sch 40 PVC swing check valve",
        "1-1/2 × 1 in. sch 40 PVC reducing coupling",
    }
    assert load_catalog().items["sch40-elbow-150"].description not in way
