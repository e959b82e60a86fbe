"""The command that fits the plumbing to what its owner has measured."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from optimizer.cli.endings import ANSWER_IS_NO
from optimizer.cli.options import catalogs_option, file_argument, json_option
from optimizer.cli.output import print_all, print_json, say
from optimizer.cli.waiting import wait_for

if TYPE_CHECKING:
    from optimizer.model.calibration import Calibration


@click.command()
@file_argument
@click.option("--write", is_flag=True, help="Write the factors of the best explanation into FILE.")
@catalogs_option
@json_option
def calibrate(file: Path, write: bool, catalogs: tuple[Path, ...], as_json: bool) -> None:
    """Fit losses, pump and speed setting to your measured flows.

    The readings stand in FILE under 'measured': the run, its flow, and the pump's speed setting. It prints the fewest
    factors that explain them, what else would, and the one further reading that would tell these apart.
    """
    from optimizer import pipeline

    system, _ = wait_for(f"Reading {file}", lambda: pipeline.read(file, catalogs), as_json)
    report = wait_for("Fitting the readings", lambda: pipeline.calibrate(system), as_json)
    from optimizer.documents.calibration_text import calibration_blocks, calibration_json

    if write and report.best is not None:
        _write(file, report.best.calibration)
    if as_json:
        print_json(calibration_json(report))
    else:
        print_all(calibration_blocks(system, report))
        if report.best is not None:
            say(_written(file, write))
    if report.best is None:
        click.get_current_context().exit(ANSWER_IS_NO)


def _write(file: Path, calibration: Calibration) -> None:
    from optimizer.edits.factors import with_factors
    from optimizer.edits.saving import save, text_of

    old = file.read_bytes()
    save(file, old, with_factors(text_of(old), calibration))


def _written(file: Path, write: bool) -> str:
    if write:
        return f"\nWrote the factors of A into {file}, under 'calibration'; flow, losses and plan use them from now on."
    return f"\nTo keep the factors of A: retrofit calibrate {file} --write"
