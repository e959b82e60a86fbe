"""What several commands take: the file, a user's own catalogs, data instead of text, replacing a file, a time limit."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import click

from optimizer.errors import Fault, InputError, QuantityError
from optimizer.ranges import MOST_MONEY

F = TypeVar("F", bound=Callable[..., Any])


def _seconds(ctx: click.Context, param: click.Parameter, value: float) -> float:
    """Return a time above 0 and of at most a day; not-a-number is refused, which a comparison alone lets pass."""
    if not 0 < value <= 86_400:
        raise click.BadParameter(f"{value:g} is not a number of seconds above 0 and up to 86400.", ctx, param)
    return value


def _cents(ctx: click.Context, param: click.Parameter, value: float | None) -> int | None:
    """Return money in whole cents; not-a-number is refused, which a comparison alone lets pass."""
    if value is None:
        return None
    if not 0 <= value <= MOST_MONEY:
        raise click.BadParameter(f"{value:g} is not an amount from 0 to {MOST_MONEY:.0f}.", ctx, param)
    return round(100 * value)


class NumberRange(click.FloatRange):
    """A range of numbers that has no place for not-a-number, which a comparison alone lets pass."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        number: float = super().convert(value, param, ctx)
        if math.isnan(number):
            self.fail(f"{number} is not in the range {self._describe_range()}.", param, ctx)
        return number


@contextmanager
def given_as(place: str) -> Iterator[None]:
    """Let what is wrong with a quantity or an end be told with the place that it was given in, such as `--flow`."""
    try:
        yield
    except QuantityError as error:
        raise InputError([Fault(place, error.found, error.allowed, error.suggestion)]) from error
    except InputError as error:
        raise InputError([replace(fault, place=place) for fault in error.faults]) from error


file_argument = click.argument("file", type=click.Path(path_type=Path))
catalogs_option = click.option(
    "--catalog",
    "catalogs",
    type=click.Path(path_type=Path),
    multiple=True,
    metavar="CSV",
    help="Your own catalog rows or prices; they override the shipped ones. May be repeated.",
)
json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print data for other programs: SI units, whole cents."
)
mode_option = click.option("--mode", metavar="NAME", help="Show this mode only; otherwise every mode of the file.")
replace_option = click.option("--replace", is_flag=True, help="Replace an existing file.")
time_limit_option = click.option(
    "--time-limit",
    "time_limit_s",
    type=float,
    callback=_seconds,
    default=60,
    show_default=True,
    metavar="SECONDS",
    help="Wall time in seconds for the whole search.",
)
whole_time_option = click.option(
    "--time-limit",
    "time_limit_s",
    type=float,
    callback=_seconds,
    default=300,
    show_default=True,
    metavar="SECONDS",
    help="Wall time in seconds for all searches together.",
)


def budget_option(words: str) -> Callable[[F], F]:
    """Return the option of an amount of money, which comes as whole cents; `words` are its line of help."""
    return click.option("--budget", "budget_cents", type=float, callback=_cents, metavar="MONEY", help=words)


def _share(ctx: click.Context, param: click.Parameter, value: str | None) -> float | None:
    """Return a share as it is written: `90%`, `90 %`, `0.9`, or a bare number over 1 that lacks its sign."""
    from optimizer.units import parse_fraction

    if value is None:
        return None
    bare = re.fullmatch(r"\s*\d{1,2}(\.\d+)?\s*", value)
    try:
        share = parse_fraction(f"{value} %" if bare and float(value) > 1 else value)
    except QuantityError:
        share = 1.0
    if not share < 1.0:
        raise click.BadParameter(f"'{value}' is not a share from 0 % to below 100 %.", ctx, param)
    return share


def promise_options(command: F) -> F:
    """Add the options of what a plan has to promise: a margin, a certainty, both as shares."""
    margin = click.option(
        "--margin",
        callback=_share,
        metavar="PERCENT",
        help="By how much every minimum flow can be exceeded at once; overrides the file.",
    )
    certainty = click.option(
        "--certainty",
        callback=_share,
        metavar="PERCENT",
        help="In what share of cases the plan must work, trimmed by meters; overrides the file.",
    )
    return margin(certainty(command))


def output_option(metavar: str, words: str, *, required: bool = False) -> Callable[[F], F]:
    """Return the option of where to write; `words` are its line of help."""
    place = click.Path(path_type=Path)
    return click.option("-o", "--output", type=place, metavar=metavar, required=required, help=words)
