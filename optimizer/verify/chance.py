"""A plan → in how many of all cases it does what was asked: trimmed by meters, and with its valves left as set.

Where flows are known beforehand a plan works in a draw if every way has head enough at its target, the pump's dial
turned up as far as it goes: valves take up the rest. Elsewhere valves are trimmed draw by draw (`trimming`), and what
that does not settle counts as missed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from optimizer.choices.demands import KnownFlows, flows_if_known
from optimizer.choices.wants import Want, wants_of
from optimizer.errors import NetworkError
from optimizer.hydraulics import compile_network
from optimizer.hydraulics.batch import is_small
from optimizer.hydraulics.chance import least_share, slack_m
from optimizer.hydraulics.draws import Draws, settled_draws_m3_s
from optimizer.hydraulics.network import settled
from optimizer.hydraulics.posterior import draws_after
from optimizer.hydraulics.tank_balance import tank_balance
from optimizer.model.chance import Chance
from optimizer.model.network import Network
from optimizer.model.plan import Plan, Verification, planned_network, planned_networks
from optimizer.model.system import System
from optimizer.verify.openings import TOLERANCE, all_open
from optimizer.verify.settings import with_openings
from optimizer.verify.trimming import TooLongError, trimmed_works

Bools = npt.NDArray[np.bool_]

DRAWS = 1000  # a share of them is good to 1.5 % or so
_FEWER_DRAWS = 200  # where valves have to be trimmed draw by draw
_SECONDS = 8.0  # for trimming: what takes longer is not worked out
SEED = 20  # as of the band: the same cases
_ENOUGH_M = -1e-6  # the network closes heads to that


@dataclass(frozen=True)
class Cases:
    """The draws that a system's plans are judged by, narrowed by its readings."""

    system: System
    draws: Draws

    @classmethod
    def of(cls, system: System, samples: int, seed: int = SEED) -> Cases:
        """Return so many draws; those of a calibrated system know what was measured."""
        measured = system.measured if system.calibration is not None else ()
        return cls(system, draws_after(measured, system.network, samples, seed))


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
        as_set = _works_as_set(cases, networks, verification)
        if known is not None:
            trimmed = works_known(cases, known, planned_network(system.network, plan))
        else:
            try:
                found = trimmed_works(cases.system, cases.draws, networks, verification.valves, _SECONDS)
            except TooLongError:
                share, least = float(as_set.mean()), least_share(int(as_set.sum()), len(as_set))
                return Chance(None, share, cases.draws.samples, (0.0, least))
            trimmed = as_set | found
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


def _works_as_set(cases: Cases, networks: Sequence[Network], verification: Verification) -> Bools:
    works = np.ones(cases.draws.samples, dtype=bool)
    for (_, at), network in zip(cases.system.ways_to_run, networks, strict=True):
        there = with_openings(network, verification.valves)
        compiled, value = settled(compile_network(there))
        flows = settled_draws_m3_s(compiled, cases.draws, value)
        works &= rows_met(tank_balance(there).balanced(flows), compiled.run_names, wants_of(replace(at)))
    return works


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
