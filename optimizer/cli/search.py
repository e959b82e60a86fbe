"""The commands that look around the cheapest plan: cost against flow, other ways, what each change buys."""

from __future__ import annotations

import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from optimizer.cli.commands import _end_without_plan, _read
from optimizer.cli.endings import NO_ANSWER
from optimizer.cli.options import budget_option, catalogs_option, file_argument, json_option, whole_time_option
from optimizer.cli.output import print_all, print_json, say
from optimizer.cli.waiting import Tell, wait_for, wait_for_search
from optimizer.errors import FlowsUnknownError

if TYPE_CHECKING:
    from optimizer.model.catalog import Catalog
    from optimizer.model.system import System
    from optimizer.search.cheapest import Search
    from optimizer.search.unknown_flows import UnknownSearch


def _note_second_pump(system: System) -> None:
    if system.second_pump is not None:
        say("With one pump only: a second one is considered by `retrofit plan`.", err=True)


@click.command()
@file_argument
@budget_option("Mark the most flow for this much, in the catalog's currency; that of the file if left out.")
@click.option(
    "--step",
    type=click.FloatRange(min=0, max=50),
    default=1.0,
    show_default=True,
    metavar="PERCENT",
    help="Leave out plans that reach less than this much more, in percent, than the one before; 0 shows all.",
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

    From what is least to what this catalog can do at most; every plan shown was checked as a network. Where the flows
    are not known beforehand every plan is a search of its own; what the time was too short for is said.
    """
    system, catalog = _read(file, catalogs, as_json)
    _note_second_pump(system)
    from optimizer import pipeline
    from optimizer.search.frontier import best_for_budget

    budget = system.rules.budget_cents if budget_cents is None else budget_cents
    work = partial(
        pipeline.frontier, system, catalog, least_gain=step / 100, budget_cents=budget, time_limit_s=time_limit_s
    )
    plans, notes = wait_for_search("Looking for every efficient plan", lambda tell: work(progress=tell), as_json)
    best = None if budget is None else best_for_budget(plans, budget)
    from optimizer.documents import search_text

    if as_json:
        print_json(search_text.frontier_json(system, plans, best, notes or ()))
    else:
        print_all(search_text.frontier_blocks(system, plans, best, notes))
    if not plans:
        click.get_current_context().exit(NO_ANSWER)


@click.command()
@file_argument
@catalogs_option
@whole_time_option
@json_option
def compare(file: Path, catalogs: tuple[Path, ...], time_limit_s: float, as_json: bool) -> None:
    """Set the cheapest plan beside others in kind.

    The fewest saw cuts, no other pipe size, only the pump, and nothing at all.
    """
    system, catalog = _read(file, catalogs, as_json)
    _note_second_pump(system)
    from optimizer import pipeline

    work = partial(pipeline.kinds_of_plan, system, catalog, time_limit_s=time_limit_s)
    kinds, any_flows = wait_for_search("Looking for other ways", lambda tell: work(progress=tell), as_json)
    from optimizer.documents import search_text

    if as_json:
        print_json(search_text.kinds_json(system, kinds))
    else:
        print_all(search_text.kinds_blocks(system, kinds, any_flows))


@click.command()
@file_argument
@catalogs_option
@whole_time_option
@json_option
def explain(file: Path, catalogs: tuple[Path, ...], time_limit_s: float, as_json: bool) -> None:
    """Say what each change of the cheapest plan buys.

    What is left if it alone is not made, and at what price of a part another plan would be cheaper.
    """
    system, catalog = _read(file, catalogs, as_json)
    _note_second_pump(system)
    from optimizer.search.cheapest import find_plan

    try:
        found: Search = wait_for("Searching for the cheapest plan", partial(find_plan, system, catalog), as_json)
    except FlowsUnknownError:
        _explain_any(system, catalog, time_limit_s, as_json)
        return
    if not found.plan.found:
        _end_without_plan(system, found.plan, as_json)
    from optimizer.search import explain as search

    worths = wait_for("Leaving out one change after the other", partial(search.change_worths, found), as_json)
    limits = wait_for("Looking for plans without each part", partial(search.price_limits, found), as_json)
    reach = search.reach_of(found)
    from optimizer.documents import search_text

    if as_json:
        print_json(search_text.worth_json(system, reach, worths, limits))
    else:
        print_all(search_text.worth_blocks(system, reach, worths, limits, catalog.currency))


def _explain_any(system: System, catalog: Catalog, time_limit_s: float, as_json: bool) -> None:
    """Explain a plan whose flows are not known beforehand."""
    from optimizer.documents import search_text
    from optimizer.search import unknown_explain as search
    from optimizer.search.watch import Watch

    def plan(tell: Tell) -> UnknownSearch:
        with Watch.of(time_limit_s, tell).part(0.5) as watch:
            return watch.find(system, catalog, "cheapest plan")

    began = time.monotonic()
    found = wait_for_search("Searching for the cheapest plan", plan, as_json)
    if not found.plan.found:
        _end_without_plan(system, found.plan, as_json)
    leave_out = partial(search.unknown_worths, system, found.plan)
    worths = wait_for("Leaving out one change after the other", leave_out, as_json)
    left_s = max(0.0, time_limit_s - (time.monotonic() - began))
    prices = partial(search.unknown_price_limits, system, catalog, found)
    limits = wait_for_search(
        "Looking for plans without each part", lambda tell: prices(Watch.of(left_s, tell)), as_json
    )
    reach = search.unknown_reach(system, found.plan)
    if as_json:
        print_json(search_text.worth_json(system, reach, worths, limits))
    else:
        print_all(
            search_text.worth_blocks(system, reach, worths, limits, catalog.currency, search_text.status_of(found.plan))
        )
