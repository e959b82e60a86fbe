"""The commands that write what people look at: a page of a plan, and the pictures alone as SVG files."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from optimizer.cli.options import catalogs_option, file_argument, output_option, replace_option, time_limit_option
from optimizer.cli.waiting import wait_for

if TYPE_CHECKING:
    from optimizer.documents.drawing.frontier_chart import FrontierPoint
    from optimizer.documents.pictures import Picture
    from optimizer.model.catalog import Catalog
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
def report(
    file: Path,
    output: Path,
    pdf: Path | None,
    replace: bool,
    paper: str | None,
    catalogs: tuple[Path, ...],
    time_limit_s: float,
) -> None:
    """Write the cheapest plan as one page to open or print.

    The answer comes first, then pictures, then details. The page holds everything in itself and asks for nothing
    from outside.
    """
    from optimizer import pipeline
    from optimizer.documents.report import write_report
    from optimizer.documents.whole_file import free_target

    free_target(output, replace, ".html")
    if pdf is not None:
        from optimizer.documents.pdf import require_pdf

        free_target(pdf, replace, ".pdf")
        require_pdf()
    system, catalog = _read(file, catalogs)
    found = _plan(system, catalog, time_limit_s)
    points, chosen = _frontier(system, catalog, found)
    card = wait_for("Breaking and clogging every run", lambda: pipeline.settings_card(system, found))
    write = partial(
        write_report, output, found, replace, paper=paper, frontier=points, chosen=chosen, card=card, pdf=pdf
    )
    wait_for(f"Writing {output}", write)
    click.echo(f"Wrote {output}{f' and {pdf}' if pdf is not None else ''}.")


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
    and after the work, and cost against flow.
    """
    from optimizer.documents import pictures
    from optimizer.documents.report_facts import report_facts, solved

    system, catalog = _read(file, catalogs)
    if with_plan:
        found = _plan(system, catalog, time_limit_s)
        points, chosen = _frontier(system, catalog, found)
        drawn = wait_for("Drawing", lambda: pictures.plan_pictures(report_facts(found, points, chosen), alone=True))
    else:
        drawn = wait_for("Drawing", lambda: pictures.system_pictures(system, solved(system.network), alone=True))
    _write_pictures(output, drawn, replace)
    click.echo(f"Wrote {len(drawn)} pictures into {output}: {', '.join(f'{one.name}.svg' for one in drawn)}.")


def _read(file: Path, catalogs: tuple[Path, ...]) -> tuple[System, Catalog]:
    from optimizer import pipeline

    return wait_for(f"Reading {file}", lambda: pipeline.read(file, catalogs))


def _plan(system: System, catalog: Catalog, time_limit_s: float) -> PlanReport:
    from optimizer import pipeline

    return wait_for(
        "Searching for the cheapest plan", lambda: pipeline.plan(system, catalog, time_limit_s=time_limit_s)
    )


def _frontier(
    system: System, catalog: Catalog, found: PlanReport
) -> tuple[tuple[FrontierPoint, ...], FrontierPoint | None]:
    """Return cost against flow with the plan's own point in it; nothing where the flows are not known beforehand."""
    from optimizer.documents.frontier_points import frontier_points
    from optimizer.errors import PlanError
    from optimizer.search.frontier import frontier

    try:
        plans = wait_for("Looking for every efficient plan", partial(frontier, system, catalog))
    except PlanError:
        return (), None
    return frontier_points(plans, found.plan)


def _write_pictures(folder: Path, drawn: tuple[Picture, ...], replace: bool) -> None:
    """Write all pictures, or none when one of the names is taken or the folder can not be made."""
    from optimizer.documents.whole_file import free_target, put_whole
    from optimizer.errors import DocumentError

    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise DocumentError(f"{folder}: this folder can not be made, {error.strerror or error}") from error
    targets = [free_target(folder / f"{one.name}.svg", replace, ".svg") for one in drawn]
    for target, one in zip(targets, drawn, strict=True):
        put_whole(target, one.svg.encode())
