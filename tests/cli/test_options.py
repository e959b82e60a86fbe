"""Shares on the command line, however they are written."""

from __future__ import annotations

import click
import pytest
from click.testing import CliRunner

from optimizer.cli.options import promise_options


@click.command()
@promise_options
def told(margin: float | None, certainty: float | None) -> None:
    click.echo(f"{margin} {certainty}")


@pytest.mark.parametrize(
    ("written", "share"), [("90%", 0.9), ("90 %", 0.9), ("90", 0.9), ("0.9", 0.9), ("12.5", 0.125), ("0", 0.0)]
)
def test_a_share_is_read_as_it_is_written(written: str, share: float) -> None:
    assert CliRunner().invoke(told, ["--certainty", written]).output == f"None {share}\n"


@pytest.mark.parametrize("written", ["100", "100 %", "1", "-5", "nan", "inf", "1e1", "many", "9O %", "150%"])
def test_what_is_no_share_below_all_is_refused(written: str) -> None:
    ran = CliRunner().invoke(told, ["--margin", written])
    assert ran.exit_code == 2
    assert f"'{written}' is not a share from 0 % to below 100 %" in ran.output
