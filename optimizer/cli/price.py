"""The command `price`: a parts list filled in by a store → what the plan costs now, and what would be cheaper."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from optimizer.cli.commands import _end_without_plan, _read
from optimizer.cli.options import catalogs_option, file_argument, json_option, output_option, replace_option
from optimizer.cli.output import free_outputs, print_all, print_json, say
from optimizer.cli.waiting import wait_for


@click.command()
@file_argument
@click.argument("quote", type=click.Path(path_type=Path), metavar="QUOTE.xlsx")
@output_option("XLSX", "Write the workbook of the cheapest plan at the store's prices.")
@replace_option
@catalogs_option
@json_option
def price(
    file: Path, quote: Path, output: Path | None, replace: bool, catalogs: tuple[Path, ...], as_json: bool
) -> None:
    """Read the prices that a store wrote into the workbook of FILE's plan.

    Says what the plan costs now, and by how much another plan is cheaper. Missing or odd prices are named by cell;
    text, zero, negative or repeated prices and other currencies are refused.
    """
    from optimizer import pipeline

    free_outputs(replace, (file, quote, *catalogs), (output, ".xlsx"))
    from optimizer.read.workbooks import load_sheets

    load_sheets(quote)  # what is no workbook is refused before anyone waits for a plan
    system, catalog = _read(file, catalogs, as_json)
    found = wait_for("Searching for the cheapest plan", partial(pipeline.search, system, catalog), as_json)
    if not found.found:
        _end_without_plan(system, found, as_json)
    listed = pipeline.report(system, found, catalog)
    prices = pipeline.read_quote(quote, listed, catalog)
    requoted = wait_for("Searching at the store's prices", partial(pipeline.requote, listed, prices, catalog), as_json)
    if output is not None:
        from optimizer.documents.workbook import write_whole_workbook

        write_whole_workbook(output, requoted.other, requoted.taken, replace)
    from optimizer.documents import quote_text

    told = (listed.bill, requoted.bill, prices, requoted.other)
    if as_json:
        print_json(quote_text.quote_json(*told))
        return
    print_all(quote_text.quote_blocks(*told))
    if output is not None:
        say(f"\nWrote {output}: the cheapest plan at the store's prices.")
