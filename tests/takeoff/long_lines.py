"""The small example with a straight longer than any length of the store: planned once for all tests of that."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

from optimizer import pipeline
from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.outcome import PlanReport
from optimizer.model.system import System
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system
from optimizer.takeoff.take_off import TakeOff


@cache
def catalog() -> Catalog:
    """Return the shipped rows of two sizes of schedule 40, which are soon searched."""
    whole = pipeline.read(data_directory("examples") / "single-return.yaml")[1]

    def wanted(item: CatalogItem) -> bool:
        return item.family == "sch 40 PVC" and all(end.size in ("3/4 in", "1 in") for end in item.ends)

    sold = {key: item for key, item in whole.items.items() if wanted(item) or item.kind is Kind.CONSUMABLE}
    return replace(whole, items=sold, elsewhere={**whole.elsewhere, **whole.items})


@cache
def long_line(feet: float = 13.0) -> System:
    """Return the example with a straight of so many feet that has to be renewed, and a target that it can reach."""
    text = (data_directory("examples") / "single-return.yaml").read_text(encoding="utf-8")
    text = text.replace("pipe 3 ft", f"{{part: pipe {feet:g} ft, must go: yes}}").replace(
        "at least 700", "at least 500"
    )
    return load_system(Path("long.yaml"), catalog(), text.encode())


@cache
def planned(feet: float = 13.0) -> tuple[PlanReport, TakeOff]:
    report = pipeline.plan(long_line(feet), catalog())
    return report, pipeline.take_off(report, catalog())
