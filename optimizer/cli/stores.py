"""The command that says at which of two stores to buy what."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from optimizer.cli.endings import ANSWER_IS_NO, NO_ANSWER
from optimizer.cli.options import (
    NumberRange,
    catalogs_option,
    file_argument,
    json_option,
    output_option,
    replace_option,
    whole_time_option,
)
from optimizer.cli.output import free_outputs, print_all, print_json
from optimizer.cli.waiting import wait_for
from optimizer.model.seller import Seller

_STORES = 2


@click.command()
@file_argument
@click.option(
    "--store",
    "lists",
    multiple=True,
    required=True,
    type=click.Path(path_type=Path),
    metavar="PRICES.csv",
    help="The price list of a store; give two.",
)
@click.option(
    "--minimum-order",
    "least",
    multiple=True,
    type=NumberRange(0, 1e6),
    metavar="AMOUNT",
    help="What an order is charged at least, store by store, in the currency of FILE.",
)
@click.option(
    "--delivery",
    multiple=True,
    type=NumberRange(0, 1e6),
    metavar="AMOUNT",
    help="What delivery or the way costs, store by store, in the currency of FILE.",
)
@output_option("XLSX", "Write a workbook with an order for each store at which something is bought.")
@replace_option
@catalogs_option
@whole_time_option
@json_option
def stores(
    file: Path,
    lists: tuple[Path, ...],
    least: tuple[float, ...],
    delivery: tuple[float, ...],
    output: Path | None,
    replace: bool,
    catalogs: tuple[Path, ...],
    time_limit_s: float,
    as_json: bool,
) -> None:
    """Show where to buy each line of the cheapest plan at two stores, or that one store is cheaper for all of it.

    Only what the two price lists have is bought. Packs, whole lengths of pipe, tax and minimum orders count.
    """
    from optimizer import pipeline
    from optimizer.documents.stores_text import shopping_blocks, shopping_json
    from optimizer.documents.workbook import orders_bytes
    from optimizer.whole_file import free_target, put_all

    if len(lists) != _STORES:
        raise click.BadParameter("the price lists of two stores", param_hint="--store")
    free_outputs(replace, (file, *lists, *catalogs), (output, ".xlsx"))
    names = [path.stem for path in lists]
    if len(set(names)) < _STORES:
        names = [str(path) for path in lists]
    sellers = [
        Seller(name, round(100 * minimum), round(100 * way))
        for name, minimum, way in zip(
            names, _each(least, "--minimum-order"), _each(delivery, "--delivery"), strict=True
        )
    ]
    read = [pipeline.read(file, (*catalogs, own)) for own in lists]
    system, shelves = read[0][0], [catalog for _, catalog in read]
    bought = partial(pipeline.shop, system, shelves, sellers, time_limit_s=time_limit_s)
    found = wait_for("Searching for the cheapest plan from one store, the other and both", bought, as_json)
    if output is not None and found.best is not None:
        put_all(
            {
                free_target(output, replace, ".xlsx"): orders_bytes(
                    found, system, pipeline.store_orders(system, found, shelves)
                )
            }
        )
    if as_json:
        print_json(shopping_json(found, system))
    else:
        print_all(shopping_blocks(found, system))
    if found.best is None:
        click.get_current_context().exit(ANSWER_IS_NO if found.is_proved_none else NO_ANSWER)


def _each(amounts: tuple[float, ...], option: str) -> tuple[float, ...]:
    if len(amounts) > _STORES:
        raise click.BadParameter("one amount for each store, in their order", param_hint=option)
    return (*amounts, *[0.0] * (_STORES - len(amounts)))
