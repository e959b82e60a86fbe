"""Shares and amounts on the command line, however they are written."""

from __future__ import annotations

import click
import pytest
from cli.running import ROOT
from click.testing import CliRunner

from optimizer.cli import main
from optimizer.cli.options import NumberRange, promise_options


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


@click.command()
@click.option("--amount", type=NumberRange(0, 10))
def counted(amount: float) -> None:
    click.echo(f"{amount:g}")


@pytest.mark.parametrize(("written", "code"), [("0", 0), ("10", 0), ("nan", 2), ("-nan", 2), ("inf", 2), ("10.1", 2)])
def test_a_number_is_within_its_range_or_refused(written: str, code: int) -> None:
    ran = CliRunner().invoke(counted, [f"--amount={written}"])
    assert ran.exit_code == code
    assert ("is not in the range 0<=x<=10" in ran.output) == (code == 2)


@pytest.mark.parametrize(
    ("asked", "place"),
    [
        (("adapters", "nothing", "1 in socket"), "FROM: found 'nothing'"),
        (("adapters", "1 in socket", "nothing"), "TO: found 'nothing'"),
        (("adapters", "1 in socket", "1 in socket", "--flow", "3 apples"), "--flow: found '3 apples'"),
        (("adapters", "1 in socket", "1 in socket", "--pressure", "3 apples"), "--pressure: found '3 apples'"),
        (("meters", "examples/single-return.yaml", "--bucket", "3 apples"), "--bucket: found '3 apples'"),
        (("losses", "examples/single-return.yaml", "--along", "x"), "--along: there is no run 'x'; the runs are "),
    ],
)
def test_what_is_wrong_is_said_with_the_place_it_was_given_in(asked: tuple[str, ...], place: str) -> None:
    ran = CliRunner().invoke(main, [str(ROOT / word) if word.startswith("examples/") else word for word in asked])
    assert ran.exit_code == 2
    assert place in ran.output
