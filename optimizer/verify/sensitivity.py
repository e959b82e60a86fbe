"""Valves that stand nearly shut → how much a small turn of their handle moves the flow."""

from __future__ import annotations

from collections.abc import Iterator

from optimizer.errors import NetworkError
from optimizer.hydraulics import Handles
from optimizer.model.catalog import Kind
from optimizer.model.network import Network
from optimizer.model.note import Note, note
from optimizer.model.plan import ValveSetting
from optimizer.verify.running import STILL_M3_S

QUARTER = 0.25  # of its travel: below, a valve is noisy, drifts and clogs; common practice, no source
_BALL_STEP = 5.0 / 90.0  # 5° of the quarter turn
_TURNS_STEP = 1.0 / 16.0  # of the turns of a gate or globe valve
_ROTARY = frozenset({Kind.BALL_VALVE, Kind.TRUE_UNION_BALL_VALVE})


def touchy_valves(network: Network, valves: tuple[ValveSetting, ...]) -> Iterator[Note]:
    """Yield how far a small turn moves the flow of every valve that stands open less than a quarter of its travel.

    Parameters
    ----------
    network
        The plumbing with its valves where they are to stay.
    valves
        How they are set.
    """
    near_shut = [setting for setting in valves if 0.0 < setting.opening < QUARTER]
    if not near_shut:
        return
    try:
        handles = Handles(network)
    except NetworkError:
        return
    for setting in near_shut:
        part = network.runs[setting.run].parts[setting.part_index]
        step = _BALL_STEP if part.kind in _ROTARY else _TURNS_STEP
        try:
            now, wider = (
                abs(handles.turned_m3_s(setting.run, setting.part_index, opening)[setting.run])
                for opening in (setting.opening, min(1.0, setting.opening + step))
            )
        except NetworkError:
            continue
        if now > STILL_M3_S:
            code = "handle moves much" if part.kind in _ROTARY else "turns move much"
            yield note(code, run=setting.run, share=wider / now - 1.0)
