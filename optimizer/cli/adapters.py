"""The command `adapters`: every way between two ends, or at every threaded port of a system file."""

from __future__ import annotations

from pathlib import Path

import click

from optimizer.cli.endings import ANSWER_IS_NO
from optimizer.cli.options import catalogs_option, given_as, json_option
from optimizer.cli.output import print_all, print_json
from optimizer.cli.waiting import wait_for

_EXAMPLE = "'3/4 in BSPP male' '1 in socket'"


@click.command("adapters")
@click.argument("ends_or_file", nargs=-1, required=True, metavar="(FROM TO | FILE)")
@click.option("--flow", metavar="FLOW", help="Design flow with its unit: '300 gph', '1200 L/h'; needed for losses.")
@click.option("--pressure", metavar="PRESSURE", help="Gauge pressure to withstand, with its unit: '30 psi', '2 bar'.")
@click.option("--units", type=click.Choice(("US", "metric")), default="US", help="Units to show, with FROM TO.")
@click.option("--brass", is_flag=True, help="Allow copper alloys and plain steel; never with salt water.")
@click.option("--all", "show_all", is_flag=True, help="Show every efficient way, not only the first few.")
@catalogs_option
@json_option
@click.pass_context
def adapters(
    ctx: click.Context,
    ends_or_file: tuple[str, ...],
    flow: str | None,
    pressure: str | None,
    units: str,
    brass: bool,
    show_all: bool,
    catalogs: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Show every way from one end to another, or at each threaded port of FILE.

    FROM and TO are size and form, in flow direction: '3/4 in BSPP male', '1 in socket', '25 mm socket',
    '1/2 in barb'. What must not be used is shown last, with the reason. Exit code 1: there is no way that may be used.
    """
    if len(ends_or_file) == 1:
        if flow or pressure or brass:
            raise click.UsageError("--flow, --pressure and --brass go with FROM TO; a file says these itself.")
        _at_ports(Path(ends_or_file[0]), catalogs, show_all, as_json)
    elif len(ends_or_file) == 2:
        if not _between(ends_or_file, flow, pressure, units, brass, catalogs, show_all, as_json):
            ctx.exit(ANSWER_IS_NO)
    else:
        raise click.UsageError(f"give two ends in quotes, such as {_EXAMPLE}, or one system file.")


def _between(
    ends: tuple[str, ...],
    flow: str | None,
    pressure: str | None,
    units: str,
    brass: bool,
    catalogs: tuple[Path, ...],
    show_all: bool,
    as_json: bool,
) -> bool:
    """Print the ways between two ends and return whether one of them may be used."""
    from optimizer.documents.adapters_text import SHOWN, adapters_blocks, adapters_json
    from optimizer.joints.ways import ways, why_no_way
    from optimizer.read.catalogs import load_catalog
    from optimizer.read.named_end import named_end
    from optimizer.takeoff.ports import loss_at
    from optimizer.units import parse_flow, parse_pressure

    catalog = load_catalog(catalogs)
    with given_as("FROM"):
        start = named_end(ends[0], catalog)
    with given_as("TO"):
        goal = named_end(ends[1], catalog)
    with given_as("--flow"):
        flow_m3_s = parse_flow(flow, units) if flow else None
    loss = loss_at(flow_m3_s) if flow_m3_s is not None else None
    with given_as("--pressure"):
        pressure_pa = parse_pressure(pressure, units) if pressure else 0.0
    offered = ways(
        start,
        goal,
        catalog,
        flow_m3_s=flow_m3_s,
        measure=loss,
        pressure_pa=pressure_pa,
        allow_unsafe_metals=brass,
    )
    why = "" if offered else why_no_way(start, goal, catalog)
    money = catalog.currency
    if as_json:
        print_json(adapters_json(start, goal, offered, currency=money, flow_m3_s=flow_m3_s, why_none=why))
    else:
        limit = None if show_all else SHOWN
        print_all(
            adapters_blocks(
                start,
                goal,
                offered,
                units=units,
                currency=money,
                flow_m3_s=flow_m3_s,
                why_none=why,
                limit=limit,
            )
        )
    return any(way.allowed for way in offered)


def _at_ports(path: Path, catalogs: tuple[Path, ...], show_all: bool, as_json: bool) -> None:
    """Print the ways at every threaded port of a system file."""
    from optimizer import pipeline
    from optimizer.documents.adapters_text import PORTS_SHOWN, port_blocks, ports_json
    from optimizer.takeoff.ports import ways_at_ports

    if not path.is_file() and path.suffix.lower() not in (".yaml", ".yml"):
        raise click.UsageError(f"there is no file {path}; for two ends give both, such as {_EXAMPLE}.")
    system, catalog = pipeline.read(path, catalogs)
    solution = wait_for("Calculating the flows", lambda: pipeline.flows(system), as_json)
    found = ways_at_ports(system, catalog, solution.flows_m3_s)
    if as_json:
        print_json(ports_json(found, name=system.name, currency=catalog.currency))
        return
    limit = None if show_all else PORTS_SHOWN
    print_all(port_blocks(found, name=system.name, units=system.units, currency=catalog.currency, limit=limit))
