"""A plumbing with everything shut → the greatest pressure in every run, and whether its parts bear it.

Water surfaces, outlets and supplies part a plumbing: what one part's pumps press, or house water, stands in no other.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from optimizer.hydraulics import GRAVITY_M_S2, fluid_of, pump_head_m
from optimizer.model.catalog import Kind
from optimizer.model.checks import Check
from optimizer.model.circuits import has_pump
from optimizer.model.network import Network, PointKind, Run
from optimizer.model.note import Note, note
from optimizer.model.safety import SafetyCheck
from optimizer.verify.running import pump_runs


def shut_off_pressures_pa(network: Network) -> dict[str, float]:
    """Return the greatest pressure in each run with nothing flowing out [Pa]; nothing without pump or supply.

    Every pump at the highest speed that its dial reaches, pumps behind one another or behind house water added up. The
    greatest of all that hangs together through tees counts everywhere in it; heights inside the runs are not known, so
    the lowest of all points counts.
    """
    if not pump_runs(network) and all(point.kind is not PointKind.SUPPLY for point in network.points.values()):
        return {}
    heights = [point.elevation_m for point in network.points.values() if point.elevation_m is not None]
    weight = fluid_of(network.water).density_kg_m3 * GRAVITY_M_S2
    found: dict[str, float] = {}
    for part in network.parts():
        reached_m = _reached_m(network, [network.runs[name] for name in part])
        found |= dict.fromkeys(part, weight * (reached_m - min(heights, default=0.0)))
    return found


def pressure_at_pa(network: Network, pressures_pa: Mapping[str, float], point: str) -> float:
    """Return what presses at a tee, from what presses in the runs [Pa]; 0 where nothing does."""
    return max((pressures_pa.get(run.name, 0.0) for run, _, _ in network.runs_at(point)), default=0.0)


def _reached_m(network: Network, runs: list[Run]) -> float:
    """Return the greatest head anywhere in runs that hang together [m]."""
    ends = [network.points[end.point] for run in runs for end in (run.start, run.end)]
    fixed = {point.name: point.head_m for point in ends if point.head_m is not None}
    lifts = {run.name: _shut_off_head_m(network, run) for run in runs if has_pump(run)}
    reached = max(fixed.values(), default=0.0)
    most = reached + sum(lifts.values())  # a pump in a ring counts once
    heads = dict(fixed)
    for _ in runs:  # as many rounds as the longest way has runs, at the most
        before = dict(heads)
        for run in runs:
            start, end = run.start.point, run.end.point
            pushed = min(most, heads.get(start, -math.inf) + lifts.get(run.name, 0.0))
            reached = max(reached, pushed)
            if end not in fixed:
                heads[end] = max(heads.get(end, -math.inf), pushed)
            if start not in fixed and run.name not in lifts:
                heads[start] = max(heads.get(start, -math.inf), heads.get(end, -math.inf))
        if heads == before:
            break
    return reached


def _shut_off_head_m(network: Network, run: Run) -> float:
    pumps = [network.pumps[part.name] for part in run.parts if part.kind is Kind.PUMP]
    return sum(pump_head_m(pump, 0.0, max((pump.speed, *pump.speeds))) for pump in pumps)


def pressure_checks(now: Network, after: Network) -> Iterator[SafetyCheck]:
    """Yield the check of the part with the least to spare for what presses in its run, and of what has no rating."""
    today, then = shut_off_pressures_pa(now), shut_off_pressures_pa(after)
    if not then:
        return
    made, made_today = [*_pressed(after, then)], [*_pressed(now, today)] if today else []
    if rated := [each for each in made if each.rating_pa > 0.0]:
        weakest = max(rated, key=lambda each: each.strain)
        check = SafetyCheck(
            Check.PRESSURE, note("pressure"), "pressure", None, weakest.pressed_pa, weakest.rating_pa, weakest.told
        )
        first = max((each for each in made_today if each.rating_pa > 0.0), key=lambda each: each.strain, default=None)
        if first is not None:
            check = replace(check, now=first.pressed_pa, limit_now=first.rating_pa, why_now=first.told)
        yield check
    if unrated := sorted({each.words for each in made if not each.rating_pa > 0.0}):
        lack = note("rating of parts", parts=tuple(unrated[:3]), more=note("and more") if len(unrated) > 3 else None)
        most_now, most = max(today.values(), default=None), max(then.values())
        yield SafetyCheck(Check.PRESSURE, note("pressure, unrated"), "pressure", most_now, most, None, lack)


@dataclass(frozen=True)
class _Pressed:
    """A part or tee, what presses in it with everything shut, what it bears [Pa]; 0 where no rating is known."""

    pressed_pa: float
    rating_pa: float
    words: str
    where: str

    @property
    def told(self) -> Note:
        return note("may burst", part=self.words, where=self.where)

    @property
    def strain(self) -> tuple[float, str, str]:
        return self.pressed_pa / self.rating_pa, self.words, self.where


def _pressed(network: Network, pressures_pa: Mapping[str, float]) -> Iterator[_Pressed]:
    """Yield every part and tee that is a row of a catalog."""
    for run in network.runs.values():
        for part in run.parts:
            if part.item is not None:
                rating_pa = part.item.pressure_rating_pa
                yield _Pressed(pressures_pa[run.name], rating_pa, part.words, f"run {run.name!r}")
    for point, tee in network.tees.items():
        if tee.item is not None:
            pressed_pa = pressure_at_pa(network, pressures_pa, point)
            yield _Pressed(pressed_pa, tee.item.pressure_rating_pa, tee.item.description, repr(point))
