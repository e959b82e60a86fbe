"""How far a plumbing gets where the flows are not known: the largest multiple of the targets that the network holds.

Where valves stand then is proposed by a small smooth program (`furthest`): raise s over positions x and s, so that in
every setting each row has low(s) <= flows(x) <= high, the flows being those of the network. What comes out is a start
for the network solution, which alone says what is reached.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from optimizer.choices.demands import KnownFlows, flows_if_known
from optimizer.choices.scaled import can_grow, least_m3_s, scaled
from optimizer.choices.velocity import NO_LIMITS, velocity_rule
from optimizer.choices.wants import Want, is_idle, wants_of
from optimizer.clock import look
from optimizer.errors import NetworkError
from optimizer.hydraulics import Conditions, Variation, compile_network, conditions_of, solve_flows
from optimizer.model.catalog import Kind
from optimizer.model.network import Network
from optimizer.model.system import System, Target
from optimizer.verify.allowance import Allowance, allowances_of
from optimizer.verify.openings import Duty, Settled, all_open, pump_wants, settle, valved_runs, velocity_wants
from optimizer.verify.settings import MOST, PathLosses

_FINE = 1e-3  # relative: how finely a multiple is told
_CLOSE = 1e-7  # relative: a multiple and what the network confirms of it
_ANY = 1e-6  # a multiple at which only upper ends and shares count
Floats = npt.NDArray[np.float64]
_MOST_EXPONENT = 14.0
_STEP = 1e-4  # of an exponent, for a difference quotient
_STARTS = (0.3, 2.0)


@dataclass(frozen=True)
class Reach:
    """What is reached: `scale` times the least flows, with these flows [m³/s] by setting and run.

    `scale` is 0 where even the upper ends and shares can not be kept. It is what was found: valve positions that no
    start led to might give more.
    """

    scale: float
    flows_m3_s: Mapping[str, Mapping[str, float]]
    speeds: Mapping[str, float]  # of the pumps, where the system has no settings


def present_networks(system: System) -> tuple[Network, ...]:
    """Return the plumbing as it stands, in every setting."""
    return tuple(at.network for _, at in system.ways_to_run)


def is_joined(system: System) -> bool:
    """Return whether the plumbing stands without an open joint; with one it reaches nothing, for its water runs out."""
    return not any(part.kind is Kind.OPEN_JOINT for run in system.network.runs.values() for part in run.parts)


def reach_of(
    system: System, networks: Sequence[Network], more_than: float = 0.0, *, velocity_counts: bool = True
) -> Reach:
    """Return the largest multiple of the targets that a plumbing holds, its valves set for it.

    Parameters
    ----------
    system
        For its targets and its limit of velocity in new pipe.
    networks
        The plumbing in every setting, pumps at their speeds.
    more_than
        Only a larger multiple is of interest; where there is none the scale is 0.
    velocity_counts
        Whether the velocity limits are kept; without them it is told what flows, however fast.
    """
    climb = _Climb(system, networks, velocity_counts)
    if more_than > 0.0 and not climb.reaches(more_than):
        return Reach(0.0, {}, {})
    return climb.reach()


def best_speeds(system: System, networks: Sequence[Network], *, velocity_counts: bool = True) -> Reach:
    """Return the reach at those speeds that the pumps can be set to where it is the largest; settings fix their own."""
    if system.settings:
        return reach_of(system, networks, velocity_counts=velocity_counts)
    (network,) = networks
    each = [sorted({pump.speed, *pump.speeds}, reverse=True) for pump in network.pumps.values()]
    most = most_scale(system)
    best = Reach(0.0, {}, {name: pump.speed for name, pump in network.pumps.items()})
    for speeds in itertools.product(*each):
        if best.scale >= most:
            break
        pumps = {
            name: replace(pump, speed=speed) for (name, pump), speed in zip(network.pumps.items(), speeds, strict=True)
        }
        climb = _Climb(system, [replace(network, pumps=pumps)], velocity_counts)
        if best.scale == 0.0 or climb.holds(best.scale * (1 + 2 * _FINE)):
            found = climb.reach()
            best = found if found.scale > best.scale else best
    return best


def most_scale(system: System) -> float:
    """Return the multiple beyond which nothing more is wanted, or looked at."""
    return MOST if can_grow(system) else 1.0


class _Climb:
    """The multiples tried so far with where the valves stood: the next one starts from there."""

    def __init__(self, system: System, networks: Sequence[Network], velocity_counts: bool = True) -> None:
        self.system, self.networks = system, networks
        self.rule = velocity_rule(system) if velocity_counts else NO_LIMITS
        self.conditions: Conditions = conditions_of(system.network)
        self.best: Settled | None = None
        self.scale = 0.0
        self.allowances: Sequence[Allowance] = allowances_of(system, today_counts=True)

    def duties(self, scale: float) -> list[Duty]:
        there = scaled(self.system, scale).ways_to_run
        safe: Sequence[Allowance | None] = self.allowances or [None] * len(there)
        return [
            Duty(name, network, self._wants(at, network, name, allowance))
            for (name, at), network, allowance in zip(there, self.networks, safe, strict=True)
        ]

    def _wants(self, at: System, network: Network, name: str, allowance: Allowance | None) -> tuple[Want, ...]:
        """Return the rows of a setting; none where nothing is asked and nothing runs."""
        if is_idle(replace(at, network=network)):
            return ()
        return (*wants_of(at), *velocity_wants(network, self.rule, name), *_rows(allowance, network))

    def holds(self, scale: float, hint: Mapping[str, float] | None = None) -> bool:
        """Return whether the valves can be set so that a multiple is met."""
        look()
        hints = [] if hint is None else [hint]
        hints += [] if self.best is None else [self.best.added_s2_m5]
        found = settle(self.duties(scale), self.conditions, hints)
        if found is None or not found.met:
            return False
        if scale >= self.scale:
            self.best, self.scale = found, scale
        return True

    def reaches(self, scale: float) -> bool:
        """Return whether more than a multiple is reached, as far as drains and sump allow."""
        most = most_scale(self.system)
        return scale < most and self.holds(min(most, scale * (1 + _FINE)))

    def reach(self) -> Reach:
        if not self.holds(_ANY):
            self.allowances = ()  # valves alone do not keep it dry: whether a plan does is for its own check
            if not self.holds(_ANY):
                return self._told(0.0)
        if not valved_runs(self.networks[0]):
            return self._told(self._without_valves())
        if (on_tree := self._on_tree()) is not None:
            return self._told(on_tree)
        most = most_scale(self.system)
        self._leap(0.0, min(1.0, most))
        if self.scale >= 1.0 - _CLOSE and most > 1.0:
            self._leap(1.0, most)
        low, high = self.scale, most
        step = 2 * _FINE
        while low < most:  # what the leap missed: first a small step further, then larger ones
            at = min(most, max(low * (1 + step), _FINE))
            if not self.holds(at):
                high = at
                break
            low, step = at, 2 * step
        while high - low > 2 * _FINE * high:
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self.holds(middle) else (low, middle)
        return self._told(low)

    def _on_tree(self) -> float | None:
        """Return the most that every way in a pumped tree has head for within velocity and drains; None where not told.

        Every run carries its least then: what has the least flow of all has the most head, and is the slowest. So the
        flows that are told with the most are one and the same, whatever valve positions would do as well.
        """
        known = flows_if_known(self.system)
        if known is None:
            return None
        (network,) = self.networks
        losses = PathLosses(network, known, self.conditions)
        scale = self._slow_enough(known, losses.reach())
        found = losses.balance_at({run: least_m3_s(target, scale) for run, target in known.targets.items()})
        added = {run: found.surplus_m[run] / max(found.flows_m3_s[run], _ANY) ** 2 for run in known.targets}
        return scale if self.holds(scale * (1 - _CLOSE), added) else None

    def _slow_enough(self, known: KnownFlows, most: float) -> float:
        """Return the largest multiple up to `most` whose least flows keep to every upper limit of runs of the tree."""
        limits = [want for duty in self.duties(_ANY) for want in duty.wants if math.isfinite(want.high_m3_s)]
        limits = [want for want in limits if want.coefficients.keys() <= known.flows_m3_s.keys()]

        def kept(scale: float) -> bool:
            flows = dict.fromkeys(known.flows_m3_s, 0.0)
            for path in known.paths:
                for run in path.runs:
                    flows[run] += least_m3_s(known.targets[path.demand], scale) if path.demand in known.targets else 0.0
            return all(want.amount_m3_s(flows) <= want.high_m3_s for want in limits)

        low, high = (most, most) if kept(most) else (0.0, most)
        while high - low > _CLOSE * high:
            middle = 0.5 * (low + high)
            low, high = (middle, high) if kept(middle) else (low, middle)
        return low

    def _leap(self, low: float, high: float) -> None:
        """Try where the smooth program says that the most within bounds is."""
        at_low, at_high = self.duties(max(low, _ANY)), self.duties(high)
        span = high - max(low, _ANY)
        slopes = [
            {
                i: (b.low_m3_s - a.low_m3_s) / span
                for i, (a, b) in enumerate(zip(first.wants, last.wants, strict=True))
                if b.low_m3_s > a.low_m3_s
            }
            for first, last in zip(at_low, at_high, strict=True)
        ]
        found = furthest(at_low, slopes, self.conditions, (low, high))
        if found is not None and found[0] > self.scale:
            scale, added = found
            for share in (1.0, 1.0 - _FINE / 2):
                if self.holds(share * scale, added):
                    return

    def _without_valves(self) -> float:
        """Return what the flows come to that no setting of a valve can change."""
        assert self.best is not None
        reached = math.inf
        for name, at in self.system.ways_to_run:
            flows = self.best.flows_m3_s[name]
            for target in at.targets:
                if target.low_m3_s > 0.0:
                    reached = min(reached, _reached(target, sum(flows[run] for run in target.summed)))
        return min(reached, most_scale(self.system))

    def _told(self, scale: float) -> Reach:
        flows = {} if self.best is None else self.best.flows_m3_s
        pumps = self.networks[0].pumps
        return Reach(max(0.0, scale), flows, {name: pump.speed for name, pump in pumps.items()})


def _reached(target: Target, flow_m3_s: float) -> float:
    """Return what multiple of a target a flow is; a window that is met limits nothing."""
    share = flow_m3_s / target.low_m3_s
    return math.inf if target.high_m3_s is not None and share >= 1.0 else share


def _rows(allowance: Allowance | None, network: Network) -> tuple[Want, ...]:
    """Return what drains, rims and sump take, as rows over the flows."""
    return () if allowance is None else (*allowance.flow_rows(network), *allowance.back_rows(network))


@dataclass(frozen=True)
class Rows:
    """The rows of one setting: low + slope × s <= matrix × flows <= high."""

    matrix: Floats
    low: Floats
    slope: Floats
    high: Floats


def furthest(
    duties: Sequence[Duty], slopes: Sequence[Mapping[int, float]], conditions: Conditions, bounds: tuple[float, float]
) -> tuple[float, Mapping[str, float]] | None:
    """Return the largest s that was found within bounds, and what each valve adds there [s²/m⁵ by run]; None: none.

    `slopes` has for each duty what its rows' least flows grow by with s [m³/s], by their places; the least flows of
    the duties are those at s = 0.
    """
    try:
        work = _Work(duties, slopes, conditions)
        found = [work.climb(start, bounds) for start in _STARTS]
    except NetworkError:
        return None
    scale, exponents = max(found, key=lambda pair: pair[0])
    added = work.added(exponents)
    return scale, {name: float(added[column]) for name, column in zip(work.valves, work.columns, strict=True)}


class _Work:
    def __init__(self, duties: Sequence[Duty], slopes: Sequence[Mapping[int, float]], conditions: Conditions) -> None:
        networks = [all_open(duty.network) for duty in duties]
        self.compiled = [compile_network(network, conditions) for network in networks]
        self.names = self.compiled[0].run_names
        self.valves = valved_runs(networks[0])
        self.columns = [self.compiled[0].run_index[name] for name in self.valves]
        self.rows = [self._rows(duty, slope) for duty, slope in zip(duties, slopes, strict=True)]
        open_flows = [solve_flows(compiled) for compiled in self.compiled]
        self.guesses: list[Floats | None] = list(open_flows)
        self.unit_m3_s = max(float(np.abs(q).max()) for q in open_flows)
        largest = np.max([np.abs(q[self.columns]) for q in open_flows], axis=0)
        head_m = max(float(np.nanmax(c.fixed_head_m) - np.nanmin(c.fixed_head_m)) for c in self.compiled)
        self.scale = max(head_m, 1.0) / np.maximum(largest, 0.05 * self.unit_m3_s) ** 2

    def _rows(self, duty: Duty, slopes: Mapping[int, float]) -> Rows:
        wants = (*duty.wants, *pump_wants(duty.network))
        matrix = np.array([[want.coefficients.get(name, 0.0) for name in self.names] for want in wants])
        low = np.array([want.low_m3_s for want in wants])
        slope = np.array([slopes.get(i, 0.0) for i in range(len(wants))])
        high = np.array([want.high_m3_s for want in wants])
        return Rows(matrix.reshape(len(wants), len(self.names)), np.where(slope > 0.0, 0.0, low), slope, high)

    def added(self, exponents: Floats) -> Floats:
        out = np.zeros(len(self.names))
        out[self.columns] = self.scale * np.expm1(np.clip(exponents, 0.0, _MOST_EXPONENT))
        return out

    def amounts(self, exponents: Floats) -> list[Floats]:
        variation = Variation(added_square_s2_m5=self.added(exponents))
        out = []
        for i, (compiled, rows) in enumerate(zip(self.compiled, self.rows, strict=True)):
            flows = solve_flows(compiled, variation, self.guesses[i])
            self.guesses[i] = flows
            out.append(rows.matrix @ flows)
        return out

    def slack(self, amounts: Sequence[Floats], scale: float) -> Floats:
        """Return how far every finite limit is kept, below 0 where it is not, in parts of the largest flow."""
        out = []
        for amount, rows in zip(amounts, self.rows, strict=True):
            low = rows.low + rows.slope * scale
            out += [(amount - low)[np.isfinite(low)], (rows.high - amount)[np.isfinite(rows.high)]]
        return np.concatenate(out) / self.unit_m3_s

    def climb(self, start: float, bounds: tuple[float, float]) -> tuple[float, Floats]:
        from scipy import optimize

        minimize: Any = optimize.minimize  # its stubs do not take a constraint's own slopes

        count = len(self.valves)
        first = np.append(np.full(count, start), bounds[0])
        memo: dict[bytes, list[Floats]] = {}

        def amounts(x: Floats) -> list[Floats]:
            key = x[:count].tobytes()
            if key not in memo:
                memo[key] = self.amounts(x[:count])
            return memo[key]

        def slack(x: Floats) -> Floats:
            return self.slack(amounts(x), float(x[count]))

        def slopes(x: Floats) -> Floats:
            here = slack(x)
            out = np.empty((len(here), count + 1))
            for i in range(count + 1):
                step = np.zeros(count + 1)
                step[i] = _STEP
                out[:, i] = (slack(x + step) - here) / _STEP
            return out

        found = minimize(
            lambda x: -float(x[count]),
            first,
            jac=lambda x: np.append(np.zeros(count), -1.0),
            bounds=[*[(0.0, _MOST_EXPONENT)] * count, bounds],
            constraints=[optimize.NonlinearConstraint(slack, 0.0, np.inf, jac=slopes)],
            method="SLSQP",
            tol=1e-7,
        )
        kept = float(slack(found.x).min(initial=0.0)) > -1e-5
        return (float(found.x[count]) if kept else 0.0), found.x[:count]
