"""Spoiled files of every kind: an answer or a list of errors with their places, and never anything else.

A few hundred in the usual tests; `ATTACKS=20000 python -m pytest tests/attacks -m slow` runs as many more of each kind.
"""

from __future__ import annotations

import json
import math
import os
import random
import sys
import time
from functools import cache
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mutators import spoiled, spoiled_workbook

from optimizer import pipeline
from optimizer.cli import main
from optimizer.documents.found import check_blocks, check_json, remarks
from optimizer.documents.tables import plain_text
from optimizer.errors import InputError, OptimizerError
from optimizer.model.catalog import Catalog
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog, load_catalog_files
from optimizer.read.places import data_directory
from optimizer.read.quote import Asked, load_quote
from optimizer.read.systems import load_system

FILES = sorted(data_directory("examples").glob("*.yaml"))
CATALOGS = data_directory("catalogs")
ROWS = 12  # of each shipped catalog are enough to be spoiled
MOST_S = 20.0  # of processor time
MOST_MB = 500.0
MANY = int(os.environ.get("ATTACKS", "2000"))
FEW = settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
LONG = settings(max_examples=MANY, deadline=None, database=None, suppress_health_check=list(HealthCheck))
SEEDS = st.integers(min_value=0, max_value=2**40)


@cache
def catalog() -> Catalog:
    return load_catalog()


@cache
def workbook() -> bytes:
    from optimizer.documents.workbook import workbook_bytes

    system, parts = pipeline.read(FILES[-2])
    return workbook_bytes(pipeline.plan(system, parts))


def clean(told: str) -> bool:
    """Return whether a terminal would obey nothing in a message."""
    return all(sign.isprintable() or sign in "\n\u200c\u200d" for sign in told)


def judged(error: OptimizerError, name: str) -> None:
    """Check that an error says where it is and can be printed."""
    assert clean(str(error)), repr(str(error))
    assert str(error).strip()
    if isinstance(error, InputError):
        for fault in error.faults:
            assert name in fault.place, fault
            assert fault.found, fault
            assert fault.allowed, fault


def system_of(path: Path, content: bytes) -> System | None:
    """Return the system of a spoiled file, if it is one; what is wrong with it otherwise must have its place."""
    path.write_bytes(content)
    begun = time.process_time()
    try:
        return load_system(path, catalog())
    except OptimizerError as error:
        judged(error, path.name)
        return None
    finally:
        assert time.process_time() - begun < MOST_S


def solved(system: System) -> None:
    """Tell what was read, and solve it where it can be solved."""
    assert clean(plain_text(check_blocks(system, catalog())))
    assert clean("".join(remarks(system, catalog())))
    json.dumps(check_json(system, catalog()), allow_nan=False)
    begun, told = time.process_time(), ""
    try:
        flows = pipeline.flows(system).flows_m3_s
        assert all(math.isfinite(flow) for flow in flows.values())
        if system.measured:
            pipeline.calibrate(system)
    except OptimizerError as error:
        told = str(error)
    assert clean(told), repr(told)
    assert time.process_time() - begun < MOST_S


def system_case(seed: int, folder: Path) -> None:
    rng = random.Random(seed)
    content = spoiled(seed, rng.choice(FILES).read_text(encoding="utf-8"))
    system = system_of(folder / "spoiled.yaml", content)
    if system is not None:
        solved(system)


def catalog_case(seed: int, folder: Path) -> None:
    rng = random.Random(seed)
    source = rng.choice(sorted(CATALOGS.glob("*.csv")))
    lines = source.read_text(encoding="utf-8").splitlines()
    text = "\n".join([lines[0], *rng.sample(lines[1:], min(ROWS, len(lines) - 1)), ""])
    if rng.random() < 0.3:
        ids = [line.split(",")[0] for line in text.splitlines()[1:]]
        text = "item_id,price,currency,price_date\n" + "\n".join(f"{one},1.05,USD,2026-11-01" for one in ids)
    path = folder / "spoiled.csv"
    path.write_bytes(spoiled(seed, text))
    begun = time.process_time()
    try:
        found = load_catalog_files([CATALOGS / "adapters.csv"], [path])
    except OptimizerError as error:
        judged(error, "spoiled.csv" if not isinstance(error, InputError) else "")
    else:
        assert all(0 <= item.price_cents < 2**40 for item in found.items.values())
        assert all(clean(item.description) for item in found.items.values())
    assert time.process_time() - begun < MOST_S


def quote_case(seed: int, folder: Path) -> None:
    path = folder / "spoiled.xlsx"
    path.write_bytes(spoiled_workbook(seed, workbook()))
    begun = time.process_time()
    try:
        quote = load_quote(path, "USD", {"sch40-elbow-100": Asked(2, 99)})
    except OptimizerError as error:
        judged(error, path.name)
    else:
        assert all(0 < price.cents < 2**40 for price in quote.prices.values())
        assert clean("".join(quote.remarks))
    assert time.process_time() - begun < MOST_S


def in_bounds() -> None:
    """Check that the whole process has never taken more memory than a file may cost."""
    if sys.platform == "linux":  # elsewhere the unit is another one
        import resource

        assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 < MOST_MB


@FEW
@given(seed=SEEDS)
def test_a_spoiled_system_is_read_or_its_errors_are_told(seed: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    system_case(seed, tmp_path_factory.getbasetemp())


@settings(FEW, max_examples=120)
@given(seed=SEEDS)
def test_a_spoiled_catalog_is_read_or_its_errors_are_told(seed: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    catalog_case(seed, tmp_path_factory.getbasetemp())


@settings(FEW, max_examples=120)
@given(seed=SEEDS)
def test_a_spoiled_quote_is_read_or_its_errors_are_told(seed: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    quote_case(seed, tmp_path_factory.getbasetemp())


@pytest.mark.slow
@LONG
@given(seed=SEEDS)
def test_many_spoiled_systems(seed: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    system_case(seed, tmp_path_factory.getbasetemp())
    in_bounds()


@pytest.mark.slow
@LONG
@given(seed=SEEDS)
def test_many_spoiled_catalogs(seed: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    catalog_case(seed, tmp_path_factory.getbasetemp())
    in_bounds()


@pytest.mark.slow
@LONG
@given(seed=SEEDS)
def test_many_spoiled_quotes(seed: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    quote_case(seed, tmp_path_factory.getbasetemp())
    in_bounds()


@pytest.mark.slow
@settings(LONG, max_examples=max(20, MANY // 20))
@given(seed=SEEDS)
def test_spoiled_systems_are_planned_or_refused(seed: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    """The whole command, with a short time for its search: one of the exit codes that there are."""
    folder = tmp_path_factory.getbasetemp()
    path = folder / "planned.yaml"
    path.write_bytes(spoiled(seed, (data_directory("examples") / "single-return.yaml").read_text(encoding="utf-8")))
    output = folder / f"parts-{seed}.xlsx"

    ran = CliRunner().invoke(main, ["plan", str(path), "-o", str(output), "--time-limit", "5"], prog_name="retrofit")

    assert ran.exit_code in (0, 1, 2, 3), ran.output
    assert output.exists() == (ran.exit_code == 0)
    assert clean(ran.output)
