"""What an eductor draws along besides the water that comes through it."""

from __future__ import annotations

from collections.abc import Mapping

from optimizer.model.kinds import Kind
from optimizer.model.network import Network
from optimizer.units import show_flow

DRAWN_ALONG = 4  # times an eductor's own flow, so many times as much of the tank: common practice, no source


def drawn_along(network: Network, flows_m3_s: Mapping[str, float], units: str) -> tuple[str, ...]:
    """Return in a sentence each what the eductors draw along besides what flows [m³/s by run]; no return flow."""
    return tuple(
        f"the eductor of {run.name!r} stirs about {DRAWN_ALONG} times as much water of the tank as the "
        f"{show_flow(abs(flows_m3_s.get(run.name, 0.0)), units)} that come through it; that is no return flow and "
        "counts for no target"
        for run in network.runs.values()
        if any(part.kind is Kind.EDUCTOR for part in run.parts)
    )
