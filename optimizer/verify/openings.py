"""Where valves must stand so that every row of targets is met, in all settings at once, by the network solution alone.

Without a valve the flows are what they are. With valves, each adds a loss k Q² to its run, the same k in every
setting; a small least-squares problem over the k brings every row into its window, from several starts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt

from optimizer.choices.velocity import VelocityRule
from optimizer.choices.wants import Want
from optimizer.clock import look
from optimizer.errors import NetworkError
from optimizer.hydraulics import (
    CompiledNetwork,
    Conditions,
    Variation,
    compile_network,
    solve_flows_and_rates,
)
from optimizer.hydraulics.network import settled
from optimizer.hydraulics.newton import Newton
from optimizer.hydraulics.tank_balance import tank_balance
from optimizer.model.catalog import THROTTLES, Kind
from optimizer.model.network import Network, Part
from optimizer.model.throttling import may_be_throttled

Floats = npt.NDArray[np.float64]

TOLERANCE = 2e-5  # what every check lets pass, as a share of a flow: the network closes heads to 1e-6 m
_AIM = TOLERANCE / 2  # what valves are set to, so that a check that solves the network again finds it met
_INSIDE = 2e-6  # windows are aimed at from this far inside
_MOST_EXPONENT = 14.0
_COARSE, _FINE = 1e-6, 1e-13  # relative steps at which the search for valve positions ends
_NEAR = 1e-3
_SHUT_M3_S = 1e-7  # a valve that lets less through counts as shut
_STARTS = ((0.0,), (1.0,), (3.0,))
_LEVELS = (1.0, 2.5, 4.0, 6.0)
_ALIKE = 1e-6  # of the sum of squared misses: less of a gain is rounding


@dataclass(frozen=True)
class Duty:
    """One setting to be met: the plumbing with its pumps at their speeds, and the rows that count there."""

    name: str
    network: Network
    wants: tuple[Want, ...]


@dataclass(frozen=True)
class Settled:
    """The flows of every setting [m³/s by run], tanks balanced, and what each valve adds to its run [s²/m⁵].

    `miss` is the worst miss of a row, as a share of its flow; `shut` are the runs whose valves let nothing through.
    """

    flows_m3_s: Mapping[str, Mapping[str, float]]
    added_s2_m5: Mapping[str, float]
    miss: float
    shut: frozenset[str] = frozenset()

    @property
    def met(self) -> bool:
        return self.miss <= _AIM


def opened(part: Part) -> Part:
    """Return a part with its valve fully open."""
    return replace(part, opening=1.0) if part.kind in THROTTLES and part.opening != 1.0 else part


def all_open(network: Network) -> Network:
    """Return the plumbing with every valve fully open but those that stay where they are."""
    return network.with_runs(
        {
            name: replace(run, parts=tuple(map(opened, run.parts)))
            for name, run in network.runs.items()
            if name not in network.standing
        }
    )


def valved_runs(network: Network) -> tuple[str, ...]:
    """Return the runs with a valve that may be throttled."""
    return tuple(name for name, run in network.runs.items() if name not in network.standing and may_be_throttled(run))


def pump_wants(network: Network) -> tuple[Want, ...]:
    """Return the rows that keep every running pump within the curve that its maker gives, and no water behind it."""
    return tuple(
        Want(f"pump {part.name}", {run.name: 1.0}, 0.0, network.pumps[part.name].curve[-1][0] * speed)
        for run in network.runs.values()
        for part in run.parts
        if part.kind is Kind.PUMP and (speed := network.pumps[part.name].speed) > 0.0
    )


def velocity_wants(network: Network, rule: VelocityRule, mode: str = "") -> tuple[Want, ...]:
    """Return the rows that keep every run at or below the velocity limits of the rules in a mode."""
    rows = []
    for name, run in network.runs.items():
        most = min((rule.most_m3_s(run, part, mode) for part in run.parts), default=math.inf)
        for end in (run.start, run.end):
            if end.point in network.tees:
                tee = network.tees[end.point]
                most = min(most, rule.most_at_tee_m3_s(name, end.leg, tee.item, mode))
        if math.isfinite(most):
            rows.append(Want(f"velocity in {name}", {name: 1.0}, -most, most))
    return tuple(rows)


def settle(
    duties: Sequence[Duty],
    conditions: Conditions,
    hints_s2_m5: Sequence[Mapping[str, float]] = (),
    spare: float = 0.0,
) -> Settled | None:
    """Return the flows and valve losses that come nearest to all rows; None when the plumbing has no solution.

    Parameters
    ----------
    duties
        The same plumbing in each setting; valves may stand anywhere.
    conditions
        Of all losses.
    hints_s2_m5
        Valve losses by run to start from, beside all open.
    spare
        What to keep away from every limit that a row states, as a share of it: evenly less where not all can have it.
    """
    work = _Work(duties, conditions, spare)
    try:
        best = work.at(np.zeros(len(work.valves)))
        if not work.valves or (best.met and (not spare or work.has_spare(best))):
            return best
        for start in work.starts(hints_s2_m5):
            found = work.search(start() if callable(start) else start)
            if found.miss < best.miss or (spare and found.met):
                best = found
            if found.met:
                break
        return work.wider(best) if spare and best.met else best
    except NetworkError:
        return None


class _Work:
    """The networks compiled once; a point of the search is one exponent for every valve."""

    def __init__(self, duties: Sequence[Duty], conditions: Conditions, spare: float = 0.0) -> None:
        self.duties, self.spare = duties, spare
        opened_networks = [all_open(duty.network) for duty in duties]
        self.compiled: list[CompiledNetwork] = [compile_network(network, conditions) for network in opened_networks]
        self.names = self.compiled[0].run_names
        self.valves = valved_runs(opened_networks[0])
        self.columns = [self.compiled[0].run_index[name] for name in self.valves]
        self.rows = [self._matrix(duty) for duty in duties]
        self.asked = [i for i, (_, low, _) in enumerate(self.rows) if len(low)]  # the settings that have rows at all
        self.inside = [self._inside(duty) for duty in duties]
        self.balances = [tank_balance(network) for network in opened_networks]
        self.guesses: list[Floats | None] = [None] * len(duties)  # full flows, as if no tank ran short
        self.solved = list(self.compiled)  # with what would empty a tank held, as at the guesses
        self.scale = np.ones(len(self.valves))

    def _matrix(self, duty: Duty) -> tuple[Floats, Floats, Floats]:
        wants = (*duty.wants, *pump_wants(duty.network))
        matrix = np.array([[want.coefficients.get(name, 0.0) for name in self.names] for want in wants])
        low = np.array([want.low_m3_s for want in wants])
        high = np.array([want.high_m3_s for want in wants])
        return matrix.reshape(len(wants), len(self.names)), low, high

    def _inside(self, duty: Duty) -> Floats:
        """Return how far inside each row the search aims, as a share of its limit; rows of pumps get no more room."""
        room = [self.spare if any(map(_is_limit, (w.low_m3_s, w.high_m3_s))) else 0.0 for w in duty.wants]
        every = np.array([*room, *[0.0] * len(pump_wants(duty.network))])
        return np.asarray(np.maximum(_INSIDE, every))

    def has_spare(self, found: Settled) -> bool:
        """Return whether every row is met with the room that is aimed at."""
        return self.short(found) == 0.0

    def short(self, found: Settled) -> float:
        """Return how far short of the room that is aimed at the rows are, all squares added up."""
        flows = [np.array(list(found.flows_m3_s[self.duties[i].name].values())) for i in self.asked]
        return float(np.square(self.misses(flows, aimed=True)).sum())

    def wider(self, found: Settled) -> Settled:
        """Return positions that serve as well, with every valve fully open that can be: first what is throttled least.

        Where two valves of a way share what one could take up, nobody wants to set both.
        """
        exponents = np.log1p(np.array([found.added_s2_m5[name] for name in self.valves]) / self.scale)
        for i in np.argsort(exponents):
            tried = exponents.copy()
            tried[i] = 0.0
            other = self.at(tried)
            if other.met and self.short(other) <= self.short(found) * (1.0 + _ALIKE):
                found, exponents = other, tried
        return found

    def added(self, exponents: Floats) -> Floats:
        out = np.zeros(len(self.names))
        out[self.columns] = self.scale * np.expm1(exponents)
        return out

    def flows(self, exponents: Floats, settings: Sequence[int]) -> list[Floats]:
        """Return the flows of some settings [m³/s], (n_runs,) each: no tank gives more than it gets."""
        variation = Variation(added_square_s2_m5=self.added(exponents))
        found = []
        for i in settings:
            self.solved[i], full = _solved(self.compiled[i], variation, self.guesses[i])
            self.guesses[i] = full
            found.append(self.balances[i].balanced(full))
        return found

    def rates(self, exponents: Floats) -> list[Floats]:
        """Return d flow / d exponent [m³/s] of every setting with rows, each of shape (n_runs, n_valves)."""
        variation = Variation(added_square_s2_m5=self.added(exponents))
        columns = np.array(self.columns)
        stretch = self.scale * np.exp(exponents)
        found = []
        for i in self.asked:
            full, rates = solve_flows_and_rates(self.solved[i], variation, columns, self.guesses[i])
            found.append(self.balances[i].rates(full, rates * stretch))
        return found

    def misses(self, flows: list[Floats], aimed: bool = False) -> Floats:
        """Return by how much each row is missed, or what is `aimed` at in it, as a share of its flow; signed.

        `flows` are those of the settings with rows.
        """
        found = [_missed(q, self.rows[i], self.inside[i] * aimed)[0] for q, i in zip(flows, self.asked, strict=True)]
        return np.concatenate(found) if found else np.zeros(0)

    def at(self, exponents: Floats) -> Settled:
        flows = self.flows(exponents, range(len(self.duties)))
        added = self.added(exponents)
        return Settled(
            {
                duty.name: dict(zip(self.names, q.tolist(), strict=True))
                for duty, q in zip(self.duties, flows, strict=True)
            },
            {name: float(added[column]) for name, column in zip(self.valves, self.columns, strict=True)},
            float(np.abs(self.misses([flows[i] for i in self.asked])).max(initial=0.0)),
            self._shut(exponents),
        )

    def _shut(self, exponents: Floats) -> frozenset[str]:
        """Return the runs that carry nothing in any setting for their valves, not because a pump or a tank is dry."""
        full = np.max([np.abs(guess) for guess in self.guesses if guess is not None], axis=0)
        each = zip(self.valves, self.columns, exponents.tolist(), strict=True)
        return frozenset(name for name, column, exponent in each if exponent > 1.0 and full[column] < _SHUT_M3_S)

    def starts(self, hints: Sequence[Mapping[str, float]]) -> list[Floats | Callable[[], Floats]]:
        """Return where to start from: hints first, then all valves a little, and much, shut, then each for itself."""
        flows = self.flows(np.zeros(len(self.valves)), range(len(self.duties)))
        head = max((float(np.nanmax(c.fixed_head_m) - np.nanmin(c.fixed_head_m)) for c in self.compiled), default=0.0)
        head = max(head, 1.0)
        largest = np.max([np.abs(q[self.columns]) for q in flows], axis=0)
        self.scale = head / np.maximum(largest, 0.05 * max(float(largest.max(initial=0.0)), 1e-6)) ** 2
        found = [
            np.log1p(np.array([max(0.0, hint.get(name, 0.0)) for name in self.valves]) / self.scale) for hint in hints
        ]
        found.append(self._by_each_run(flows))
        evenly = (np.full(len(self.valves), start[0]) for start in _STARTS)
        return [*found, *evenly, partial(self._one_by_one, 1), partial(self._one_by_one, -1)]

    def _by_each_run(self, flows: Sequence[Floats]) -> Floats:
        """Return the valves as if each took up alone what its run has too much, the heads at its ends as they are."""
        added = np.zeros(len(self.valves))
        for i, (q, duty) in enumerate(zip(flows, self.duties, strict=True)):
            lost_m = Newton(self.compiled[i], Variation()).losses(q)[0]
            for want in duty.wants:
                for at, (name, column) in enumerate(zip(self.valves, self.columns, strict=True)):
                    if dict(want.coefficients) == {name: 1.0} and 0.0 < want.high_m3_s < q[column]:
                        k = max(0.0, lost_m[column]) * (1.0 / want.high_m3_s**2 - 1.0 / q[column] ** 2)
                        added[at] = max(added[at], k)
        return np.log1p(added / self.scale)

    def _one_by_one(self, order: int) -> Floats:
        """Return each valve in turn as far shut as serves best: where it takes much until a line carries anything.

        Of levels that serve alike, as where nothing flows any more, the one that shuts it least. With `order` -1 the
        last valve comes first: what a valve is set to depends on those before it.
        """
        exponents = np.zeros(len(self.valves))
        for i in range(len(exponents))[::order]:
            best = math.inf
            for level in (0.0, *_LEVELS):
                tried = exponents.copy()
                tried[i] = level
                missed = float(np.square(self.misses(self.flows(tried, self.asked), aimed=True)).sum())
                if missed < best * (1.0 - _ALIKE):
                    best, kept = missed, tried
            exponents = kept
        return exponents

    def search(self, start: Floats) -> Settled:
        from scipy.optimize import least_squares

        def residuals(exponents: Floats) -> Floats:
            look()
            return self.misses(self.flows(exponents, self.asked), aimed=True)

        def slopes(exponents: Floats) -> Floats:
            each = zip(self.asked, self.flows(exponents, self.asked), self.rates(exponents), strict=True)
            return np.concatenate([_missed(q, self.rows[i], self.inside[i])[1] @ rate for i, q, rate in each])

        for tolerance, most in ((_COARSE, 40), (_FINE, 60)):
            start = np.clip(start, 1e-6, _MOST_EXPONENT - 1e-6)
            ended = least_squares(
                residuals,
                start,
                slopes,
                bounds=(0.0, _MOST_EXPONENT),
                xtol=tolerance,
                ftol=tolerance,
                gtol=1e-14,
                max_nfev=most,
            )
            start, found = ended.x, self.at(ended.x)
            if found.met or found.miss > _NEAR:
                break  # reached, or so far off that a closer look would not help
        return found


def _solved(compiled: CompiledNetwork, variation: Variation, guess: Floats | None) -> tuple[CompiledNetwork, Floats]:
    """Solve from the last flows, and from rest where that fails; the network has what would empty a tank held."""
    try:
        return settled(compiled, variation, guess)
    except NetworkError:
        return settled(compiled, variation)


def _is_limit(limit_m3_s: float) -> bool:
    return math.isfinite(limit_m3_s) and limit_m3_s != 0.0


def _missed(flows: Floats, rows: tuple[Floats, Floats, Floats], inside: Floats) -> tuple[Floats, Floats]:
    """Return by what share of its flow each row is missed, and the slopes of that over the flows, (n_rows, n_runs)."""
    matrix, low, high = rows
    amount = matrix @ flows
    limit = np.where(np.isfinite(low), np.abs(low), 0.0)
    limit = np.maximum(limit, np.where(np.isfinite(high), np.abs(high), 0.0))
    scale = np.maximum(np.where(limit > 0.0, limit, np.abs(matrix) @ np.abs(flows) / 2.0), 1e-9)
    narrow = np.isfinite(low) & np.isfinite(high)
    half = np.where(narrow, 0.5 * (np.where(narrow, high, 0.0) - np.where(narrow, low, 0.0)), np.inf)
    pad = np.minimum(inside * scale, half)
    short = np.maximum(low + pad - amount, 0.0)
    over = np.maximum(amount - (high - pad), 0.0)
    missed = (over - short) / scale
    moves = (limit == 0.0) & (scale > 1e-9)  # of a row without a size of its own, the size moves with the flows
    of_scale = np.where(moves[:, None], np.abs(matrix) * np.sign(flows) / 2.0, 0.0)
    return missed, ((missed != 0.0)[:, None] * matrix - missed[:, None] * of_scale) / scale[:, None]
