"""A solved plumbing → the pumps that barely lift: a little less head, and hardly any water comes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from optimizer.hydraulics.network import solve_network
from optimizer.hydraulics.pumps import pump_head_m
from optimizer.model.kinds import Kind
from optimizer.model.note import Note, note

if TYPE_CHECKING:
    from optimizer.model.network import Network, Pump

# What wear, a dirty screen or 2 cm in a metre of water level take; from 9/10 of its shut-off head taken by height alone
# on, a parabola's flow then falls by a tenth.
_LESS_HEAD = 0.02
_FALLS = 0.1
_NEAR_SHUT_OFF = 1.0 - _LESS_HEAD / (2.0 * _FALLS)  # with less of it taken no flow falls so far
_STILL_M3_S = 1e-9


def barely_lifting(network: Network, flows_m3_s: Mapping[str, float]) -> tuple[Note, ...]:
    """Return a note each of the pumps of a solved plumbing that lose a tenth of their flow with 2 % less head.

    Such a pump works near its shut-off head because of the height. One that a valve throttles is not meant: less head
    hardly moves its flow.
    """
    found = []
    for run in network.runs.values():
        for name in (part.name for part in run.parts if part.kind is Kind.PUMP):
            flow_m3_s, pump = flows_m3_s[run.name], network.pumps[name]
            if flow_m3_s > _STILL_M3_S and _is_near_shut_off(pump, flow_m3_s):
                weaker = replace(pump, head_factor=pump.head_factor * (1.0 - _LESS_HEAD))
                left = solve_network(replace(network, pumps={**network.pumps, name: weaker})).flows_m3_s[run.name]
                found.append((name, 1.0 - max(left, 0.0) / flow_m3_s))
    return tuple(
        note("barely lifts", pump=name, less_head_share=_LESS_HEAD, share=share)
        for name, share in found
        if share >= _FALLS
    )


def _is_near_shut_off(pump: Pump, flow_m3_s: float) -> bool:
    return pump.speed > 0.0 and pump_head_m(pump, flow_m3_s) >= _NEAR_SHUT_OFF * pump_head_m(pump, 0.0)
