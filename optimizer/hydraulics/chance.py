"""Draws by chance → by how much head every path has too much or too little at given flows, and what a share of them is.

Where flows are known beforehand each loss is linear in the factors of its families, so a draw costs a product of
arrays and no solution. Readings narrow the draws themselves (`posterior`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from optimizer.hydraulics.batch import lifted
from optimizer.hydraulics.compiled import CompiledNetwork
from optimizer.hydraulics.draws import (
    DEVICE,
    FRICTION,
    Draws,
    families_of,
    lift_squares,
    tee_factors,
    walls,
    widest_bores_m,
)
from optimizer.hydraulics.friction import PipePieces

Floats = npt.NDArray[np.float64]

CONFIDENCE = 0.95


def slack_m(
    compiled: CompiledNetwork,
    draws: Draws,
    flows_m3_s: Mapping[str, float],
    ways: Sequence[Sequence[str]],
    speeds: Mapping[str, float],
) -> Floats:
    """Return the head that every draw leaves on each way at given flows [m], shape (n_samples, n_ways).

    A way is the runs that water goes through, one after the other, from a fixed head to a fixed head. Below 0 there is
    not head enough. Valves stand as compiled, pumps run at `speeds` (fractions of full rpm).
    """
    index = compiled.run_index
    flow = np.array([flows_m3_s.get(name, 0.0) for name in compiled.run_names])
    losses = _losses_m(compiled, draws, flow, speeds)
    points = list(compiled.network.points.values())
    out = np.empty((draws.samples, len(ways)))
    for k, way in enumerate(ways):
        runs = [index[name] for name in way]
        first, last = (
            compiled.fixed_head_m[at] + draws.height_m(points[at].name)
            for at in (compiled.start[runs[0]], compiled.end[runs[-1]])
        )
        out[:, k] = first - last - losses[runs].sum(axis=0)
    return out


def _losses_m(compiled: CompiledNetwork, draws: Draws, flow_m3_s: Floats, speeds: Mapping[str, float]) -> Floats:
    """Return loss less pump head of every run [m] at given flows, tees in it, shape (n_runs, n_draws).

    A run loses so much for each draw's factor of every family, and of each metre of pipe, whatever else there is.
    """
    c, flow, back = compiled, flow_m3_s, flow_m3_s < 0.0

    def at_flow_m(coefficients: Floats) -> Floats:
        linear, square = np.where(back, coefficients[2:], coefficients[:2])
        return np.asarray(flow * (linear + square * np.abs(flow)))

    families = families_of(c, draws, flow)
    rest = c.coefficients - sum((family.coefficients for family in families), np.zeros((4, 1)))
    each = [at_flow_m(family.coefficients) for family in families]
    factors = [family.factors for family in families]
    if c.junctions is not None:
        each += [c.junctions.heads(flow, one) for one in np.eye(c.junctions.count)]
        factors += list(tee_factors(c, draws).T)
    loss: Floats = np.array([at_flow_m(rest), *each]).T @ np.array([draws.loss("all else", (1.0, 1.0)), *factors])
    friction = draws.loss("friction formula", FRICTION)
    pieces = (each.tolist() for each in (c.piece_run, c.pieces.length_m, c.pieces.bore_m, c.pieces.rough))
    for run, length_m, bore_m, rough, widest_m in zip(*pieces, widest_bores_m(c).tolist(), strict=True):
        loss[run] += length_m * friction * _metre_m(c, draws, (bore_m, widest_m, rough), float(flow[run]))
    devices = [element.device for parts in c.elements for element in parts if element.device]
    for (run, curve), name in zip(c.devices, devices, strict=True):
        head = curve.heads_and_slopes(flow[[run]])[0] * c.conditions.loss_factor
        loss[run] += head * draws.loss(f"device {name}", DEVICE)
    for lift, square in zip(c.lifts, lift_squares(c, draws).T, strict=True):
        loss[lift.run] += lifted(lift, square, flow[[lift.run]])[0]
    for pump in c.pumps:
        at = draws.speeds(pump.name, speeds.get(pump.name, pump.speed))
        head, _ = pump.curve.heads_and_slopes(np.full(draws.samples, flow[pump.run]), at)
        loss[pump.run] -= head * draws.pump_head(pump.name)
    return loss


def _metre_m(
    compiled: CompiledNetwork, draws: Draws, bores_and_rough: tuple[float, float, float], flow_m3_s: float
) -> Floats:
    """Return what a metre of pipe loses in each draw, the friction formula apart; its bores at average and least wall
    [m], and its roughness as `PipePieces` has it."""
    conditions = compiled.conditions
    fluid, law = conditions.fluid, conditions.hazen_williams

    def told() -> Floats:
        (bore_m, widest_m, rough), (share, rougher) = bores_and_rough, walls(draws, conditions)
        bores_m, roughness_m = bore_m + share * (widest_m - bore_m), rough * 3.7 * bore_m * rougher
        one = PipePieces.of(np.ones(draws.samples), bores_m, roughness_m, fluid, law)
        return one.head_and_slope(np.full(draws.samples, flow_m3_s))[0]

    return draws.told(("metre", *bores_and_rough, flow_m3_s, fluid, law, conditions.extra_roughness_m > 0.0), told)


def least_share(works: int, draws: int) -> float:
    """Return the lower end of the one-sided 95 % confidence interval of a share, `works` of so many draws.

    References
    ----------
    C. J. Clopper, E. S. Pearson, The use of confidence or fiducial limits, Biometrika 26, 1934, pp. 404-413.
    """
    from scipy.special import betaincinv

    return 0.0 if works <= 0 else float(betaincinv(works, draws - works + 1, 1.0 - CONFIDENCE))
