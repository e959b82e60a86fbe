"""The commands that write what people look at: a page of a plan, and the pictures alone as SVG files."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from optimizer.cli.options import (
    catalogs_option,
    file_argument,
    output_option,
    promise_options,
    replace_option,
    time_limit_option,
)
from optimizer.cli.output import free_outputs, say
from optimizer.cli.waiting import wait_for, wait_for_search

if TYPE_CHECKING:
    from optimizer.documents.papers import Curve
    from optimizer.documents.pictures import Picture
    from optimizer.model.catalog import Catalog
    from optimizer.model.note import Note
    from optimizer.model.outcome import PlanReport
    from optimizer.model.system import System


@click.command()
@file_argument
@output_option("HTML", "Where to write the page; the name ends in .html.", required=True)
@click.option(
    "--pdf",
    type=click.Path(path_type=Path),
    metavar="PDF",
    help="Write the page as a PDF as well; needs the optional library: pip install 'retrofit-optimizer[pdf]'.",
)
@replace_option
@click.option(
    "--paper",
    type=click.Choice(("A4", "letter")),
    help="What the page prints on; otherwise letter for US units and A4 for metric ones.",
)
@catalogs_option
@time_limit_option
@promise_options
def report(
    file: Path,
    output: Path,
    pdf: Path | None,
    replace: bool,
    paper: str | None,
    catalogs: tuple[Path, ...],
    time_limit_s: float,
    margin: float | None,
    certainty: float | None,
) -> None:
    """Write the cheapest plan as one page to open or print.

    Answer, order, build and card come in this order, then an appendix. The page holds everything in itself and asks
    for nothing from outside. Where flows are not known beforehand, what more money would buy takes as long again as the
    time limit, and the page says what was left open.
    """
    from optimizer import pipeline
    from optimizer.documents.report import write_report

    free_outputs(replace, (file, *catalogs), (output, ".html"), (pdf, ".pdf"))
    if pdf is not None:
        from optimizer.documents.pdf import require_pdf

        require_pdf()
    system, catalog = _read(file, catalogs)
    system = system.with_promise(margin, certainty)
    found = pipeline.with_nearest(_plan(system, catalog, time_limit_s), catalog)
    points, chosen, notes = _frontier(system, catalog, found, time_limit_s)
    card = wait_for("Simulating breaks and clogs", lambda: pipeline.settings_card(system, found))
    taken = pipeline.take_off(found, catalog, spares=bool(found.bill.spares))
    shown = partial(write_report, frontier=points, chosen=chosen, frontier_notes=notes, card=card, taken=taken)
    write = partial(shown, output, found, replace, paper=paper, pdf=pdf)
    wait_for(f"Writing {output}", write)
    say(f"Wrote {output}{f' and {pdf}' if pdf is not None else ''}.")


@click.command()
@file_argument
@output_option("FOLDER", "Where to put the SVG files; the folder is made when it is not there.", required=True)
@click.option(
    "--plan", "with_plan", is_flag=True, help="Find the cheapest plan and draw the plumbing after it as well."
)
@replace_option
@catalogs_option
@time_limit_option
def draw(
    file: Path, output: Path, with_plan: bool, replace: bool, catalogs: tuple[Path, ...], time_limit_s: float
) -> None:
    """Draw the plumbing in FILE as SVG pictures.

    Schematic, head along each path, pump and system curves, and the largest losses: as it stands, or with --plan now
    and after the work, and cost against flow. Where flows are not known beforehand that last one takes as long again as
    the time limit says.
    """
    from optimizer import pipeline
    from optimizer.documents import pictures
    from optimizer.documents.report_facts import report_facts

    system, catalog = _read(file, catalogs)
    notes: tuple[Note, ...] = ()
    if with_plan:
        found = _plan(system, catalog, time_limit_s)
        points, chosen, notes = _frontier(system, catalog, found, time_limit_s)
        taken = pipeline.take_off(found, catalog, spares=False, ports=False)
        facts = wait_for("Solving", lambda: report_facts(found, points, chosen, taken=taken), quiet=True)
        drawn = wait_for("Drawing", lambda: pictures.plan_pictures(facts, alone=True))
    else:
        drawn = wait_for("Drawing", lambda: pictures.system_pictures(system, alone=True))
    _write_pictures(output, drawn, replace, (file, *catalogs))
    say(f"Wrote {len(drawn)} pictures into {output}: {', '.join(f'{one.name}.svg' for one in drawn)}.")
    from optimizer.wording.notes import notes_words

    for text in notes_words(notes, system.units):
        say(text)


def _read(file: Path, catalogs: tuple[Path, ...]) -> tuple[System, Catalog]:
    from optimizer import pipeline

    return wait_for(f"Reading {file}", lambda: pipeline.read(file, catalogs))


def _plan(system: System, catalog: Catalog, time_limit_s: float) -> PlanReport:
    from optimizer import pipeline

    return wait_for(
        "Searching for the cheapest plan", lambda: pipeline.plan(system, catalog, time_limit_s=time_limit_s)
    )


def _frontier(system: System, catalog: Catalog, found: PlanReport, time_limit_s: float) -> Curve:
    """Return cost against reach with the plan's own point in it."""
    from optimizer.documents import papers

    work = partial(papers.curve, system, catalog, found, time_limit_s)
    return wait_for_search("Looking for what more money would buy", lambda tell: work(progress=tell))


def _write_pictures(folder: Path, drawn: tuple[Picture, ...], replace: bool, inputs: tuple[Path, ...]) -> None:
    """Write all pictures, or none when one of the names is taken or the folder cannot be made."""
    from optimizer.whole_file import free_target, put_all, put_folder, sweep

    sweep(folder.absolute().parent)
    files = {f"{one.name}.svg": one.svg.encode() for one in drawn}
    if os.path.lexists(folder):
        put_all({free_target(folder / name, replace, ".svg", inputs): content for name, content in files.items()})
    else:
        put_folder(folder.absolute(), files)
