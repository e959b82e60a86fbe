"""Spoiled files of every kind: an answer or a list of errors with their places, and never anything else.

A few hundred in the usual tests; `ATTACKS=20000 python -m pytest tests/attacks -m slow` runs as many more of each kind,
and `python tests/attacks/many_spoiled.py 0 20000` prints every seed that fails.
"""

from __future__ import annotations

import os

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mutators import spoiled
from spoiled_cases import CASES, clean, in_bounds

from optimizer.cli import main
from optimizer.read.places import data_directory

MANY = int(os.environ.get("ATTACKS", "2000"))
FEW = settings(max_examples=30, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
LONG = settings(max_examples=MANY, deadline=None, database=None, suppress_health_check=list(HealthCheck))
SEEDS = st.integers(min_value=0, max_value=2**40)
every_kind = pytest.mark.parametrize("kind", CASES)


@pytest.mark.parametrize("kind", [kind for kind in CASES if kind != "readings"])
@FEW
@given(seed=SEEDS)
def test_a_spoiled_file_is_read_or_its_errors_are_told(
    kind: str, seed: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    CASES[kind](seed, tmp_path_factory.getbasetemp())


@pytest.mark.long
@settings(FEW, max_examples=15)  # each is fitted
@given(seed=SEEDS)
def test_spoiled_readings_are_fitted_or_their_errors_are_told(
    seed: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    CASES["readings"](seed, tmp_path_factory.getbasetemp())


@pytest.mark.slow
@every_kind
@LONG
@given(seed=SEEDS)
def test_many_spoiled_files(kind: str, seed: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    CASES[kind](seed, tmp_path_factory.getbasetemp())
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
