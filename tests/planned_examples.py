"""The plans of the shipped examples: each is searched for once, however many tests look at it."""

from __future__ import annotations

from functools import cache

from optimizer import pipeline
from optimizer.model.catalog import Catalog
from optimizer.model.outcome import PlanReport
from optimizer.read.places import data_directory
from optimizer.takeoff.take_off import TakeOff
from optimizer.verify.card import SettingsCard

ALL = sorted(path.stem for path in data_directory("examples").glob("*.yaml"))


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
