"""Files that are far larger than any plumbing are refused at once, in little time."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from optimizer.errors import InputError
from optimizer.model.catalog import Catalog
from optimizer.read.catalogs import MOST_FAULTS, load_catalog
from optimizer.read.systems import load_system

MOST_S = 15.0  # of processor time; measured: 0.1 to 5 s
HEAD = """system: Large
units: US
surfaces: {sump: 0 ft, display: 6 ft}
pumps:
  return: {curve: [[0 gal/h, 20 ft], [2000 gal/h, 0 ft]], ports: 1 in NPT male}
"""
RUN = "{from: sump, to: display, size: 1 in sch 40 PVC, parts: [%s]}"


def said_of(path: Path, text: str, catalog: Catalog) -> tuple[str, ...]:
    path.write_text(text, encoding="utf-8")
    begun = time.process_time()
    with pytest.raises(InputError) as caught:
        load_system(path, catalog)
    assert time.process_time() - begun < MOST_S
    return tuple(str(fault) for fault in caught.value.faults)


@pytest.mark.long
@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("#" * 1_000_001, "a file of more than 1,000 kB"),
        ("runs:\n  a: " + RUN % ", ".join(["elbow x 50"] * 3000), "a run of more than 1,000 parts"),
        (
            "runs:\n  a: &r " + RUN % ", ".join(["elbow x 50"] * 19) + "".join(f"\n  r{n}: *r" for n in range(1000)),
            "more than 20,000 parts",
        ),
        ("runs:\n  a: &r " + RUN % "elbow" + "".join(f"\n  r{n}: *r" for n in range(3000)), "3,001 runs"),
        ("".join(f"colour {n}: red\n" for n in range(4_000)), "200 errors or more"),
        ("note: " + "x" * 5000, "a text of 5,000 characters"),
    ],
)
def test_a_file_beyond_any_plumbing_is_refused_soon(text: str, words: str, tmp_path: Path, catalog: Catalog) -> None:
    told = said_of(tmp_path / "large.yaml", HEAD + text, catalog)

    assert any(words in line for line in told)
    assert len(told) <= MOST_FAULTS + 1


def test_a_list_that_is_wrong_throughout_is_not_told_row_by_row(tmp_path: Path) -> None:
    path = tmp_path / "prices.csv"
    rows = [f"no-such-item-{n},1.05,USD,2026-11-01" for n in range(20_000)]
    path.write_text("\n".join(["item_id,price,currency,price_date", *rows]))

    begun = time.process_time()
    with pytest.raises(InputError) as caught:
        load_catalog([path])

    assert time.process_time() - begun < MOST_S
    assert len(caught.value.faults) == MOST_FAULTS + 1
    assert str(caught.value.faults[-1]).startswith("prices.csv, row 202: found 200 errors or more before this row")
