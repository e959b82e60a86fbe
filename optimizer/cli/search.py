"""The commands that look around the cheapest plan: cost against flow, other ways, what each change buys."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from optimizer.cli.commands import _end_without_plan, _read
from optimizer.cli.endings import ANSWER_IS_NO, NO_ANSWER
from optimizer.cli.options import (
    NumberRange,
    budget_option,
    catalogs_option,
    file_argument,
    json_option,
    whole_time_option,
)
from optimizer.cli.output import print_all, print_json
from optimizer.cli.waiting import wait_for_search


@click.command()
@file_argument
@budget_option("Mark the most flow for this much, in the catalog's currency; otherwise for the budget of the file.")
@click.option(
    "--step",
    type=NumberRange(min=0, max=50),
    default=1.0,
    show_default=True,
    metavar="PERCENT",
    help="Leave out plans that give less than this much more, in percent, than the one before; 0 shows all.",
)
@catalogs_option
@whole_time_option
@json_option
def frontier(
    file: Path,
    budget_cents: int | None,
    step: float,
    catalogs: tuple[Path, ...],
    time_limit_s: float,
    as_json: bool,
) -> None:
    """Show what more money buys, plan by plan.

    From the least to the most that this catalog can do; every plan shown was checked as a network. It says what the
    time was too short for.
    """
    system, catalog = _read(file, catalogs, as_json)
    from optimizer import pipeline
    from optimizer.search.studies.frontier import best_for_budget

    budget = system.rules.budget_cents if budget_cents is None else budget_cents
    work = partial(
        pipeline.frontier, system, catalog, least_gain=step / 100, budget_cents=budget, time_limit_s=time_limit_s
    )
    found = wait_for_search("Looking for every efficient plan", lambda tell: work(progress=tell), as_json)
    plans = found.plans
    best = None if budget is None else best_for_budget(plans, budget)
    from optimizer.documents import search_text

    if as_json:
        print_json(search_text.frontier_json(system, plans, best, found.notes))
    else:
        print_all(search_text.frontier_blocks(system, plans, best, found.notes))
    if not plans:
        click.get_current_context().exit(ANSWER_IS_NO if found.proved_none else NO_ANSWER)


@click.command()
@file_argument
@catalogs_option
@whole_time_option
@json_option
def compare(file: Path, catalogs: tuple[Path, ...], time_limit_s: float, as_json: bool) -> None:
    """Compare the cheapest plan with other kinds of plan.

    One that works in 8 of 10 cases, a quiet one, the sensible one (often working, quiet, whole legs in one size), the
    fewest saw cuts, no other pipe size, only the pump, and nothing at all.
    """
    system, catalog = _read(file, catalogs, as_json)
    from optimizer import pipeline

    work = partial(pipeline.kinds_of_plan, system, catalog, time_limit_s=time_limit_s)
    kinds = wait_for_search("Looking for other ways", lambda tell: work(progress=tell), as_json)
    from optimizer.documents import search_text

    if as_json:
        print_json(search_text.kinds_json(system, kinds))
    else:
        print_all(search_text.kinds_blocks(system, kinds))
    if all(kind.plan is None for kind in kinds):
        click.get_current_context().exit(ANSWER_IS_NO if kinds[0].settled else NO_ANSWER)


@click.command()
@file_argument
@catalogs_option
@whole_time_option
@json_option
def explain(file: Path, catalogs: tuple[Path, ...], time_limit_s: float, as_json: bool) -> None:
    """Say what each change of the cheapest plan buys.

    What would be left without that one change, and at what price of a part another plan would be cheaper.
    """
    system, catalog = _read(file, catalogs, as_json)
    from optimizer import pipeline

    work = partial(pipeline.explain, system, catalog, time_limit_s=time_limit_s)
    told = wait_for_search("Pricing every change", lambda tell: work(progress=tell), as_json)
    if not told.plan.found:
        _end_without_plan(system, told.plan, as_json)
    from optimizer.documents import search_text

    if as_json:
        print_json(search_text.worth_json(system, told))
    else:
        print_all(search_text.worth_blocks(system, told))
