"""A plan → in how many of all cases it does what was asked: trimmed by meters, and with its valves left as set.

Where flows are known beforehand a plan works in a draw if every way has head enough at its target, the pump's dial
turned up as far as it goes: valves take up the rest. Elsewhere valves are trimmed in many draws at once: in which
of them do some positions meet every row, in all settings together?

In every draw each valve adds a loss k Q² to its run, the same in all settings. Damped Gauss-Newton steps over the
logarithms of the k bring the rows into their windows, all draws as arrays. A draw that no start settles counts as
missed, so the share is a lower one; so does one in which a tank that the plan feeds gives more than it gets.
"""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from optimizer.choices.demands import KnownFlows, flows_if_known
from optimizer.choices.velocity import velocity_rule
from optimizer.choices.wants import Want, wants_of
from optimizer.clock import look
from optimizer.errors import NetworkError
from optimizer.hydraulics import CompiledNetwork, Variation, compile_network
from optimizer.hydraulics.batch import Batch, Drawn, is_small, pieces_at
from optimizer.hydraulics.chance import least_share, slack_m
from optimizer.hydraulics.draws import Draws, drawn_of, settled_draws_m3_s
from optimizer.hydraulics.network import settled
from optimizer.hydraulics.newton import Newton, State
from optimizer.hydraulics.posterior import draws_after
from optimizer.hydraulics.tank_balance import overdraft, tank_balance
from optimizer.model.chance import Chance
from optimizer.model.network import Network
from optimizer.model.plan import Plan, ValveSetting, Verification, planned_network, planned_networks
from optimizer.model.system import System
from optimizer.verify.allowance import allowances_of
from optimizer.verify.openings import TOLERANCE, all_open, pump_wants, valved_runs, velocity_wants
from optimizer.verify.settings import with_openings

Bools = npt.NDArray[np.bool_]

DRAWS = 1000  # a share of them is good to 1.5 % or so
_FEWER_DRAWS = 200  # where valves have to be trimmed draw by draw
_SECONDS = 8.0  # for trimming: what takes longer is not worked out
SEED = 20  # as of the band: the same cases
_ENOUGH_M = -1e-6  # the network closes heads to that
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_STEPS = 24
_AS_SHUT = 1e12  # s²/m⁵
_MOST = 14.0  # exponent of a valve that is as good as shut
_INSIDE = 5e-6  # windows are aimed at from so far inside, as a share
_STARTS = (None, 0.0)  # the plan's own positions; all open
_SLOWER = 4  # speeds below the planned one that are tried


@dataclass(frozen=True)
class Cases:
    """The draws that a system's plans are judged by, narrowed by its readings."""

    system: System
    draws: Draws

    @classmethod
    def of(cls, system: System, samples: int, seed: int = SEED, running: Sequence[Network] = ()) -> Cases:
        """Return so many draws; those of a calibrated system know what was measured.

        With networks that are `running` what their dials mean counts as well, as far as nobody said it.
        """
        return cls(system, draws_after(system.fitted_readings, system.network, samples, seed, running=running))


def chance_of(system: System, plan: Plan, verification: Verification) -> Chance:
    """Return in how many of all cases a plan that passed its check does what was asked; see `Chance`.

    Parameters
    ----------
    system
        What was asked, cut apart where the plan joins something new (see `checks.cut_apart`).
    plan, verification
        What becomes of it, and how its valves are set.
    """
    networks = planned_networks(system, plan)
    try:
        if not all(is_small(compile_network(network)) for network in networks):
            return Chance(None, None, 0)
        known = None if set(plan.new_pumps) - set(system.network.pumps) else flows_if_known(system)
        cases = Cases.of(system, DRAWS if known else _FEWER_DRAWS)
        as_set, dry = _works_as_set(Cases.of(system, cases.draws.samples, running=networks), networks, verification)
        if known is not None:
            trimmed = works_known(cases, known, planned_network(system.network, plan))
        else:
            try:
                found = trimmed_works(cases.system, cases.draws, networks, verification.valves, _SECONDS)
            except TooLongError:
                share, least = float(as_set.mean()), least_share(int(as_set.sum()), len(as_set))
                return Chance(None, share, cases.draws.samples, (0.0, least))
            trimmed = (as_set & dry) | found
    except NetworkError:
        return Chance(None, None, 0)
    return Chance(
        float(trimmed.mean()),
        float(as_set.mean()),
        cases.draws.samples,
        (least_share(int(trimmed.sum()), len(trimmed)), least_share(int(as_set.sum()), len(as_set))),
    )


def works_known(cases: Cases, known: KnownFlows, planned: Network) -> Bools:
    """Return in which draws a planned plumbing has head enough at known flows, its dial at the top, (n_draws,)."""
    return np.asarray((slacks_known_m(cases, known, planned) >= _ENOUGH_M).all(axis=1))


def slacks_known_m(cases: Cases, known: KnownFlows, planned: Network) -> npt.NDArray[np.float64]:
    """Return the head left on every way that has to carry something, by draw [m], (n_draws, n_ways)."""
    pump = planned.pumps.get(known.pump)
    speeds = {} if pump is None else {pump.name: max(pump.speed, *pump.speeds, 0.0)}
    ways = [path.runs for path in known.paths if known.binds(path)]
    return slack_m(compile_network(all_open(planned)), cases.draws, known.flows_m3_s, ways, speeds)


def _works_as_set(cases: Cases, networks: Sequence[Network], verification: Verification) -> tuple[Bools, Bools]:
    """Return in which draws every target is met with the valves as set, and in which no tank gets more than it takes.

    Whoever trims valves has to keep to both.
    """
    works, dry = np.ones((2, cases.draws.samples), dtype=bool)
    allowed = allowances_of(cases.system, today_counts=True)
    for (_, at), network, most in zip(cases.system.ways_to_run, networks, allowed, strict=True):
        there = with_openings(network, verification.valves)
        compiled, value = settled(compile_network(there))
        flows = settled_draws_m3_s(compiled, cases.draws, value)
        carried = tank_balance(there).balanced(flows)
        works &= rows_met(carried, compiled.run_names, wants_of(at))
        dry &= rows_met(carried, compiled.run_names, most.flow_rows(there))
    return works, dry


def rows_met(flows_m3_s: npt.NDArray[np.float64], names: Sequence[str], wants: Sequence[Want]) -> Bools:
    """Return in which draws flows (n_draws, n_runs) meet every row, to the one tolerance of all checks."""
    met = np.ones(len(flows_m3_s), dtype=bool)
    for want in wants:
        factors = _row(want.coefficients, names)
        amount, size = flows_m3_s @ factors, np.abs(flows_m3_s) @ np.abs(factors) / 2.0
        limits = [abs(limit) for limit in (want.low_m3_s, want.high_m3_s) if np.isfinite(limit)]
        scale = max(limits, default=0.0) or np.maximum(size, 1e-9)
        met &= (amount >= want.low_m3_s - TOLERANCE * scale) & (amount <= want.high_m3_s + TOLERANCE * scale)
    return met


def _row(coefficients: Mapping[str, float], names: Sequence[str]) -> npt.NDArray[np.float64]:
    return np.array([coefficients.get(name, 0.0) for name in names])


class TooLongError(Exception):
    """Trimming all draws takes longer than their share is worth."""


def trimmed_works(
    system: System,
    draws: Draws,
    networks: Sequence[Network],
    valves: tuple[ValveSetting, ...],
    seconds: float = math.inf,
) -> Bools:
    """Return in which draws valves, and the dial of a single pump, can be set so that every row is met, (n_draws,).

    Parameters
    ----------
    system
        What is wanted in every setting, and by which rules.
    draws
        All that is not known.
    networks
        The planned plumbing in every setting of the system.
    valves
        Where the plan has its valves: the first start.
    seconds
        How long it may take [s]; TooLongError after that.
    """
    until = time.monotonic() + seconds
    works = np.zeros(draws.samples, dtype=bool)
    for there in _at_speeds(system, networks):
        look()
        if works.all():
            break
        try:
            works |= _Trimming(system, draws, there, valves, until).works(~works)
        except NetworkError:
            continue
    return works


def _at_speeds(system: System, networks: Sequence[Network]) -> Iterator[Sequence[Network]]:
    """Yield the plumbing with a single pump's dial as planned, at its top, and at a few slower speeds."""
    yield networks
    if system.settings or len(networks) > 1:
        return
    pumps = networks[0].pumps
    each = []
    for pump in pumps.values():
        others = sorted({speed for speed in pump.speeds if speed != pump.speed}, reverse=True)
        slower = [speed for speed in others if speed < pump.speed]
        few = slower[:: max(1, len(slower) // _SLOWER)][:_SLOWER]
        each.append([pump.speed, *[speed for speed in others[:1] if speed > pump.speed], *few])
    for speeds in itertools.islice(itertools.product(*each), 1, 1 + 2 * _SLOWER):
        at = {name: replace(pump, speed=speed) for (name, pump), speed in zip(pumps.items(), speeds, strict=True)}
        yield [replace(networks[0], pumps=at)]


class _Trimming:
    def __init__(
        self,
        system: System,
        draws: Draws,
        networks: Sequence[Network],
        valves: tuple[ValveSetting, ...],
        until: float,
    ) -> None:
        self.count, self.until = draws.samples, until
        allowed = allowances_of(system, today_counts=True)
        self.compiled: list[CompiledNetwork] = []
        self.drawn: list[Drawn] = []
        self.states: list[State] = []  # with the valves as planned: what is shut then stays shut
        self.rows = []
        planned = _added(networks[0], valves)
        rule = velocity_rule(system)
        for (name, at), network, most in zip(system.ways_to_run, networks, allowed, strict=True):
            as_planned = Variation(added_square_s2_m5=planned)
            compiled, flows = settled(compile_network(all_open(network)), as_planned)
            state = Newton(compiled, as_planned).run(flows)
            self.compiled.append(compiled)
            self.states.append(state)
            self.drawn.append(drawn_of(compiled, draws, Variation(), state.flow_m3_s))
            wants = (
                *wants_of(at),
                *velocity_wants(network, rule, name),
                *pump_wants(network),
                *most.flow_rows(network),
            )
            self.rows.append(_matrix(wants, compiled.run_names))
        names = self.compiled[0].run_names
        self.columns = np.array([names.index(name) for name in valved_runs(networks[0])], dtype=np.int64)
        self.scale = self._scale()
        self.planned = np.clip(np.log1p(planned[self.columns] / self.scale), 0.0, _MOST)

    def _scale(self) -> Floats:
        flows = np.max([np.abs(state.flow_m3_s[self.columns]) for state in self.states], axis=0, initial=0.0)
        heads = [c.fixed_head_m[np.isfinite(c.fixed_head_m)] for c in self.compiled]
        head = max(1.0, *(float(np.ptp(each)) for each in heads))
        return np.asarray(head / np.maximum(flows, 0.05 * max(float(flows.max(initial=0.0)), 1e-6)) ** 2)

    def works(self, open_: Bools) -> Bools:
        """Return which of these draws some positions settle."""
        works = np.zeros(self.count, dtype=bool)
        for start in _STARTS:
            left = np.flatnonzero(open_ & ~works)
            if not len(left):
                break
            first = self.planned if start is None else np.full(len(self.columns), start)
            works[left] = self._settled(left, np.repeat(first[None, :], len(left), axis=0))
            if not len(self.columns):
                break
        return works

    def _settled(self, at: Ints, theta: Floats) -> Bools:
        done = np.zeros(len(at), dtype=bool)
        damping = np.full(len(at), 1e-3)
        open_ = np.arange(len(at))
        misses, slopes, met, flows = self._look(at, theta, [None] * len(self.compiled))
        for _ in range(_STEPS):
            done[open_[met]] = True
            keep = ~met & np.isfinite(misses).all(axis=1) & np.isfinite(slopes).all(axis=(1, 2))
            if not keep.any() or not len(self.columns):
                break
            open_, misses, slopes = open_[keep], misses[keep], slopes[keep]
            flows = [flow[keep] for flow in flows]
            there = theta[open_]
            step = _step(misses, slopes, damping[open_], there)
            new = np.clip(there + step, 0.0, _MOST)
            after, slopes_after, met, flows_after = self._look(at[open_], new, flows)
            better = np.where(np.isfinite(after).all(axis=1), (after**2).sum(axis=1), np.inf) < (misses**2).sum(axis=1)
            damping[open_] = np.where(better, damping[open_] / 5.0, damping[open_] * 8.0)
            theta[open_] = np.where(better[:, None], new, there)
            misses = np.where(better[:, None], after, misses)
            slopes = np.where(better[:, None, None], slopes_after, slopes)
            flows = [np.where(better[:, None], new_flow, old) for new_flow, old in zip(flows_after, flows, strict=True)]
            met &= better
            stuck = damping[open_] > 1e8
            met_or_on = met | ~stuck
            done[open_[met]] = True
            open_, misses, slopes, met = open_[met_or_on], misses[met_or_on], slopes[met_or_on], met[met_or_on]
            flows = [flow[met_or_on] for flow in flows]
            if not len(open_):
                break
        return done

    def _look(
        self, at: Ints, theta: Floats, flows: Sequence[Floats | None]
    ) -> tuple[Floats, Floats, Bools, list[Floats]]:
        """Return misses (n, n_rows), their slopes (n, n_rows, n_valves), which draws are met, and the flows."""
        look()
        if time.monotonic() > self.until:
            raise TooLongError
        added = self.scale * np.expm1(theta)
        stretch = self.scale * np.exp(theta)
        misses, slopes, solved, found = [], [], np.ones(len(at), dtype=bool), []
        for compiled, drawn, state, rows, first in zip(
            self.compiled, self.drawn, self.states, self.rows, flows, strict=True
        ):
            batch = Batch(compiled, _of(drawn, at, self.columns, added), state)
            full, good = batch.solve(first)
            balance = tank_balance(compiled.network)
            carried = balance.balanced(full)
            miss, slope = _missed(carried, rows)
            rates = balance.rates(full, batch.rates(full, self.columns) * stretch[:, None, :])
            misses.append(miss)
            slopes.append(slope @ rates)
            solved &= good & ~overdraft(compiled.network).taking(carried).any(axis=1)
            found.append(full)
        all_misses, all_slopes = np.concatenate(misses, axis=1), np.concatenate(slopes, axis=1)
        met = solved & (np.abs(all_misses).max(axis=1, initial=0.0) <= TOLERANCE)
        all_misses[~solved] = np.inf
        return all_misses, all_slopes, met, found


def _added(network: Network, valves: tuple[ValveSetting, ...]) -> Floats:
    """Return what a plan's valve settings add to the loss of every run, k of k Q² [s²/m⁵]."""
    both = [compile_network(there).coefficients[1] for there in (with_openings(network, valves), all_open(network))]
    added = np.maximum(both[0] - both[1], 0.0)
    return np.where(np.isfinite(added), added, _AS_SHUT)


def _step(misses: Floats, slopes: Floats, damping: Floats, theta: Floats) -> Floats:
    """Return damped Gauss-Newton steps, valves at a bound that would push on left where they are."""
    gradient = np.einsum("nrv,nr->nv", slopes, misses)
    held = ((theta <= 0.0) & (gradient > 0.0)) | ((theta >= _MOST) & (gradient < 0.0))
    free = np.where(held[:, None, :], 0.0, slopes)
    normal = np.einsum("nrv,nrw->nvw", free, free)
    size = np.einsum("nvv->nv", normal)
    diagonal = damping[:, None] * np.maximum(size, 1e-6) + np.where(held, 1.0, 1e-12)
    normal = normal + diagonal[:, :, None] * np.eye(theta.shape[1])
    right = -np.einsum("nrv,nr->nv", free, misses)
    try:
        return np.clip(np.linalg.solve(normal, right[..., None])[..., 0], -3.0, 3.0)
    except np.linalg.LinAlgError:
        return np.zeros_like(right)  # no step: such a draw gets stuck and counts as missed


def _of(drawn: Drawn, at: Ints, columns: Ints, added: Floats) -> Drawn:
    """Return some of the draws, with what the valves add to their runs."""
    coefficients = drawn.coefficients[at].copy()
    coefficients[:, 1, columns] += added
    coefficients[:, 3, columns] += added
    return replace(
        drawn,
        coefficients=coefficients,
        pieces=pieces_at(drawn.pieces, at),
        friction_factor=drawn.friction_factor[at],
        tee_factor=drawn.tee_factor[at],
        device_factor=drawn.device_factor[at],
        pump_factor=drawn.pump_factor[at],
        lift_square_s2_m5=drawn.lift_square_s2_m5[at],
        fixed_head_m=drawn.fixed_head_m[at],
        speeds=drawn.speeds[at],
    )


def _matrix(wants: Sequence[Want], names: Sequence[str]) -> tuple[Floats, Floats, Floats]:
    matrix = np.array([[want.coefficients.get(name, 0.0) for name in names] for want in wants])
    low = np.array([want.low_m3_s for want in wants])
    high = np.array([want.high_m3_s for want in wants])
    return matrix.reshape(len(wants), len(names)), low, high


def _missed(flows: Floats, rows: tuple[Floats, Floats, Floats]) -> tuple[Floats, Floats]:
    """Return by what share of its flow each row is missed, (n, n_rows), and the slopes over the flows."""
    matrix, low, high = rows
    amount = flows @ matrix.T
    limit = np.where(np.isfinite(low), np.abs(low), 0.0)
    limit = np.maximum(limit, np.where(np.isfinite(high), np.abs(high), 0.0))
    scale = np.maximum(np.where(limit > 0.0, limit, np.abs(flows) @ np.abs(matrix).T / 2.0), 1e-9)
    narrow = np.isfinite(low) & np.isfinite(high)
    half = np.where(narrow, 0.5 * (np.where(narrow, high, 0.0) - np.where(narrow, low, 0.0)), np.inf)
    pad = np.minimum(_INSIDE * scale, half)
    missed = (np.maximum(amount - (high - pad), 0.0) - np.maximum(low + pad - amount, 0.0)) / scale
    slopes = np.where((missed != 0.0)[:, :, None], matrix[None], 0.0) / scale[:, :, None]
    return missed, slopes
