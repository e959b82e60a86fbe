"""The commands of `retrofit`. What a command needs is loaded when it runs, so that help comes at once."""

from __future__ import annotations

import re
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from optimizer import __version__
from optimizer.cli.endings import ANSWER_IS_NO, NO_ANSWER, TRACEBACK, Commands
from optimizer.cli.options import (
    budget_option,
    catalogs_option,
    file_argument,
    json_option,
    mode_option,
    output_option,
    promise_options,
    replace_option,
    time_limit_option,
)
from optimizer.cli.output import free_outputs, print_all, print_json, say
from optimizer.cli.waiting import wait_for, wait_for_search
from optimizer.errors import InputError

if TYPE_CHECKING:
    from optimizer.documents.tables import Block
    from optimizer.hydraulics import NetworkSolution
    from optimizer.model.catalog import Catalog
    from optimizer.model.note import Note
    from optimizer.model.outcome import PlanReport
    from optimizer.model.plan import Plan
    from optimizer.model.system import System

_SOLVERS = ("gscip", "highs", "cp_sat")  # a test compares them with those of the program, which loads slowly


def _settings(_: click.Context, __: click.Parameter, text: str | None) -> tuple[float, ...] | None:
    """Return the dial settings of `40..100` or of `72`, as shares of full."""
    if text is None:
        return None
    match = re.fullmatch(r"(\d{1,3})(?:\.\.(\d{1,3}))?", text.replace("%", "").replace(" ", ""))
    low, high = (int(match[1]), int(match[2] or match[1])) if match else (0, 0)
    if not 0 < low <= high <= 100:
        raise click.BadParameter(f"'{text}'; write percent of full speed from 1 to 100, such as 40..100 or 72")
    step = 10 if high - low > 30 else 5
    return tuple(percent / 100 for percent in sorted({*range(low, high, step), high}))


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, message="retrofit %(version)s", help="Show the version and exit.")
@click.option(TRACEBACK, is_flag=True, expose_value=False, help="Show the whole traceback of a defect of the program.")
def main() -> None:
    """Find the cheapest plumbing changes that give every device of an aquarium its flow.

    FILE describes the plumbing as it stands, part by part; `retrofit example` writes one to start from.

    Exit codes: 0 done; 1 the answer is a proven no; 2 an error in the input, or a file cannot be read or written; 3 no
    answer in the time, or the answer failed its check; 70 a defect of the program; 130 stopped.
    """


@main.command()
@file_argument
@catalogs_option
@json_option
def check(file: Path, catalogs: tuple[Path, ...], as_json: bool) -> None:
    """Say what was understood of FILE, or list every error in it."""
    from optimizer.documents import found

    try:
        system, catalog = _read(file, catalogs, as_json)
    except InputError as error:
        if as_json:
            print_json({"faults": [_fault_json(fault) for fault in error.faults]})
        raise
    if as_json:
        print_json(found.check_json(system, catalog))
    else:
        print_all(found.check_blocks(system, catalog))


@main.command()
@file_argument
@click.option(
    "--speed",
    "settings",
    type=str,
    callback=_settings,
    metavar="PERCENT",
    help="Show the flows over speed settings of the pump in percent, such as 40..100, in steps of 10 or 5.",
)
@mode_option
@catalogs_option
@json_option
def flow(
    file: Path, settings: tuple[float, ...] | None, mode: str | None, catalogs: tuple[Path, ...], as_json: bool
) -> None:
    """Show the flow in every run today, in every mode.

    With its 80 % range (the true flow lies in it in 8 of 10 cases), its target, and the shortfall or excess.
    """
    if settings is not None and mode is not None:
        raise click.UsageError("choose one of --speed and --mode")
    from optimizer import pipeline
    from optimizer.documents import flows_text
    from optimizer.documents.words import in_mode

    system, _ = _read(file, catalogs, as_json)
    if settings is not None:
        _tell_settings(system, settings, as_json)
        return
    modes = []
    for name, at in _modes(system, mode):
        solution = wait_for(in_mode("Calculating the flows", name), partial(pipeline.flows, at), as_json)
        drawn = wait_for(in_mode("Calculating how sure they are", name), partial(pipeline.flow_draws, at), as_json)
        told = (*pipeline.chance_today(at, drawn), *pipeline.barely_lifting(at, solution), *_states(at, solution))
        modes.append((name, at, solution, drawn.band_m3_s, told))
    read_off = pipeline.readings(system)
    if as_json:
        from optimizer.documents import payload

        print_json(payload.by_mode(system, [(m[0], payload.flow_json(*m[1:4], read_off, m[4])) for m in modes]))
    elif not system.settings:
        print_all(flows_text.flow_blocks(*modes[0][1:4], read_off, modes[0][4]))
    else:
        print_all(flows_text.mode_flow_blocks(system, modes, read_off))


def _modes(system: System, wanted: str | None) -> list[tuple[str, System]]:
    """Return the modes of a system, or the one that is asked for."""
    modes = list(system.ways_to_run)
    if wanted is None:
        return modes
    if not system.settings or wanted not in (name for name, _ in modes):
        known = ", ".join(name for name, _ in modes if name) or "the file has none"
        raise click.BadParameter(f"'{wanted}'; modes: {known}", param_hint="--mode")
    return [(name, at) for name, at in modes if name == wanted]


def _tell_settings(system: System, settings: tuple[float, ...], as_json: bool) -> None:
    from optimizer import pipeline
    from optimizer.documents import flow_tables

    solutions = wait_for("Calculating the flows", lambda: pipeline.flows_over_settings(system, settings), as_json)
    if as_json:
        print_json(flow_tables.speed_json(system, solutions))
    else:
        print_all(flow_tables.speed_blocks(system, solutions))


@main.command()
@file_argument
@click.option("--limit", type=click.IntRange(min=1), metavar="COUNT", help="Show only so many parts.")
@click.option("--by", type=click.Choice(("run", "kind")), help="Add the losses up by run or by kind of part.")
@click.option("--along", metavar="RUN", help="Show the head after every part along the flow through RUN.")
@mode_option
@catalogs_option
@json_option
def losses(
    file: Path,
    limit: int | None,
    by: str | None,
    along: str | None,
    mode: str | None,
    catalogs: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Show the head loss of every part, the largest first, in every mode.

    The last column is how much more the run would carry without that loss.
    """
    if sum(choice is not None for choice in (limit, by, along)) > 1:
        raise click.UsageError("choose one of --limit, --by and --along")
    from optimizer.documents import payload

    system, _ = _read(file, catalogs, as_json)
    if along is not None:
        tell = partial(_head_line, along)
    else:
        tell = partial(_part_losses, limit) if by is None else partial(_groups, by)
    told = [(name, *tell(at, name, as_json)) for name, at in _modes(system, mode)]
    if as_json:
        print_json(payload.by_mode(system, [(name, data) for name, data, _ in told]))
    else:
        print_all([block for _, _, blocks in told for block in blocks])


def _part_losses(limit: int | None, system: System, mode: str, quiet: bool) -> tuple[dict[str, Any], list[Block]]:
    """Return what every part loses in one mode, as data and as text."""
    from optimizer import pipeline
    from optimizer.documents import flows_text, payload
    from optimizer.wording.notes import notes_words

    solution, rows = wait_for("Leaving out one part after the other", lambda: pipeline.losses(system), quiet)
    doubts = solution.warnings if solution.doubt.pumps else _states(system, solution)
    warnings = notes_words(doubts, system.units)
    return payload.losses_json(system, rows[:limit]), flows_text.loss_blocks(system, rows, limit, warnings, mode)


def _head_line(run: str, system: System, mode: str, quiet: bool) -> tuple[dict[str, Any], list[Block]]:
    from optimizer import pipeline
    from optimizer.documents import flow_tables

    if run not in system.network.runs:
        raise click.BadParameter(
            f"there is no run {run!r}; the runs are {', '.join(system.network.runs)}", param_hint="--along"
        )
    line = wait_for("Calculating the heads", lambda: pipeline.head_along(system, run), quiet)
    blocks = [*flow_tables.head_line_blocks(system, run, line, mode), *_doubts(system)]
    return flow_tables.head_line_json(system, run, line), blocks


def _groups(by: str, system: System, mode: str, quiet: bool) -> tuple[dict[str, Any], list[Block]]:
    from optimizer import pipeline
    from optimizer.documents import flow_tables

    groups = wait_for("Adding up the losses", lambda: pipeline.grouped_losses(system, by), quiet)
    blocks = [*flow_tables.group_blocks(system, groups, by, mode), *_doubts(system)]
    return flow_tables.group_json(system, groups, by), blocks


def _doubts(system: System) -> list[Block]:
    """Return what is to be said of flows that losses are told at: a pump at the end of its curve, other states."""
    from optimizer import pipeline
    from optimizer.documents import flows_text
    from optimizer.wording.notes import notes_words

    solution = pipeline.flows(system)
    states = notes_words(_states(system, solution), system.units)
    return [*flows_text.doubt_blocks(solution, system.units), *flows_text.note_lines(states)]


def _states(system: System, solution: NetworkSolution) -> list[Note]:
    """Return a note each of which further steady states the plumbing may be in."""
    from optimizer import pipeline
    from optimizer.hydraulics.steady import state_notes

    return state_notes(solution.flows_m3_s, pipeline.other_states(system, solution))


@main.command()
@file_argument
@output_option("XLSX", "Write the workbook: answer, order, pages to build from, settings card, appendix.")
@replace_option
@catalogs_option
@time_limit_option
@click.option(
    "--solver",
    type=click.Choice(_SOLVERS, case_sensitive=False),
    help="Use only this solver; otherwise the first that answers, in this order.",
)
@click.option("--no-spares", is_flag=True, help="List no spare parts.")
@click.option(
    "--store-csv",
    "store_csv",
    type=click.Path(path_type=Path),
    metavar="CSV",
    help="Write the order as plain rows too, for a store's own program.",
)
@budget_option("Parts may cost at most this, in the catalog's currency; overrides the file.")
@promise_options
@click.option("--most-flow", is_flag=True, help="Find the most flow for the budget, instead of the targets.")
@json_option
def plan(
    file: Path,
    output: Path | None,
    replace: bool,
    no_spares: bool,
    store_csv: Path | None,
    catalogs: tuple[Path, ...],
    time_limit_s: float,
    solver: str | None,
    budget_cents: int | None,
    margin: float | None,
    certainty: float | None,
    most_flow: bool,
    as_json: bool,
) -> None:
    """Find the cheapest changes that meet every target.

    The plan is proven cheapest for these parts, prices and rules, or tells how much cheaper one could be. It is checked
    by an independent solution of the whole network before it is shown.
    """
    free_outputs(replace, (file, *catalogs), (output, ".xlsx"), (store_csv, ".csv"))
    from optimizer import pipeline

    system, catalog = _read(file, catalogs, as_json)
    if budget_cents is not None:
        system = system.with_budget(budget_cents)
    system = system.with_promise(margin, certainty)
    name = solver and solver.upper()
    if most_flow:
        most = partial(pipeline.most_flow, system, catalog, solver=name, time_limit_s=time_limit_s)
        best = wait_for_search("Searching for the most flow", lambda tell: most(progress=tell), as_json)
        system, found = best.system, best.plan
    else:
        search = partial(pipeline.search, system, catalog, solver=name, time_limit_s=time_limit_s)
        found = wait_for_search("Searching for the cheapest plan", lambda tell: search(progress=tell), as_json)
    if not found.found:
        _end_without_plan(system, found, as_json)
    checked = partial(pipeline.report, system, found, catalog, spares=not no_spares)
    report = wait_for("Checking the plan as a network", checked, as_json)
    _write_plan(report, catalog, output, store_csv, replace, as_json)
    _tell_plan(report, catalog, output, store_csv, as_json)


@main.command()
@click.argument("path", type=click.Path(path_type=Path), default=Path("starter.yaml"))
@replace_option
def example(path: Path, replace: bool) -> None:
    """Write a starter file that explains itself.

    It goes to PATH, or to starter.yaml here.
    """
    from optimizer.read.places import data_directory
    from optimizer.whole_file import free_target, put_whole

    target = free_target(path, replace, ".yaml")
    put_whole(target, (data_directory("examples") / "starter.yaml").read_bytes())
    say(f"Wrote {path}. Change it into your own plumbing, then: retrofit check {path}")


def _read(file: Path, catalogs: tuple[Path, ...], quiet: bool) -> tuple[System, Catalog]:
    from optimizer import pipeline

    return wait_for(f"Reading {file}", lambda: pipeline.read(file, catalogs), quiet)


def _end_without_plan(system: System, found: Plan, as_json: bool) -> NoReturn:
    """Print why there is no plan, and end; no workbook is written."""
    from optimizer.documents import payload, text
    from optimizer.documents.flows_text import unsafe_today
    from optimizer.model.plan import Status

    if as_json:
        print_json(payload.no_plan_json(system, found))
    else:
        print_all([*unsafe_today(system), *text.no_plan_blocks(system, found)])
    click.get_current_context().exit(ANSWER_IS_NO if found.status is Status.INFEASIBLE else NO_ANSWER)


def _write_plan(
    report: PlanReport, catalog: Catalog, output: Path | None, store_csv: Path | None, replace: bool, quiet: bool
) -> None:
    """Write the files first, all or none: what is printed then is also what lies in them."""
    from optimizer.documents import papers
    from optimizer.whole_file import free_target, put_all

    files: dict[Path, bytes] = {}
    if output is not None:
        written = partial(papers.workbook, report, catalog)
        files[free_target(output, replace, ".xlsx")] = wait_for(f"Writing {output}", written, quiet)
    if store_csv is not None:
        files[free_target(store_csv, replace, ".csv")] = papers.store_rows(report)
    put_all(files)


def _tell_plan(
    report: PlanReport, catalog: Catalog, output: Path | None, store_csv: Path | None, as_json: bool
) -> None:
    from optimizer import pipeline
    from optimizer.documents import payload, text

    if as_json:
        print_json(payload.plan_json(report, pipeline.take_off(report, catalog, spares=False, ports=False)))
        return
    print_all(text.plan_blocks(report))
    if output is not None:
        say(
            f"\nWrote {output}: the answer, the order for the store, the pages to build from, the settings card, "
            "and an appendix."
        )
    if store_csv is not None:
        say(f"Wrote {store_csv}: the parts list as plain rows.")


def _fault_json(fault: Any) -> dict[str, Any]:
    return {"place": fault.place, "found": fault.found, "allowed": fault.allowed, "suggestion": fault.suggestion}
