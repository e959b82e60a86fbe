"""What an eductor draws along besides the water that comes through it."""

from __future__ import annotations

from collections.abc import Mapping

from optimizer.model.kinds import Kind
from optimizer.model.network import Network
from optimizer.model.note import Note, note

DRAWN_ALONG = 4  # times an eductor's own flow, so many times as much of the tank: common practice, no source


def drawn_along(network: Network, flows_m3_s: Mapping[str, float]) -> tuple[Note, ...]:
    """Return a note each of what the eductors draw along besides what flows [m³/s by run]; no return flow."""
    return tuple(
        note("eductor stirs", run=run.name, times=DRAWN_ALONG, flow_m3_s=abs(flows_m3_s.get(run.name, 0.0)))
        for run in network.runs.values()
        if any(part.kind is Kind.EDUCTOR for part in run.parts)
    )
