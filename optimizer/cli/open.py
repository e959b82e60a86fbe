"""The command that opens a file as a page in the browser."""

from __future__ import annotations

from pathlib import Path

import click

from optimizer.cli.options import catalogs_option, file_argument
from optimizer.cli.output import say


@click.command("open")
@file_argument
@click.option("--no-browser", is_flag=True, help="Only tell the address; open it in a browser yourself.")
@click.option(
    "--port",
    type=click.IntRange(min=0, max=65535),
    default=0,
    metavar="NUMBER",
    help="Where to listen on this machine; otherwise any port that is free.",
)
@catalogs_option
def open_page(file: Path, no_browser: bool, port: int, catalogs: tuple[Path, ...]) -> None:
    """Open FILE as a page in the browser, on this machine alone.

    The plumbing is drawn and changed by hand, flows follow at once; plans are searched for and their papers written.
    Where FILE is not there yet it begins with a few questions. Ctrl-C or closing the page ends it.
    """
    from optimizer.web.serve import serve

    serve(file, catalogs, port=port, browser=not no_browser, say=say)
