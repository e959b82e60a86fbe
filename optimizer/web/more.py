"""What a page tells when it is asked for: adapters, losses added up, heads along a run, flows over speed settings.

`TOLD` has each by the name in its address: what is known of the system, the mode and the fields → blocks of text.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence

from optimizer import pipeline
from optimizer.documents.tables import Block
from optimizer.errors import EditError
from optimizer.model.system import System
from optimizer.units import parse_flow, parse_pressure
from optimizer.web.answers import Answers

Fields = Mapping[str, str]
Tell = Callable[[Answers, System, Fields], Sequence[Block]]  # what is known, the system in its mode, the form


def understood(answers: Answers, at: System, fields: Fields) -> Sequence[Block]:
    """Return what was understood of the file."""
    from optimizer.documents.found import check_blocks

    return check_blocks(answers.system, answers.catalog)


def speeds(answers: Answers, at: System, fields: Fields) -> Sequence[Block]:
    """Return the flows over settings of the pumps, from one percent to another."""
    from optimizer.documents.flow_tables import speed_blocks

    settings = speed_settings(fields.get("from", ""), fields.get("to", ""))
    return speed_blocks(at, pipeline.flows_over_settings(at, settings))


def speed_settings(low: str, high: str) -> tuple[float, ...]:
    """Return settings between two in percent, as shares: in steps of ten, or of five where they are close."""
    ends = [int(one) for one in (low, high) if re.fullmatch(r"\d{1,3}", one)]
    if len(ends) != 2 or not 0 < ends[0] <= ends[1] <= 100:
        raise EditError("found other settings than can be; allowed: percent from 1 to 100, the lower first")
    step = 10 if ends[1] - ends[0] > 30 else 5
    return tuple(each / 100 for each in sorted({*range(ends[0], ends[1], step), ends[1]}))


def grouped(answers: Answers, at: System, fields: Fields) -> Sequence[Block]:
    """Return the losses added up by run or by kind of part."""
    from optimizer.documents.flow_tables import group_blocks

    by = "kind" if fields.get("by") == "kind" else "run"
    return [*group_blocks(at, pipeline.grouped_losses(at, by), by, fields.get("mode", "")), *_doubts(at)]


def along(answers: Answers, at: System, fields: Fields) -> Sequence[Block]:
    """Return the head after every part along the flow through a run."""
    from optimizer.documents.flow_tables import head_line_blocks

    run = fields.get("run", "")
    if run not in at.network.runs:
        raise EditError("That run is no longer there.")
    return [*head_line_blocks(at, run, pipeline.head_along(at, run), fields.get("mode", "")), *_doubts(at)]


def _doubts(at: System) -> Sequence[Block]:
    from optimizer.documents.flows_text import doubt_blocks

    return doubt_blocks(pipeline.flows(at), at.units)


def ports(answers: Answers, at: System, fields: Fields) -> Sequence[Block]:
    """Return the ways at every threaded port."""
    from optimizer.documents.adapters_text import PORTS_SHOWN, port_blocks
    from optimizer.takeoff.ports import ways_at_ports

    found = ways_at_ports(at, answers.catalog, pipeline.flows(at).flows_m3_s)
    limit = None if fields.get("all") else PORTS_SHOWN
    return port_blocks(found, name=at.name, units=at.units, currency=answers.catalog.currency, limit=limit)


def adapters(answers: Answers, at: System, fields: Fields) -> Sequence[Block]:
    """Return the ways from one end to another that the catalogs have."""
    from optimizer.documents.adapters_text import SHOWN, adapters_blocks
    from optimizer.joints.ways import ways, why_no_way
    from optimizer.read.named_end import named_end
    from optimizer.takeoff.ports import loss_at

    catalog, units = answers.catalog, at.units
    start, goal = (named_end(fields.get(field, "").strip(), catalog) for field in ("from", "to"))
    flow = parse_flow(fields["flow"], units) if fields.get("flow", "").strip() else None
    pressure = parse_pressure(fields["pressure"], units) if fields.get("pressure", "").strip() else 0.0
    brass = fields.get("brass") == "yes"
    measure = None if flow is None else loss_at(flow)
    found = ways(start, goal, catalog, flow_m3_s=flow, measure=measure, pressure_pa=pressure, allow_unsafe_metals=brass)
    return adapters_blocks(
        start,
        goal,
        found,
        units=units,
        currency=catalog.currency,
        flow_m3_s=flow,
        why_none="" if found else why_no_way(start, goal, catalog),
        limit=None if fields.get("all") else SHOWN,
    )


TOLD: Mapping[str, Tell] = {
    "understood": understood,
    "speeds": speeds,
    "grouped": grouped,
    "along": along,
    "ports": ports,
    "adapters": adapters,
}
