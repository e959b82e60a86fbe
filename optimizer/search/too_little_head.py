"""Ways of least loss that do not do → in which mode that shows, and which pump cannot lift its water at all there."""

from __future__ import annotations

from collections.abc import Iterator

from optimizer.hydraulics import pump_head_m
from optimizer.model.kinds import Kind
from optimizer.model.network import Network, Run
from optimizer.model.note import Note, note
from optimizer.search.flow_posing import FlowCase, Mode
from optimizer.search.flow_tightening import tightened


def too_little_head(case: FlowCase) -> Note:
    """Return that the ways of least loss do not do, in which of several modes, and which pump is too weak there."""
    modes = list(enumerate(case.modes if len(case.modes) > 1 else ()))
    short = next((at for i, at in modes if tightened(case, case.ranges, i, free=True) is None), None)
    weak = tuple(_too_weak(case.network, case.modes[0] if short is None else short)) if short or not modes else ()
    mode = note("in that mode", mode=short.name) if short else None
    return note("too little head", mode=mode, weak=note("lift no higher", pumps=weak) if weak else None)


def _too_weak(network: Network, mode: Mode) -> Iterator[Note]:
    """Yield the pumps of lines of their own that lift less, with no flow, than the lowest place they lead to."""
    for run in network.runs.values():
        pumps = [network.pumps[part.name] for part in run.parts if part.kind is Kind.PUMP]
        source_m = network.points[run.start.point].head_m
        if not pumps or source_m is None:
            continue
        reached = _reached(network, run)
        if any(one is not run and any(part.kind is Kind.PUMP for part in one.parts) for one in reached):
            continue  # another pump may help
        ends = {end.point for one in reached for end in (one.start, one.end)} - {run.start.point}
        heads = [head for name in ends if (head := network.points[name].head_m) is not None]
        most_m = max(sum(pump_head_m(pump, 0.0, speeds[pump.name]) for pump in pumps) for speeds in mode.speeds)
        asked = any(want.low_m3_s > 0.0 and run.name in dict(want.coefficients) for want in mode.wants)
        if asked and heads and most_m <= (lift_m := min(heads) - source_m):
            yield note("lifts at most", pump=pumps[0].name, most_m=most_m, lift_m=lift_m)


def _reached(network: Network, run: Run) -> list[Run]:
    """Return a run and those that it leads to without a free surface, an outlet or a supply between."""
    found, waiting = [run], [run]
    while waiting:
        one = waiting.pop()
        for end in (one.start, one.end):
            if not network.points[end.point].is_fixed:
                new = [other for other, _, _ in network.runs_at(end.point) if other not in found]
                found += new
                waiting += new
    return found
