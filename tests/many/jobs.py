"""What tests of many systems share: a good system, its job, rows, the command, work in this process."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from cli.running import ROOT
from click.testing import CliRunner, Result

from optimizer.cli import main
from optimizer.many.answer import Answered, Job, Row, answer

GOOD = ROOT / "examples" / "single-return.yaml"
ROWS = [
    Row(f"{number:03}.yaml", "optimal" if number % 3 else "input error", number or None, chance=number / 7 or None)
    for number in range(25)
]


def job(content: bytes | None = None, **changed: object) -> Job:
    return replace(Job("a.yaml", GOOD.read_bytes() if content is None else content, "plan", key="k"), **changed)  # type: ignore[arg-type]


def retrofit(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def here(jobs: Iterator[Job]) -> Iterator[Answered]:
    """Work in this process: as workers do, without their start."""
    return map(answer, jobs)
