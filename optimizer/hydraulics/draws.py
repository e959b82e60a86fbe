"""Chance made into networks: standard normal draws by name → factors on a compiled network's losses, bores, heads.

A draw is kept by the name of what it stands for, so that the same elbow row has the same error in the plumbing as it
stands, in the planned one, and in what was measured.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from optimizer.errors import NetworkError
from optimizer.hydraulics.batch import Batch, Drawn, is_small, pieces_at
from optimizer.hydraulics.close_coupled import BAND_HIGH, BAND_LOW, close_coupled
from optimizer.hydraulics.compiled import CompiledNetwork, Variation, coefficients_of
from optimizer.hydraulics.conditions import Conditions
from optimizer.hydraulics.elements import LossElement, element_of
from optimizer.hydraulics.friction import PipePieces, area_m2
from optimizer.hydraulics.junctions import legs_of
from optimizer.hydraulics.network import holding, solve_flows
from optimizer.hydraulics.newton import Newton
from optimizer.hydraulics.tank_balance import overdraft, tank_balance
from optimizer.hydraulics.tees import tee_geometry
from optimizer.hydraulics.water import Fluid
from optimizer.model.catalog import CHECKS, PIPES, THROTTLES, CatalogItem
from optimizer.model.network import Part

Floats = npt.NDArray[np.float64]

_NORMAL_90 = 1.6449  # a band is taken to hold the truth in 9 of 10 cases
# Bands that no catalog row gives, each as (low, high) in 9 of 10 cases:
_THROTTLE = (0.6, 1.6)  # published K of partly closed valves differ so much from table to table: estimate
JOINTS = (0.7, 1.5)  # as the catalog rows of sudden steps: estimate
OPENING = (0.85, 1.2)  # entrances by how sharp the edge is: estimate
DEVICE = (0.8, 1.25)  # a maker's rated loss, clean: estimate
FRICTION = (0.95, 1.05)  # Colebrook against measurement in smooth pipe: common practice, no source
_ROUGHNESS = (1.0, 5.0)  # drawn plastic, 0.0015 to 0.007 mm; growth that is stated: half to double
_GROWTH = (0.5, 2.0)
PUMP = (0.93, 1.07)  # head of small series-made pumps: ISO 9906:2012 grade 3B, from memory
_MOST_UNLIFTED = 3.0  # times the loss of a check valve that is lifted in full, for one that hardly is: estimate
HEIGHT_M = 0.025  # one standard deviation of each height: a tape measure along a wall, and the water line
# Which handbook holds is one draw for all bends: from 3-K over 2-K, Crane and Rennels to tables by size, standard and
# sweep elbows go up and down together (correlation 0.95), 45s less so (0.2 at Re 1e4 to 0.7 at 1e5): see the tests.
_BENDS = "elbow, darby-3k"
_HANDBOOK = {"sweep elbow, darby-3k": 0.95, "45 elbow, darby-3k": 0.6}


class Draws:
    """Standard normal numbers by name, shape (n_samples,). The same name always has the same numbers."""

    def __init__(self, samples: int, seed: int) -> None:
        self.samples, self.seed = samples, seed
        self._drawn: dict[str, Floats] = {}
        self._told: dict[tuple[object, ...], Floats] = {}

    def told(self, key: tuple[object, ...], of: Callable[[], Floats]) -> Floats:
        """Return what these draws make of something, worked out once."""
        if key not in self._told:
            self._told[key] = of()
        return self._told[key]

    def normal(self, name: str) -> Floats:
        if name not in self._drawn:
            dice = np.random.default_rng([self.seed, zlib.crc32(name.encode("utf-8"))])
            half = dice.standard_normal((self.samples + 1) // 2)
            both = np.concatenate((half, -half))[: self.samples]  # in pairs of opposites: means settle sooner
            self._drawn[name] = dice.permutation(both)
        return self._drawn[name]

    def factor(self, name: str, band: tuple[float, float]) -> Floats:
        """Return factors whose logarithm is normal on either side of 1, with 9 of 10 inside the band."""
        z = self._with_handbook(name) / _NORMAL_90
        return np.where(z < 0.0, band[0] ** -z, band[1] ** z)

    def _with_handbook(self, name: str) -> Floats:
        """Return the numbers of a family, those of bends with the draw of which handbook holds that they share."""
        common = _HANDBOOK.get(name)
        if common is None:
            return self.normal(name)
        return common * self.normal(_BENDS) + math.sqrt(1.0 - common * common) * self.normal(name)

    def loss(self, name: str, band: tuple[float, float]) -> Floats:
        """Return the factors of what loses head: `factor`, and what readings say of all losses together."""
        return self.factor(name, band)

    def pump_head(self, name: str) -> Floats:
        """Return the factors of a pump's head."""
        return self.factor(f"pump {name}", PUMP)

    def height_m(self, point: str) -> Floats:
        """Return by how much a fixed point lies higher than stated [m]."""
        return self.normal(f"height of {point}") * HEIGHT_M

    def speeds(self, pump: str, speed: float) -> Floats:
        """Return the fractions of full rpm at which a pump runs where its dial is taken to mean `speed`."""
        return np.full(self.samples, speed)


class PickedDraws(Draws):
    """Some of many draws, by their numbers `at`."""

    def __init__(self, many: Draws, at: npt.NDArray[np.int64]) -> None:
        super().__init__(len(at), many.seed)
        self._many, self._at = many, at

    def normal(self, name: str) -> Floats:
        return self.told(("normal", name), lambda: self._many.normal(name)[self._at])

    def loss(self, name: str, band: tuple[float, float]) -> Floats:
        return self.told(("loss", name, band), lambda: self._many.loss(name, band)[self._at])

    def pump_head(self, name: str) -> Floats:
        return self.told(("head", name), lambda: self._many.pump_head(name)[self._at])

    def height_m(self, point: str) -> Floats:
        return self.told(("height", point), lambda: self._many.height_m(point)[self._at])

    def speeds(self, pump: str, speed: float) -> Floats:
        return self.told(("speed", pump, speed), lambda: self._many.speeds(pump, speed)[self._at])


@dataclass(frozen=True)
class Family:
    """What shares one draw: its part of the coefficients a, b, a', b' of every run, shape (4, n_runs)."""

    coefficients: Floats
    factors: Floats  # (n_samples,)


def ensemble_flows_m3_s(
    compiled: CompiledNetwork, draws: Draws, start_m3_s: Floats | None, speeds: Mapping[str, float] | None = None
) -> Floats:
    """Return the flows under every draw, shape (n_samples, n_runs). One that can not be solved is left undisturbed.

    All draws are solved together as arrays; those that this leaves open, and those of large networks, one by one.
    """
    base = Variation(speeds=speeds or {})
    state = Newton(compiled, base).run(start_m3_s)
    drawn = drawn_of(compiled, draws, base, state.flow_m3_s)
    if is_small(compiled):
        flows, solved = Batch(compiled, drawn, state).solve()
    else:
        flows, solved = np.empty((draws.samples, len(state.flow_m3_s))), np.zeros(draws.samples, dtype=bool)
    for sample in np.flatnonzero(~solved):
        flows[sample] = one_by_one_m3_s(compiled, drawn, int(sample), base, state.flow_m3_s)
    return flows


def settled_draws_m3_s(compiled: CompiledNetwork, draws: Draws, value_m3_s: Floats) -> Floats:
    """Return the flows of `ensemble_flows_m3_s` once lines that take more out of a tank than comes in have emptied.

    That may be so in a few draws alone, which are solved again with those lines shut (see `tank_balance.Overdraft`).
    """
    flows = ensemble_flows_m3_s(compiled, draws, value_m3_s)
    over = overdraft(compiled.network)
    balance = tank_balance(compiled.network)
    for _ in compiled.run_names if over.tanks else ():
        taking = over.taking(balance.balanced(flows))
        rows = np.flatnonzero(taking.any(axis=1))
        if not len(rows):
            break
        runs = np.flatnonzero(taking.any(axis=0))
        compiled = holding(compiled, runs.tolist())
        drawn = drawn_of(compiled, draws, Variation(), value_m3_s)
        solved = np.zeros(len(rows), dtype=bool)
        if is_small(compiled):
            newton = Newton(compiled, Variation())
            shut = newton.shutting(newton.run(value_m3_s), runs)
            flows[rows], solved = Batch(compiled, drawn.of(rows), shut).solve(np.where(taking, 0.0, flows)[rows])
        for sample in rows[~solved]:
            flows[sample] = one_by_one_m3_s(compiled, drawn, int(sample), Variation(), value_m3_s)
    return flows


def one_by_one_m3_s(
    compiled: CompiledNetwork, drawn: Drawn, sample: int, base: Variation, value_m3_s: Floats
) -> Floats:
    """Return the flows under one draw (n_runs,), solved as any network is; the undisturbed ones where it has none."""
    names = [pump.name for pump in compiled.pumps]
    points = drawn.fixed_head_m[sample]
    squares = drawn.lift_square_s2_m5[sample].tolist()
    lifts = [replace(lift, square_s2_m5=square) for lift, square in zip(compiled.lifts, squares, strict=True)]
    one = replace(
        compiled,
        coefficients=drawn.coefficients[sample],
        pieces=pieces_at(drawn.pieces, sample),
        lifts=tuple(lifts),
        fixed_head_m=points,
    )
    speeds = dict(zip(names, drawn.speeds[sample].tolist(), strict=True))
    variation = replace(
        base,
        speeds={**base.speeds, **speeds},
        friction_factor=float(drawn.friction_factor[sample]),
        tee_factor=drawn.tee_factor[sample],
        device_factor=drawn.device_factor[sample],
        pump_head_factors=dict(zip(names, drawn.pump_factor[sample].tolist(), strict=True)),
    )
    try:
        return solve_flows(one, variation, value_m3_s)
    except NetworkError:
        return value_m3_s


def drawn_of(compiled: CompiledNetwork, draws: Draws, base: Variation, value_m3_s: Floats) -> Drawn:
    """Return what differs from draw to draw in a network whose undisturbed flows are known, (n_runs,)."""
    families = families_of(compiled, draws, value_m3_s)
    rest = compiled.coefficients - sum((family.coefficients for family in families), np.zeros((4, 1)))
    varied = np.array([family.coefficients for family in families]).reshape(len(families), -1)
    factors = np.array([family.factors for family in families]).reshape(len(families), draws.samples)
    common = draws.loss("all else", (1.0, 1.0))[:, None, None]
    coefficients = common * rest + (factors.T @ varied).reshape(draws.samples, *rest.shape)
    points = compiled.network.points.values()
    shifts = np.array([draws.height_m(point.name) if point.is_fixed else np.zeros(draws.samples) for point in points])
    devices = [element.device for parts in compiled.elements for element in parts if element.device]
    speeds = [draws.speeds(pump.name, base.speeds.get(pump.name, pump.speed)) for pump in compiled.pumps]
    return Drawn(
        coefficients=coefficients,
        pieces=_pieces(compiled, draws),
        friction_factor=draws.loss("friction formula", FRICTION),
        tee_factor=tee_factors(compiled, draws),
        device_factor=_columns([draws.loss(f"device {name}", DEVICE) for name in devices], draws),
        pump_factor=_columns([draws.pump_head(pump.name) for pump in compiled.pumps], draws),
        lift_square_s2_m5=lift_squares(compiled, draws),
        fixed_head_m=compiled.fixed_head_m + shifts.T,
        speeds=_columns(speeds, draws),
    )


def _columns(values: list[Floats], draws: Draws) -> Floats:
    return np.array(values).reshape(len(values), draws.samples).T


def tee_factors(compiled: CompiledNetwork, draws: Draws) -> Floats:
    """Return the factor of every junction: one draw for all tees of a source, within the band of the catalog row."""
    count = compiled.junctions.count if compiled.junctions is not None else 0
    factors = []
    for point in legs_of(compiled.network, compiled.run_index):
        tee = compiled.network.tees.get(point)
        if tee is None or tee_geometry(tee.item, compiled.conditions) is None or tee.item is None:
            continue
        loss = tee.item.loss
        factor = draws.loss(f"tees, {loss.source}", (loss.band_low, loss.band_high))
        factors += [factor] * (1 if len(tee.item.end_bores_m) == 3 else 4)  # a cross counts as four junctions
    assert len(factors) == count, "as many as the network has"
    return _columns(factors, draws)


def families_of(compiled: CompiledNetwork, draws: Draws, value_m3_s: Floats) -> list[Family]:
    """Return the losses that vary together. A close-coupled part has the draw of its family times that of coupling.

    A check valve through which water runs slower than what lifts it in full may lose more by as much as it is slower.
    """
    sums: dict[tuple[str, tuple[float, float], bool], Floats] = {}

    def add(name: str, band: tuple[float, float], coupled: bool, run: int, element: LossElement) -> None:
        table = sums.setdefault((name, band, coupled), np.zeros((4, len(compiled.run_names))))
        table[:, run] += coefficients_of(element)

    for r, name in enumerate(compiled.run_names):
        run = compiled.network.runs[name]
        near = close_coupled(run, compiled.network)
        for i, (part, element) in enumerate(zip(run.parts, compiled.elements[r], strict=True)):
            if element.joint_s2_m5 or element.joint_back_s2_m5:
                joints = LossElement(square_s2_m5=element.joint_s2_m5, square_back_s2_m5=element.joint_back_s2_m5)
                add("joints", JOINTS, False, r, joints)
            if part.item is None or part.kind in PIPES or element.shut:
                continue
            element = replace(element, joint_s2_m5=0.0, joint_back_s2_m5=0.0)
            opened, throttle = _split(part, element, compiled)
            band = band_of(part, part.item, abs(float(value_m3_s[r])), compiled.conditions)
            add(family_of(part, part.item), band, i in near, r, opened)
            if throttle is not None:
                add(f"throttled {part.kind}", _THROTTLE, False, r, throttle)
        for element in compiled.openings[r]:
            add("openings", OPENING, False, r, element)
    families = []
    for (name, band, coupled), table in sums.items():
        factors = draws.loss(name, band)
        if coupled:
            factors = factors * draws.factor("close coupling", (BAND_LOW, BAND_HIGH))
        families.append(Family(table, factors))
    return families


def family_of(part: Part, item: CatalogItem) -> str:
    """Return the name of what a part shares its draw with."""
    return f"{part.kind}, {item.loss.source}"


def band_of(part: Part, item: CatalogItem, flow_m3_s: float, conditions: Conditions) -> tuple[float, float]:
    """Return the band of a part's loss at a flow: of a check valve that is not lifted in full it is wider."""
    low, high = item.loss.band_low, item.loss.band_high
    if part.kind not in CHECKS or part.least_flow_m3_s > 0.0 or flow_m3_s <= 0.0:
        return low, high
    lifted_m_s = lift_velocity_m_s(conditions.fluid)
    bore = item.loss.bore_m or min(part.end_bores_m)
    slower = lifted_m_s * area_m2(bore) / flow_m3_s
    return low, high * min(max(slower, 1.0), _MOST_UNLIFTED)


def lift_velocity_m_s(fluid: Fluid) -> float:
    """Return the velocity that lifts a swing check valve in full, 45 √v with v in m³/kg: 1.4 m/s in sea water.

    For metal flaps on an inclined seat, the lightest that Crane lists; those of plastic need less.

    References
    ----------
    Crane Technical Paper 410, appendix A, by the fluids library.
    """
    from fluids.fittings import v_lift_valve_Crane

    return float(v_lift_valve_Crane(rho=fluid.density_kg_m3, style="swing check angled"))


def lift_squares(compiled: CompiledNetwork, draws: Draws) -> Floats:
    """Return b of b Q² of check valves with a least flow, with the draw of their family."""
    factors = [
        draws.loss(family_of(part, part.item), (part.item.loss.band_low, part.item.loss.band_high))
        * (draws.factor("close coupling", (BAND_LOW, BAND_HIGH)) if i in close_coupled(run, compiled.network) else 1.0)
        for run in compiled.network.runs.values()
        for i, part in enumerate(run.parts)
        if part.item is not None and part.kind in CHECKS and part.least_flow_m3_s > 0.0
    ]
    squares = [lift.square_s2_m5 * factor for lift, factor in zip(compiled.lifts, factors, strict=True)]
    return _columns(squares, draws)


def _split(part: Part, element: LossElement, compiled: CompiledNetwork) -> tuple[LossElement, LossElement | None]:
    """Return the loss of a valve fully open, and what its partial closing adds; None where it is open or no valve."""
    if part.kind not in THROTTLES or part.opening >= 1.0:
        return element, None
    opened = element_of(replace(part, opening=1.0), compiled.conditions)
    added = element.square_s2_m5 - opened.square_s2_m5
    return opened, LossElement(square_s2_m5=added, square_back_s2_m5=added)


def _pieces(compiled: CompiledNetwork, draws: Draws) -> PipePieces:
    """Return the pipe pieces of every draw: bores between average and minimum wall, walls rougher or smoother."""
    conditions, known = compiled.conditions, compiled.pieces
    share, rough = walls(draws, conditions)
    bore = known.bore_m + share[:, None] * (widest_bores_m(compiled) - known.bore_m)
    roughness = known.rough * 3.7 * known.bore_m * rough[:, None]
    return PipePieces.of(known.length_m, bore, roughness, conditions.fluid, conditions.hazen_williams)


def walls(draws: Draws, conditions: Conditions) -> tuple[Floats, Floats]:
    """Return where bores lie, 0 average wall to 1 minimum wall, and what multiplies roughness, (n_samples,) each."""
    share = np.minimum(np.abs(draws.normal("bore")) / _NORMAL_90, 1.0)
    growth = conditions.extra_roughness_m
    return share, draws.factor("growth", _GROWTH) if growth > 0.0 else draws.factor("roughness", _ROUGHNESS)


def widest_bores_m(compiled: CompiledNetwork) -> Floats:
    """Return the largest bore that the standard allows for each piece; its own where no standard is known."""
    widest: dict[tuple[int, float], float] = {}
    for r, name in enumerate(compiled.run_names):
        for part, element in zip(compiled.network.runs[name].parts, compiled.elements[r], strict=True):
            if part.item is not None and element.length_m > 0.0:
                widest[r, element.bore_m] = max(part.item.bore_min_wall_m, element.bore_m)
    keys = zip(compiled.piece_run.tolist(), compiled.pieces.bore_m.tolist(), strict=True)
    return np.array([widest.get(key, key[1]) for key in keys], dtype=np.float64)
