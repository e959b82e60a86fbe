"""Drains → further runs of the drawing: from the tank's water to the water that each ends in, with what it takes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from optimizer.model.checks import Check
from optimizer.model.circuits import sumps
from optimizer.model.network import Network, PointKind, Run, RunEnd
from optimizer.model.note import Note
from optimizer.model.safety import SafetyCheck, Verdict, worst
from optimizer.model.tanks import Drain, DrainMode
from optimizer.units import show_flow


@dataclass(frozen=True, slots=True)
class ShownDrain:
    """A drain as a run of the drawing, under a name that no run has.

    `name` is its own, `lines` are told below that; `place` is where it stands among all drains of the system.
    """

    name: str
    place: int
    run: Run
    lines: tuple[str, ...]


def shown_drains(
    drains: Iterable[Drain], network: Network, units: str, verdicts: Mapping[str, Verdict] | None = None
) -> tuple[ShownDrain, ...]:
    """Return the drains to be drawn: those of a tank that there is, down to a water that lies lower.

    `verdicts` says how safe each is, by its name, where that was worked out.
    """
    found: list[ShownDrain] = []
    taken = set(network.runs)
    for place, drain in enumerate(drains):
        end = end_of(drain, network)
        if not end or drain.tank not in network.points:
            continue
        key = drain.name
        while key in taken:
            key += " (drain)"
        taken.add(key)
        sizes = Counter(each.size for part in drain.parts for each in part.ends)
        size = sizes.most_common(1)[0][0] if sizes else ""
        run = Run(key, RunEnd(drain.tank), RunEnd(end), size, "", drain.parts, drain.place)
        safe = [str(verdicts[drain.name])] if verdicts and drain.name in verdicts else []
        lines = (f"drain, {drain.mode}", capacity_words(drain, network, units), *safe)
        found.append(ShownDrain(drain.name, place, run, lines))
    return tuple(found)


def end_of(drain: Drain, network: Network) -> str:
    """Return the water that a drain ends in: the tank it names, else the sump; nothing where none lies lower."""
    if drain.to:
        return drain.to if drain.to in network.points else ""
    heads = {one.name: one.head_m or 0.0 for one in network.points.values() if one.kind is PointKind.SURFACE}
    own = heads.pop(drain.tank, 0.0)
    lower = [name for name in heads if heads[name] < own]
    lowest = min(lower, key=lambda name: heads[name], default="")
    return next((name for name in sumps(network) if name in lower), lowest)


def capacity_words(drain: Drain, network: Network, units: str) -> str:
    """Return what a drain takes with its valves open, or that it is not known."""
    from optimizer.verify.drains import drain_capacity_m3_s

    carried = drain_capacity_m3_s(drain, network.water)
    return "capacity not known" if carried is None else f"takes up to {show_flow(carried, units)}"


def with_drains(network: Network, drains: Iterable[ShownDrain]) -> Network:
    """Return the plumbing that is drawn: the runs, and behind them the drains."""
    return replace(network, runs={**network.runs, **{one.run.name: one.run for one in drains}})


def drain_verdicts(drains: Iterable[Drain], checks: Iterable[SafetyCheck], now: bool) -> dict[str, Verdict]:
    """Return how the check of each drain came out, the worst of all modes; `now` for the plumbing as it stands."""
    found: dict[tuple[str, Check], list[Verdict]] = {}
    for check in checks:
        found.setdefault((_tank_of(check.title), check.check), []).append(check.verdict_now if now else check.verdict)
    asked = {drain.name: (drain.tank, _checked_by(drain)) for drain in drains}
    return {name: worst(found[place]) for name, place in asked.items() if place in found}


def _checked_by(drain: Drain) -> Check:
    return Check.EMERGENCY_DRAIN if drain.mode is DrainMode.EMERGENCY else Check.MAIN_DRAIN


def _tank_of(title: Note) -> str:
    """Return the tank that a check is about, told in the title of its mode where there are several."""
    values = dict(title.values)
    inner = values.get("what")
    return _tank_of(inner) if isinstance(inner, Note) else str(values.get("tank", ""))
