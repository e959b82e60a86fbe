"""The plans of the shipped examples: each is searched for once, however many tests look at it."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import pytest

from optimizer import pipeline
from optimizer.model.catalog import Catalog
from optimizer.model.outcome import PlanReport
from optimizer.read.places import data_directory
from optimizer.takeoff.take_off import TakeOff
from optimizer.verify.card import SettingsCard

ALL = sorted(path.stem for path in data_directory("examples").glob("*.yaml"))
_LONG = ("cellar-sump", "house-water", "metric-unions", "upper-tank")  # whose plans take seconds


def each(names: Sequence[str]) -> list[object]:
    """Return examples as parameters of a test: those that take seconds to plan are for the long tests."""
    return [pytest.param(name, marks=pytest.mark.long if name in _LONG else ()) for name in names]


@cache
def searched(name: str) -> tuple[PlanReport, Catalog]:
    """Return the cheapest plan of an example, and the catalog that it is bought from."""
    system, catalog = pipeline.read(data_directory("examples") / f"{name}.yaml")
    return pipeline.plan(system, catalog), catalog


@cache
def taken_off(name: str) -> tuple[PlanReport, TakeOff]:
    report, catalog = searched(name)
    return report, pipeline.take_off(report, catalog)


@cache
def card_of(name: str) -> SettingsCard:
    report, _ = searched(name)
    return pipeline.settings_card(report.system, report)
