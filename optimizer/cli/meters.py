"""The command that says which flow meter reads a line, where it goes, and how to check it."""

from __future__ import annotations

from pathlib import Path

import click

from optimizer.cli.options import catalogs_option, file_argument, given_as, json_option
from optimizer.cli.output import print_all, print_json
from optimizer.cli.waiting import wait_for


@click.command()
@file_argument
@click.option("--run", "wanted", multiple=True, metavar="RUN", help="A run that wants a meter. May be repeated.")
@click.option("--bucket", metavar="VOLUME", help="The bucket to check a meter with; 2.5 gal or 10 L if left out.")
@click.option("--all", "show_all", is_flag=True, help="Show every meter that reads a line, not only the first few.")
@catalogs_option
@json_option
def meters(
    file: Path, wanted: tuple[str, ...], bucket: str | None, show_all: bool, catalogs: tuple[Path, ...], as_json: bool
) -> None:
    """Show which flow meter reads each line, where it goes and what it sends.

    For each line with a `flow meter` among its parts, and each RUN: the flows of all modes, the meter's range, loss and
    straight pipe, the adapters on both its ends, the time in which a bucket fills, and its limits in pulses per second.
    """
    from optimizer import pipeline
    from optimizer.documents.meters_text import SHOWN, meter_blocks, meters_json
    from optimizer.units import US, parse_volume

    system, catalog = wait_for(f"Reading {file}", lambda: pipeline.read(file, catalogs), as_json)
    with given_as("--bucket"):
        bucket_m3 = parse_volume(bucket or ("2.5 gal" if system.units == US else "10 L"), system.units)
    if not bucket_m3 > 0:
        raise click.BadParameter("a volume above 0, such as '2.5 gal' or '10 L'", param_hint="--bucket")
    card = wait_for("Simulating breaks and clogs", lambda: pipeline.settings_card(system), as_json)
    found = pipeline.metered_lines(system, catalog, card, wanted)
    money = catalog.currency
    if as_json:
        print_json(meters_json(found, name=system.name, currency=money, bucket_m3=bucket_m3))
        return
    limit = None if show_all else SHOWN
    print_all(
        meter_blocks(found, name=system.name, units=system.units, currency=money, bucket_m3=bucket_m3, limit=limit)
    )
