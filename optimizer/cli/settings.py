"""The command that says how to set everything back after cleaning, and when a meter's reading means trouble."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from optimizer.cli.options import NumberRange, catalogs_option, file_argument, output_option, replace_option
from optimizer.cli.output import free_outputs, print_all, say
from optimizer.cli.waiting import wait_for

_SHARES = NumberRange(min=0, max=100, min_open=True, max_open=True)


@click.command()
@file_argument
@output_option("FILE", "Write the card as a page to print (.html) or a workbook (.xlsx).")
@click.option("--now", is_flag=True, help="For the plumbing as it stands, not after the cheapest plan.")
@click.option(
    "--clog", type=_SHARES, default=50.0, show_default=True, metavar="PERCENT", help="Cross-section lost to a clog."
)
@click.option(
    "--scatter",
    type=_SHARES,
    default=5.0,
    show_default=True,
    metavar="PERCENT",
    help="How much the readings of one meter scatter.",
)
@replace_option
@catalogs_option
def settings(
    file: Path,
    output: Path | None,
    now: bool,
    clog: float,
    scatter: float,
    replace: bool,
    catalogs: tuple[Path, ...],
) -> None:
    """Print the settings card: pump speeds, valves, and what every meter should show.

    For each mode every meter has the flow that it should show with its range, a low limit (clogged) and a high limit (a
    disconnected hose or pipe), each from a simulation.
    """
    from optimizer import pipeline

    ending = ".xlsx" if output is not None and output.suffix.lower() == ".xlsx" else ".html"
    free_outputs(replace, (file, *catalogs), (output, ending))
    system, catalog = wait_for(f"Reading {file}", lambda: pipeline.read(file, catalogs))
    report = None
    if not now:
        report = wait_for("Searching for the cheapest plan", lambda: pipeline.plan(system, catalog))
    work = partial(pipeline.settings_card, system, report, clog=clog / 100, scatter=scatter / 100)
    card = wait_for("Simulating breaks and clogs", work)
    from optimizer.documents.settings_card import card_blocks, write_card

    if output is None:
        print_all(card_blocks(card))
        return
    write_card(output, card, replace)
    say(f"Wrote {output}.")
