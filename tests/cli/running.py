"""Running `retrofit` as a program of its own, from this checkout."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from click.testing import Result

ROOT = Path(__file__).parent.parent.parent
SHORT, LONG, METRIC = "examples/single-return.yaml", "examples/cellar-sump.yaml", "examples/metric-unions.yaml"
PROGRAM = "import sys; from optimizer.cli import main; sys.exit(main(prog_name='retrofit'))"

Retrofit = Callable[..., Result]


def program(code: str = PROGRAM) -> list[str]:
    """Return the command that runs this checkout's `retrofit` as a program of its own, up to its arguments."""
    return [sys.executable, "-c", code]


def surroundings(**more: str) -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), **more}


def start(*words: str, code: str = PROGRAM, **more: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*program(code), *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        env=surroundings(**more),
    )
