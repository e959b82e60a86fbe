"""The command `adapters`: every way between two ends, or at every threaded port of a system file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from optimizer.model.catalog import Catalog
    from optimizer.model.ends import End

_EXAMPLE = "3/4 in BSPP male"


@click.command("adapters")
@click.argument("ends_or_file", nargs=-1, required=True, metavar="FROM TO | FILE")
@click.option("--flow", metavar="FLOW", help="Design flow with its unit, such as '300 gal/h' or '1200 L/h'.")
@click.option("--pressure", metavar="PRESSURE", help="Gauge pressure to bear, with its unit: '30 psi' or '2 bar'.")
@click.option(
    "--units", type=click.Choice(["US", "metric"]), default="US", help="How numbers are shown (FROM TO only)."
)
@click.option("--brass", is_flag=True, help="Allow copper alloys and plain steel: fresh water without invertebrates.")
@click.option("--all", "show_all", is_flag=True, help="Show every efficient way, not the first few.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON: SI units, money in whole cents.")
@click.option(
    "--catalog",
    "catalogs",
    multiple=True,
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A catalog or price list of your own, over the shipped ones; may be given more than once.",
)
def adapters_command(
    ends_or_file: tuple[str, ...],
    flow: str | None,
    pressure: str | None,
    units: str,
    brass: bool,
    show_all: bool,
    as_json: bool,
    catalogs: tuple[Path, ...],
) -> None:
    """Show every way from one end to another side by side, or at each threaded port of FILE.

    FROM and TO are written as size and form, in the order of the water: "3/4 in BSPP male", "1 in socket",
    "25 mm socket", "1/2 in barb".
    """
    from optimizer.errors import OptimizerError

    try:
        if len(ends_or_file) == 1:
            if flow or pressure or brass:
                raise click.UsageError("--flow, --pressure and --brass go with FROM TO; a file says these itself.")
            text = _file_text(Path(ends_or_file[0]), catalogs, show_all, as_json)
        elif len(ends_or_file) == 2:
            text = _pair_text(ends_or_file, flow, pressure, units, brass, show_all, as_json, catalogs)
        else:
            raise click.UsageError(f"give two ends in quotes, such as '{_EXAMPLE}' '1 in socket', or one system file.")
    except OptimizerError as error:
        raise click.ClickException(str(error)) from error
    click.echo(text, nl=False)


def _pair_text(
    ends: tuple[str, ...],
    flow: str | None,
    pressure: str | None,
    units: str,
    brass: bool,
    show_all: bool,
    as_json: bool,
    catalogs: tuple[Path, ...],
) -> str:
    from optimizer.documents.adapters_text import SHOWN, adapters_blocks, adapters_json
    from optimizer.documents.tables import plain_text
    from optimizer.joints.ways import ways, why_no_way
    from optimizer.read.catalogs import load_catalog
    from optimizer.takeoff.ports import loss_at
    from optimizer.units import parse_flow, parse_pressure

    catalog = load_catalog(catalogs)
    start, goal = (named_end(text, catalog) for text in ends)
    flow_m3_s = parse_flow(flow, units) if flow else None
    offered = ways(
        start,
        goal,
        catalog,
        flow_m3_s=flow_m3_s,
        measure=loss_at(flow_m3_s) if flow_m3_s is not None else None,
        pressure_pa=parse_pressure(pressure, units) if pressure else 0.0,
        allow_unsafe_metals=brass,
    )
    why = "" if offered else why_no_way(start, goal, catalog)
    if as_json:
        return _dumped(
            adapters_json(start, goal, offered, currency=catalog.currency, flow_m3_s=flow_m3_s, why_none=why)
        )
    limit = None if show_all else SHOWN
    return plain_text(
        adapters_blocks(
            start,
            goal,
            offered,
            units=units,
            currency=catalog.currency,
            flow_m3_s=flow_m3_s,
            why_none=why,
            limit=limit,
        )
    )


def _file_text(path: Path, catalogs: tuple[Path, ...], show_all: bool, as_json: bool) -> str:
    from optimizer import pipeline
    from optimizer.documents.adapters_text import port_blocks, ports_json
    from optimizer.documents.tables import plain_text
    from optimizer.takeoff.ports import ways_at_ports

    if not path.is_file() and path.suffix.lower() not in (".yaml", ".yml"):
        raise click.UsageError(f"{path} is no file; of two ends both are needed: '{path}' and where it is to lead.")
    system, catalog = pipeline.read(path, catalogs)
    found = ways_at_ports(system, catalog, pipeline.flows(system).flows_m3_s)
    if as_json:
        return _dumped(ports_json(found, name=system.name, currency=catalog.currency))
    limit = None if show_all else 3
    return plain_text(port_blocks(found, name=system.name, units=system.units, currency=catalog.currency, limit=limit))


def named_end(text: str, catalog: Catalog) -> End:
    """Return the end that a person wrote: case, extra blanks and `in.` do not matter.

    Raises
    ------
    InputError
        When it is no end, or the catalogs have none of that size and form; says which sizes there are.
    """
    from optimizer.errors import Fault, InputError
    from optimizer.model.ends import Form
    from optimizer.read.columns import CellError, parse_end

    words = text.lower().replace("in.", "in").replace('"', " in").split()
    written = " ".join(words[2:])
    form = next((str(form) for form in Form if str(form).lower() == written), written)
    try:
        end = parse_end(" ".join([*words[:2], form]).strip())
    except CellError as error:
        raise InputError([Fault("end", repr(text), error.allowed, error.suggestion)]) from error
    known = {one for item in catalog.items.values() for one in item.ends}
    if end not in known:
        sizes = ", ".join(sorted({one.size for one in known if (one.form, one.system) == (end.form, end.system)}))
        raise InputError([Fault("end", repr(text), f"for {end.form} the sizes in the catalogs: {sizes or 'none'}")])
    return end


def _dumped(payload: dict[str, object]) -> str:
    import json

    return json.dumps(payload, indent=2, ensure_ascii=False) + "\n"
