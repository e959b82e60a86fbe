"""The commands for many systems at once, and for many variants of one."""

from __future__ import annotations

import os
import sys
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace as named
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from optimizer.cli.endings import NO_ANSWER, STOPPED
from optimizer.cli.options import F, catalogs_option, file_argument, replace_option, time_limit_option
from optimizer.cli.output import say, tell
from optimizer.errors import DocumentError, OptimizerError

if TYPE_CHECKING:
    from optimizer.many.answer import Job
    from optimizer.many.run import Progress, Ran, Work
    from optimizer.many.variants import Variants

_WHATS = ("plan", "flow", "price", "check")
_ENDINGS = (".csv", ".xlsx", ".parquet")
_TOLD_EVERY_S = 10.0
_ON_TERMINAL_EVERY_S = 0.5

_to_option = click.option(
    "--to",
    "output",
    type=click.Path(path_type=Path),
    required=True,
    metavar="TABLE",
    help="Where the results go: a name that ends in .csv, .xlsx or .parquet.",
)
_what_option = click.option(
    "--what",
    type=click.Choice(_WHATS),
    default="plan",
    show_default=True,
    help="What to work out: the cheapest plan, today's flows, the plan at shipped prices beside yours, or errors only.",
)
_workers_option = click.option(
    "--workers",
    type=click.IntRange(1, 256),
    metavar="COUNT",
    help="So many processes on this machine; otherwise one for each processor.",
)
_cluster_option = click.option(
    "--cluster",
    "address",
    metavar="ADDRESS",
    help="Let the workers of this Dask scheduler do it, such as tcp://host:8786.",
)


def _asking_options(command: F) -> F:
    """Add the options of what is worked out, by whom, and where the table goes."""
    asked = (
        _to_option,
        _what_option,
        _workers_option,
        _cluster_option,
        catalogs_option,
        time_limit_option,
        replace_option,
    )
    for option in reversed(asked):
        command = option(command)
    return command


@click.command()
@click.argument("systems", type=click.Path(path_type=Path), metavar="FOLDER_OR_LIST")
@_asking_options
@click.option(
    "--papers",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Write workbook, order and settings card of every plan too, each system in a folder of its own.",
)
def many(
    systems: Path,
    output: Path,
    what: str,
    papers: Path | None,
    workers: int | None,
    address: str | None,
    catalogs: tuple[Path, ...],
    time_limit_s: float,
    replace: bool,
) -> None:
    """Work on every system of a folder, or of a list of files, and write one table of the results.

    Rows are kept as they come, beside the table, in a file that ends in .kept: started again, the command goes on where
    it ended, however it ended, and does again only what has changed. The time limit is that of each system.
    """
    from optimizer.many import listing
    from optimizer.many.answer import Job

    if papers is not None and what not in ("plan", "price"):
        raise click.UsageError("--papers are those of plans: use --what plan or --what price")
    named = listing.systems(systems)
    target = _free(output, replace, [*catalogs, *([] if systems.is_dir() else [systems]), *[path for _, path in named]])
    like = Job("", None, what, listing.lists_of(catalogs), time_limit_s, papers is not None)
    if papers is not None:
        _refuse_papers(papers, [name for name, _ in named])
    ran = _run(listing.jobs(named, like), len(named), _work(workers, address), target, papers)
    _end(ran, len(named), target, str(output))


@click.command()
@file_argument
@click.option(
    "--with",
    "table",
    type=click.Path(path_type=Path),
    required=True,
    metavar="VARIANTS.csv",
    help="A table: headings name places of FILE, such as 'targets: return line'; each row is one variant.",
)
@_asking_options
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="SVG",
    help="Draw the cost over what varies: one or two columns of numbers.",
)
def vary(
    file: Path,
    table: Path,
    output: Path,
    what: str,
    picture: Path | None,
    workers: int | None,
    address: str | None,
    catalogs: tuple[Path, ...],
    time_limit_s: float,
    replace: bool,
) -> None:
    """Work on one system with many changes, row by row of a table, and write one table of the results.

    A heading is a place in FILE, its keys as they stand there: 'rules: budget', 'pumps: return: speed'. An empty cell
    leaves FILE as it is there.
    """
    from optimizer.edits.saving import text_of
    from optimizer.many import listing, variants
    from optimizer.many.answer import Job

    content = _content(file)
    found = variants.read_variants(table)
    number = len(found.names)
    target = _free(output, replace, [file, table, *catalogs])
    drawn_at = None if picture is None else _picture_target(picture, replace, found, what, (file, table, *catalogs))
    like = Job("", None, what, listing.lists_of(catalogs), time_limit_s)
    try:
        jobs = variants.jobs(file, text_of(content), found, like)
    except UnicodeDecodeError as error:
        raise OptimizerError(f"{file}: is no UTF-8 text") from error
    ran = _run(jobs, number, _work(workers, address), target)
    by_job = {row.name: row for row in ran.rows}
    there = [place for place, name in enumerate(found.names) if variants.job_name(file, name) in by_job]
    before = {head: [found.cells[place][at] for place in there] for at, head in enumerate(found.columns)}
    rows = [named(by_job[variants.job_name(file, found.names[place])], name=found.names[place]) for place in there]
    ran = named(ran, rows=tuple(rows))
    pictures: dict[Path, bytes] = {}
    if drawn_at is not None and not ran.stopped:
        from optimizer.documents.drawing.variants_chart import variants_chart

        currency = next((row.currency for row in rows if row.currency), "")
        costs = [row.cost_cents for row in rows]
        pictures[drawn_at] = variants_chart(found.columns, _numbers(found), costs, currency, file.stem).encode()
    written = f"{output} and {picture}" if pictures else str(output)
    _end(ran, number, target, written, before, pictures)


def _content(file: Path) -> bytes:
    from optimizer.many.listing import MOST_BYTES
    from optimizer.read.ordinary import first_bytes

    return first_bytes(file, MOST_BYTES - 1, "a text file")


def _numbers(found: Variants) -> list[tuple[float, ...]]:
    return [told for place in range(len(found.columns)) if (told := found.numbers(place)) is not None]


def _picture_target(picture: Path, replace: bool, found: Variants, what: str, inputs: tuple[Path, ...]) -> Path:
    from optimizer.whole_file import free_target

    if what not in ("plan", "price"):
        raise click.UsageError("--picture draws costs: use --what plan or --what price")
    if not 1 <= len(found.columns) <= 2 or len(_numbers(found)) != len(found.columns):
        raise click.UsageError(
            "--picture needs one or two columns, with a number in each cell and one unit in each column"
        )
    return free_target(picture, replace, ".svg", inputs)


def _free(output: Path, replace: bool, inputs: list[Path]) -> Path:
    """Return where the table goes; one that an earlier start wrote is replaced without being told."""
    from optimizer.whole_file import free_target

    ending = output.suffix.lower()
    if ending not in _ENDINGS:
        raise DocumentError(f"{output}: the name of this table ends in {', '.join(_ENDINGS[:-1])} or {_ENDINGS[-1]}")
    kept_at = _kept_at(output.resolve())
    target = free_target(output, replace or kept_at.exists(), ending, inputs)
    free_target(kept_at, True, kept_at.suffix, inputs)
    return target


def _refuse_papers(papers: Path, names: Iterable[str]) -> None:
    """Refuse a folder for papers in which something else has the name of a system's folder, before any work."""
    from optimizer.many.run import folder_of

    for folder in (papers, *(folder_of(papers, name) for name in names)):
        if folder.exists() and not folder.is_dir():
            raise DocumentError(f"{folder}: papers go into a folder of this name, and it is a file; choose another one")


def _kept_at(target: Path) -> Path:
    return target.with_name(f"{target.name}.kept")


def _work(workers: int | None, address: str | None) -> Work:
    from optimizer.many.workers import by_cluster, by_processes

    if address is None:
        return partial(by_processes, workers=workers or os.cpu_count() or 1)
    if workers is not None:
        raise click.UsageError("choose one of --workers and --cluster")
    return partial(by_cluster, address=address)


def _run(jobs: Iterator[Job], number: int, work: Work, target: Path, papers: Path | None = None) -> Ran:
    from optimizer.many.run import run

    return run(jobs, number, work, _kept_at(target), papers, _Teller())


class _Teller:
    """Tells on stderr how far it is: on a terminal in one line that changes, elsewhere a line now and then."""

    def __init__(self) -> None:
        self._last = time.monotonic()
        self._alone = sys.stderr is not None and sys.stderr.isatty()

    def __call__(self, told: Progress) -> None:
        now = time.monotonic()
        ended = told.done == told.all_
        if not ended and now - self._last < (_ON_TERMINAL_EVERY_S if self._alone else _TOLD_EVERY_S):
            return
        self._last = now
        words = f"{told.done:,} of {told.all_:,} done"
        if told.rate is not None and not ended:
            words += f", {told.rate:.3g} a second, about {_minutes(told.left_s or 0.0)} left"
        if self._alone:
            tell(f"\r\x1b[K{words}", nl=ended)
        else:
            say(words, err=True)


def _minutes(seconds: float) -> str:
    return (
        f"{seconds:.0f} s"
        if seconds < 90
        else f"{seconds / 60:.0f} min"
        if seconds < 5400
        else f"{seconds / 3600:.1f} h"
    )


def _end(
    ran: Ran,
    number: int,
    target: Path,
    written: str,
    before: Mapping[str, list[str]] | None = None,
    pictures: Mapping[Path, bytes] | None = None,
) -> None:
    """Write the table and its pictures, all or none, and say what came of all systems, in a few lines."""
    from optimizer.documents.many_text import summary_lines
    from optimizer.many.results import pieces
    from optimizer.whole_file import put_all

    if ran.stopped and not ran.rows:  # a table that is there is worth more than one of no rows
        _end_stopped(0, number)
    put_all({target: pieces(ran.rows, target.suffix.lower(), before), **(pictures or {})})
    counts = Counter(row.status for row in ran.rows)
    for line in summary_lines(counts):
        say(line)
    say(f"Wrote {written}.")
    if ran.stopped:
        _end_stopped(len(ran.rows), number)
    if counts.keys() & {"defect", "set aside", "no answer", "none found"}:
        click.get_current_context().exit(NO_ANSWER)


def _end_stopped(done: int, number: int) -> NoReturn:
    say(f"Stopped: {done:,} of {number:,} are done. The same command goes on from there.", err=True)
    click.get_current_context().exit(STOPPED)
