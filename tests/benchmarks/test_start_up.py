"""What a command takes from its start to its end: python -m pytest tests/benchmarks/test_start_up.py -m slow -s.

Processor time of the median of ten runs, the interpreter's own start in it, with compiled modules and the copy of the
catalogs at hand, as from the second run of an installed program on. Bars are those of an idle machine.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

import pytest

from optimizer.read.catalogs import load_catalog

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="processor time of children, told by POSIX alone"),
]
ROOT = Path(__file__).parents[2]
SHARED = 2.0  # how much longer the same takes where other programs run beside it
PROGRAM = "import sys; from optimizer.cli import main; sys.exit(main(prog_name='retrofit'))"
BARS_S = {
    "--help": 0.1,
    "check examples/single-return.yaml": 0.25,
    "check examples/cellar-sump.yaml": 0.25,
    "flow examples/single-return.yaml": 0.45,
    "flow examples/cellar-sump.yaml": 0.45,
}


def median_s(words: str, runs: int = 10) -> float:
    """Return the median processor time [s] of a command, of the user and of the system."""
    return statistics.median(_once_s(words) for _ in range(runs + 1))


def _once_s(words: str) -> float:
    before = os.times()
    subprocess.run(
        [sys.executable, "-c", PROGRAM, *words.split()],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        check=True,
    )
    after = os.times()
    return after.children_user - before.children_user + after.children_system - before.children_system


@pytest.mark.parametrize("words", BARS_S)
def test_a_command_starts_and_ends_within_its_bar(words: str) -> None:
    spent_s = median_s(words)

    print(f"retrofit {words}: {spent_s:.2f} s")
    assert spent_s < SHARED * BARS_S[words]


def test_the_catalogs_are_loaded_within_60_ms() -> None:
    load_catalog()  # keeps the copy
    times = []
    for _ in range(10):
        begun = time.process_time()
        load_catalog()
        times.append(time.process_time() - begun)

    print(f"all catalogs: {1000 * statistics.median(times):.0f} ms")
    assert statistics.median(times) < SHARED * 0.06
