"""Where to set each valve so that every demand gets its flow, worked out on the planned plumbing."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from optimizer.choices.demands import KnownFlows
from optimizer.choices.scaled import least_m3_s
from optimizer.hydraulics import (
    Conditions,
    RunLosses,
    TeeRow,
    past_curve,
    pump_head_m,
    valve_bore_m,
    valve_k,
    valve_opening,
    valve_words,
)
from optimizer.hydraulics.friction import area_m2
from optimizer.hydraulics.water import GRAVITY_M_S2
from optimizer.model.catalog import THROTTLES
from optimizer.model.network import Leg, Network, Part, Run
from optimizer.model.plan import ValveSetting
from optimizer.model.system import Target
from optimizer.model.throttling import valve_to_set
from optimizer.verify.openings import Settled, opened

_HALVINGS = 30
_WITHIN_CURVE = 0.98  # valves are not set for the last point of a pump's curve: past it nothing is known
SPARE = 0.15  # of what drains and sumps take, or of a target, that settings leave where they can: about a band's width
_ENOUGH_OF_WINDOW = 0.5  # of the way from a window's end to its middle, before what nothing is asked of gets more
_BESIDE = 1e-3
_MOST_SCALE = 50.0  # no demand is offered more than this multiple of its least flow
MOST = 20.0  # no multiple of the targets beyond this is looked at


@dataclass(frozen=True)
class Balance:
    """Flows that the planned plumbing can hold [m³/s by run], and the head [m] that each demand's valve takes up."""

    flows_m3_s: Mapping[str, float]
    surplus_m: Mapping[str, float]


class _Served(NamedTuple):
    """How the demands of a tree are served: how far into their windows, at how many times their least flows.

    `share` of what it carries today is for each demand that nothing is asked of.
    """

    fraction: float = 0.0
    scale: float = 1.0
    share: float = 0.0


def balance(
    network: Network,
    known: KnownFlows,
    conditions: Conditions,
    may_flow: Callable[[Mapping[str, float]], bool] = lambda flows_m3_s: True,
    today_m3_s: Mapping[str, float] | None = None,
) -> Balance | None:
    """Return the flows to set: each demand above its least flow as there is head, the rest to those without a limit.

    Windows come to their middle as least flows come `SPARE` above theirs, evenly, so that none is left on its target.

    Less than `may_flow` allows, by `SPARE` or as much as is above the least flows, and less than the last point of a
    pump's curve, as far as the least flows do. What nothing is asked of keeps what it carries `today_m3_s`, as far as
    that leaves the others `SPARE` above their least flows. What the pump feeds comes first, then one after the other
    what gets its water from elsewhere. Returns None when there is not head enough for even the least flows.
    """
    losses = PathLosses(network, known, conditions)
    trees = [known.source, *known.others] if known.source else list(known.others)
    chosen, today = dict.fromkeys(trees, _Served()), today_m3_s or {}
    if not _holds(losses.balance_at(_demands(known, chosen, today))):
        return None
    for tree in trees:

        def at(served: _Served, tree: str = tree) -> Balance:
            return losses.balance_at(_demands(known, {**chosen, tree: served}, today))

        def good(served: _Served, tree: str = tree, at: Callable[[_Served], Balance] = at) -> bool:
            found = at(served)
            return _holds(found) and losses.within_curve(tree, found.flows_m3_s) and may_flow(found.flows_m3_s)

        def is_held(served: _Served, tree: str = tree, at: Callable[[_Served], Balance] = at) -> bool:
            more = at(served)
            return _holds(more) and losses.within_curve(tree, more.flows_m3_s)

        targets = [known.targets[path.demand] for path in known.paths_of(tree) if path.demand in known.targets]
        chosen[tree] = _served(targets, good, is_held)
    return losses.balance_at(_demands(known, chosen, today))


def _served(targets: Sequence[Target], good: Callable[[_Served], bool], is_held: Callable[[_Served], bool]) -> _Served:
    """Return how to serve the demands of a tree; `is_held` where drains and sump hold it back, and not its head."""
    found = _asked(targets, good, is_held, 0.0)
    if not any(_asks_nothing(target) for target in targets):
        return found
    kept = _Served(min(found.fraction, _ENOUGH_OF_WINDOW), min(found.scale, 1.0 + SPARE))
    share = _largest(lambda value: good(kept._replace(share=value)), 0.0, 1.0)
    return _asked(targets, good, is_held, share)


def _asked(
    targets: Sequence[Target], good: Callable[[_Served], bool], is_held: Callable[[_Served], bool], share: float
) -> _Served:
    """Return how far the demands that something is asked of can be served beside a share of the others."""
    evenly = _largest(lambda value: good(_Served(value, 1.0 + SPARE * value, share)), 0.0, 1.0)
    if evenly < 1.0 or all(target.high_m3_s is not None or _asks_nothing(target) for target in targets):
        return _Served(evenly, 1.0 + SPARE * evenly, share)
    most = _largest(lambda value: good(_Served(1.0, value, share)), 1.0 + SPARE, _MOST_SCALE)
    held = is_held(_Served(1.0, (1.0 + _BESIDE) * most, share))
    return _Served(1.0, max((1.0 - SPARE) * most, (1.0 + most) / 2.0) if held else most, share)


def _asks_nothing(target: Target) -> bool:
    return target.low_m3_s <= 0.0 and target.high_m3_s is None


def _demands(known: KnownFlows, chosen: Mapping[str, _Served], today_m3_s: Mapping[str, float]) -> dict[str, float]:
    flows = {}
    for path in known.paths:
        served, target = chosen[path.source], known.targets.get(path.demand)
        if target is None:
            flows[path.demand] = 0.0
        elif _asks_nothing(target):
            flows[path.demand] = served.share * max(0.0, today_m3_s.get(path.demand, 0.0))
        elif target.high_m3_s is None:
            flows[path.demand] = target.low_m3_s * served.scale
        else:
            flows[path.demand] = target.low_m3_s + served.fraction * (target.high_m3_s - target.low_m3_s) / 2
    return flows


def _largest(holds: Callable[[float], bool], low: float, high: float) -> float:
    """Return the largest value that holds, by halving; `low` is known to hold."""
    if holds(high):
        return high
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def _holds(balance: Balance) -> bool:
    """Return whether there is head enough for whatever flows; where nothing does a shut valve holds it."""
    return all(surplus >= 0 or balance.flows_m3_s[demand] <= 0.0 for demand, surplus in balance.surplus_m.items())


def _all_open(run: Run) -> Run:
    return replace(run, parts=tuple(opened(part) for part in run.parts))


@dataclass(frozen=True, slots=True)
class _Step:
    """A run of a tree, the one that its water comes through and the tee between them; "" at the tree's start."""

    run: str
    before: str
    tee: str


class PathLosses:
    """What every path of known flows loses at given flows, valves fully open; made once, asked for many flows."""

    def __init__(self, network: Network, known: KnownFlows, conditions: Conditions) -> None:
        self.network, self.known = network, known
        runs = {name: _all_open(network.runs[name]) for name in known.flows_m3_s}
        self._losses = RunLosses(replace(network, runs=runs), conditions)
        steps: dict[tuple[str, str], _Step] = {}  # each run of a tree once, behind the one that feeds it
        for path in known.paths:
            for before, run, tee in zip(("", *path.runs), path.runs, ("", *path.tees), strict=False):
                steps[path.source, run] = _Step(run, before, tee)
        self._steps = steps
        points = dict.fromkeys(step.tee for step in steps.values() if step.tee)
        self._legs = {point: network.runs_at(point) for point in points}
        self._tees = TeeRow.of([network.tees[point].item for point in points], conditions)

    def balance_at(self, demands: Mapping[str, float]) -> Balance:
        """Return the flows of all runs and the head left on every path for these demands [m³/s by run]."""
        flows = dict.fromkeys(self.known.flows_m3_s, 0.0)
        for path in self.known.paths:
            flows[path.demand] += demands.get(path.demand, 0.0)
        for step in reversed(self._steps.values()):
            if step.before:
                flows[step.before] += flows[step.run]
        lost = self._lost_m(flows)
        heads = self._heads_m(flows)
        surplus = {
            path.demand: heads[path.source] - path.lift_m - lost[path.source, path.demand] for path in self.known.paths
        }
        return Balance(flows, surplus)

    def within_curve(self, tree: str, flows_m3_s: Mapping[str, float]) -> bool:
        """Return whether the pump of a tree runs on the part of its curve that valves may be set for."""
        name = self.known.pump if tree == self.known.source else self.known.others[tree]
        pump = self.network.pumps.get(name)
        return pump is None or flows_m3_s[tree] <= _WITHIN_CURVE * pump.curve[-1][0] * pump.speed

    def _heads_m(self, flows: Mapping[str, float]) -> dict[str, float]:
        """Return the head [m] that pumps give at the start of every tree: 0 without one, none past the curve's end."""
        pumps = {**self.known.others, self.known.source: self.known.pump}
        heads = dict.fromkeys(pumps, 0.0)
        for source, name in pumps.items():
            if name:
                pump = self.network.pumps[name]
                past = past_curve(pump, flows[source])
                heads[source] = -math.inf if past else pump_head_m(pump, flows[source])
        return heads

    def _lost_m(self, flows: Mapping[str, float]) -> dict[tuple[str, str], float]:
        """Return the head lost [m] from the start of a tree to the end of each of its runs, valves fully open."""
        runs, tees = self._losses.at(flows), self._tee_losses_m(flows)
        lost: dict[tuple[str, str], float] = {}
        for (source, run), step in self._steps.items():
            before = 0.0
            if step.before:
                into, out = self.network.runs[step.before].end.leg, self.network.runs[run].start.leg
                before = lost[source, step.before] + tees[step.tee].get(into, 0.0) + tees[step.tee].get(out, 0.0)
            lost[source, run] = before + runs[run]
        return lost

    def _tee_losses_m(self, flows: Mapping[str, float]) -> dict[str, dict[Leg, float]]:
        """Return the head lost [m] between each leg and the middle of every tee on the way."""
        into = [
            {leg: (-1 if at_start else 1) * flows[run.name] for run, leg, at_start in legs}
            for legs in self._legs.values()
        ]
        return dict(zip(self._legs, self._tees.losses_m(into), strict=True))

    def reach(self) -> float:
        """Return the largest multiple of the targets, as `choices.scaled` has it, that the plumbing holds.

        Its valves are set for it; what drains, rims and the velocity limit allow is not asked here.
        """
        targets = self.known.targets

        def holds(scale: float) -> bool:
            return _holds(self.balance_at({run: least_m3_s(target, scale) for run, target in targets.items()}))

        grows = any(target.low_m3_s > 0.0 and target.high_m3_s is None for target in targets.values())
        most = MOST if grows else 1.0
        low, high = 0.0, 1.0
        while high < most and holds(high):
            low, high = high, min(most, 2 * high)
        return _largest(holds, low, high)


def valve_settings(network: Network, known: KnownFlows, found: Balance) -> tuple[ValveSetting, ...]:
    """Return the opening of each demand's own valve that takes up its surplus head.

    A valve that stands partly shut anywhere else on the way is to be opened: the plan counts on it.
    """
    out = _to_open(network, known)
    for demand in known.targets:
        surplus_m = found.surplus_m[demand]
        run = network.runs[demand]
        index = valve_to_set(run)
        if index is None:
            continue
        part, flow = run.parts[index], found.flows_m3_s[demand]
        if flow <= 0.0:
            out.append(ValveSetting(demand, index, valve_words(part.kind, 0.0), 0.0, surplus_m))
            continue
        velocity_head_m = (flow / area_m2(valve_bore_m(part))) ** 2 / (2 * GRAVITY_M_S2)
        k = max(0.0, surplus_m) / velocity_head_m
        opening = valve_opening(part.kind, k)
        out.append(ValveSetting(demand, index, valve_words(part.kind, opening), opening, surplus_m))
    return tuple(out)


def _to_open(network: Network, known: KnownFlows) -> list[ValveSetting]:
    out = []
    asked = {run for path in known.paths if path.demand in known.targets for run in path.runs}
    for name in (name for name in known.flows_m3_s if name in asked):
        run = network.runs[name]
        held = valve_to_set(run) if name in known.targets else None
        for i, part in enumerate(run.parts):
            if part.kind in THROTTLES and part.opening < 1.0 and i != held:
                out.append(ValveSetting(name, i, valve_words(part.kind, 1.0), 1.0, 0.0))
    return out


def settings_of(network: Network, mode: str, settled: Settled) -> tuple[ValveSetting, ...]:
    """Return the opening of every valve that may be set; one that stands partly shut elsewhere is to be opened."""
    out = [
        ValveSetting(name, i, valve_words(part.kind, 1.0), 1.0, 0.0)
        for name, run in network.runs.items()
        if name not in network.standing
        for i, part in enumerate(run.parts)
        if part.kind in THROTTLES and part.opening < 1.0 and i != valve_to_set(run)
    ]
    for name, added in settled.added_s2_m5.items():
        run = network.runs[name]
        index = valve_to_set(run)
        assert index is not None, "only runs with a valve that may be set are settled"
        part, flow = run.parts[index], settled.flows_m3_s[mode][name]
        if name in settled.shut:
            out.append(ValveSetting(name, index, valve_words(part.kind, 0.0), 0.0, 0.0))
            continue
        k = max(0.0, added) * 2.0 * GRAVITY_M_S2 * area_m2(valve_bore_m(part)) ** 2
        opening = valve_opening(part.kind, k)
        words = valve_words(part.kind, opening)
        out.append(ValveSetting(name, index, words, opening, max(0.0, added) * flow**2))
    return tuple(out)


def as_set(network: Network, flows_m3_s: Mapping[str, float]) -> tuple[ValveSetting, ...]:
    """Return the opening of every valve that may be set, or stands partly shut, as it stands at these flows [m³/s]."""
    return tuple(
        ValveSetting(
            name,
            i,
            valve_words(part.kind, part.opening),
            part.opening,
            _throttled_m(part, flows_m3_s[name]),
        )
        for name, run in network.runs.items()
        if name not in network.standing
        for i, part in enumerate(run.parts)
        if part.kind in THROTTLES and (part.opening < 1.0 or i == valve_to_set(run))
    )


def _throttled_m(part: Part, flow_m3_s: float) -> float:
    velocity_m_s = flow_m3_s / area_m2(valve_bore_m(part))
    return valve_k(part.kind, part.opening) * velocity_m_s**2 / (2.0 * GRAVITY_M_S2) if part.opening > 0.0 else 0.0


def with_openings(network: Network, settings: tuple[ValveSetting, ...] | None) -> Network:
    """Return the plumbing with every throttling valve open, at its setting where it has one, or as it is to stay."""
    chosen = {(setting.run, setting.part_index): setting.opening for setting in settings or ()}
    runs = {
        name: replace(
            run,
            parts=tuple(
                replace(part, opening=chosen[name, i]) if (name, i) in chosen else opened(part)
                for i, part in enumerate(run.parts)
            ),
        )
        for name, run in network.runs.items()
        if name not in network.standing
    }
    return network.with_runs(runs)
