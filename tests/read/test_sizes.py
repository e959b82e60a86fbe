"""A nominal size is a name, but one whose number can be put in order: anything else is refused where it stands."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.errors import InputError, QuantityError
from optimizer.model.catalog import Kind
from optimizer.model.ends import Form
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.read.words import in_size_order, nominal_number, parse_end, parse_end_words, parse_size

EXAMPLE = Path(__file__).parents[2] / "examples" / "cellar-sump.yaml"


@pytest.mark.parametrize("size", ["1-1/0 in", "1/0 in", "1//2 in", "1-1/2 mm", "1-2-3 in", "1/2/3 in", "99999 in"])
def test_what_has_no_place_in_the_order_of_sizes_is_no_size(size: str) -> None:
    with pytest.raises(QuantityError, match="allowed: a nominal size such as"):
        parse_size(size)
    with pytest.raises(QuantityError, match="allowed: a"):
        parse_end_words(f"{size} socket")


def test_sizes_of_the_catalogs_are_sizes_and_have_their_place() -> None:
    sizes = {end.size for item in load_catalog().items.values() for end in item.ends if end.size}

    assert {parse_size(size) for size in sizes} == sizes
    assert all(nominal_number(size) > 0.0 for size in sizes)
    assert in_size_order(["1-1/2 in", "12/16 mm", "3/4 in"]) == ["3/4 in", "1-1/2 in", "12/16 mm"]


def test_an_end_of_no_size_beside_a_tee_is_told_with_its_place(tmp_path: Path) -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    path = tmp_path / "system.yaml"
    path.write_text(text.replace("size: 1 in sch 40 PVC", "size: 1-1/0 in sch 40 PVC", 1), encoding="utf-8")
    with pytest.raises(InputError, match=r"system.yaml:\d+:\d+: found '1-1/0 in"):
        load_system(path, load_catalog())


SUCTION = """
system: A pump with a wide suction
units: US
water: {salinity: 35 g/kg, temperature: 77 degF}
surfaces: {sump: 0 ft, display: 4 ft}
pumps: {return: {curve: [0 gph at 12 ft, 1200 gph at 0 ft], ports: {in: 1-1/4 in NPT female, out: 1 in NPT male}}}
runs:
  line:
    from: sump
    to: display
    size: 1 in sch 40 PVC
    parts: [1-1/4 in pipe 6 in, adapter 1-1/4 in socket x 1-1/4 in NPT male, pump return, ADAPTER, pipe 4 ft]
targets: {line: at least 500 gph}
"""


@pytest.mark.parametrize(
    ("adapter", "size"),
    [("adapter NPT female x socket", "1 in"), ("adapter 1 in NPT female x 1-1/2 in socket", "1-1/2 in")],
)
def test_an_adapter_to_a_thread_behind_pieces_of_another_size_leaves_the_size_of_the_run(
    tmp_path: Path, adapter: str, size: str
) -> None:
    path = tmp_path / "system.yaml"
    path.write_text(SUCTION.replace("ADAPTER", adapter), encoding="utf-8")
    pipes = [part for part in load_system(path, load_catalog()).network.runs["line"].parts if part.kind is Kind.PIPE]

    assert [pipe.ends[0].size for pipe in pipes] == ["1-1/4 in", size]


@pytest.mark.parametrize(
    ("text", "size"),
    [("25 mm barb", "25/32 mm"), ("16 mm barb", "16/22 mm"), ("25/32 mm barb", "25/32 mm"), ("20 mm barb", "20 mm")],
)
def test_a_metric_barb_may_be_named_by_the_bore_of_its_hose(text: str, size: str) -> None:
    # barbs are named for the inner diameter of the hose: common practice, no source
    assert parse_end(text).size == size


def test_the_hoses_that_a_bore_stands_for_are_those_of_the_catalog() -> None:
    hoses = {
        end.size
        for item in load_catalog().items.values()
        for end in item.ends
        if end.form is Form.HOSE and end.size.endswith("mm")
    }

    assert {parse_end(f"{size.split('/')[0]} mm barb").size for size in hoses} == hoses


def test_a_socket_of_so_many_millimetres_stays_one() -> None:
    assert parse_end("25 mm socket").size == "25 mm"
