"""A network turned into arrays once, so that it can be solved many times with other speeds, heads and factors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from optimizer.errors import NetworkError
from optimizer.hydraulics.conditions import Conditions, conditions_of
from optimizer.hydraulics.devices import DeviceCurve, device_curve
from optimizer.hydraulics.elements import LossElement, device_loss_m, element_of
from optimizer.hydraulics.friction import PipePieces, area_m2
from optimizer.hydraulics.junctions import Junctions, build_junctions
from optimizer.hydraulics.openings import entrance_square_s2_m5, exit_coefficients
from optimizer.hydraulics.pumps import PumpCurve, pump_curve
from optimizer.hydraulics.tees import tee_geometry
from optimizer.joints.bores import run_steps
from optimizer.model.catalog import Kind
from optimizer.model.kinds import MOUTHS
from optimizer.model.network import Leg, Network, Part, PointKind, Run, RunEnd

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Variation:
    """What one solution has otherwise than the compiled network. Arrays: shape (n_runs,), in the order of the runs.

    Factors multiply; `pump_head_factors` stand for wear; `added_square_s2_m5` is a further throttle in a run. The
    device factor may differ from device to device, shape (n_devices,), that of tees from junction to junction of
    `Junctions`, both in the order of the compiled network.
    """

    speeds: Mapping[str, float] = field(default_factory=dict)
    pump_head_factors: Mapping[str, float] = field(default_factory=dict)
    head_shifts_m: Mapping[str, float] = field(default_factory=dict)  # of surfaces, outlets and supplies
    friction_factor: Floats | float = 1.0
    fitting_factor: Floats | float = 1.0
    device_factor: Floats | float = 1.0
    tee_factor: Floats | float = 1.0
    added_square_s2_m5: Floats | float = 0.0


AS_COMPILED = Variation()


@dataclass(frozen=True)
class PumpAt:
    run: int
    name: str
    curve: PumpCurve
    speed: float
    last_m3_s: float


@dataclass(frozen=True, slots=True)
class Lift:
    """A check valve with a least flow: its run, and b of its b Q²."""

    run: int
    square_s2_m5: float
    least_flow_m3_s: float


@dataclass(frozen=True)
class CompiledNetwork:
    """Runs as arrays of shape (n_runs,), points as indices; built by `compile_network`, read by `solve_compiled`."""

    network: Network
    conditions: Conditions
    run_names: tuple[str, ...]
    point_names: tuple[str, ...]
    elements: tuple[tuple[LossElement, ...], ...]  # part by part
    openings: tuple[tuple[LossElement, LossElement], ...]  # at start and end: entrance one way, exit the other
    start: Ints
    end: Ints
    fixed_head_m: Floats  # (n_points,), NaN where the head is sought
    coefficients: Floats  # (4, n_runs): a, b forwards and backwards
    pieces: PipePieces
    piece_run: Ints
    pumps: tuple[PumpAt, ...]
    devices: tuple[tuple[int, DeviceCurve], ...]
    lifts: tuple[Lift, ...]
    direction: Ints  # 0 both ways, +1 only forwards, -1 only backwards
    shut: npt.NDArray[np.bool_]
    narrowest_area_m2: Floats
    junctions: Junctions | None

    @property
    def run_index(self) -> dict[str, int]:
        return {name: index for index, name in enumerate(self.run_names)}


def compile_network(network: Network, conditions: Conditions | None = None) -> CompiledNetwork:
    """Return the network as arrays.

    Raises
    ------
    NetworkError
        A run without parts or with an unknown point, pump or device; a part whose loss can not be told.
    """
    conditions = conditions or conditions_of(network)
    runs = tuple(network.runs.values())
    names = tuple(run.name for run in runs)
    index = {name: i for i, name in enumerate(names)}
    points = {name: i for i, name in enumerate(network.points)}
    for run in runs:
        _check_ends(run, network)
    elements = tuple(run_elements(run, network, conditions) for run in runs)
    openings = tuple(openings_of(run, network, conditions) for run in runs)
    pieces, piece_run = _pieces(elements, conditions)
    directions = [_direction(run, network, parts) for run, parts in zip(runs, elements, strict=True)]
    return CompiledNetwork(
        network=network,
        conditions=conditions,
        run_names=names,
        point_names=tuple(points),
        elements=elements,
        openings=openings,
        start=np.array([points[run.start.point] for run in runs], dtype=np.int64),
        end=np.array([points[run.end.point] for run in runs], dtype=np.int64),
        fixed_head_m=np.array([_head(network, name) for name in points]),
        coefficients=_coefficients(network, runs, elements, openings, conditions),
        pieces=pieces,
        piece_run=piece_run,
        pumps=tuple(pump for i, run in enumerate(runs) for pump in _pumps(i, run, network)),
        devices=_devices(elements, conditions),
        lifts=_lifts(elements),
        direction=np.array([0 if d is None else d for d in directions], dtype=np.int64),
        shut=_shut(runs, directions, elements),
        narrowest_area_m2=np.array([_narrowest_area_m2(run, parts) for run, parts in zip(runs, elements, strict=True)]),
        junctions=build_junctions(network, index, conditions),
    )


def _devices(elements: Sequence[Sequence[LossElement]], conditions: Conditions) -> tuple[tuple[int, DeviceCurve], ...]:
    return tuple(
        (i, device_curve(conditions.devices[element.device]))
        for i, parts in enumerate(elements)
        for element in parts
        if element.device
    )


def _lifts(elements: Sequence[Sequence[LossElement]]) -> tuple[Lift, ...]:
    return tuple(
        Lift(i, element.square_s2_m5, element.least_flow_m3_s)
        for i, parts in enumerate(elements)
        for element in parts
        if element.least_flow_m3_s > 0.0
    )


def _shut(
    runs: Sequence[Run], directions: Sequence[int | None], elements: Sequence[Sequence[LossElement]]
) -> npt.NDArray[np.bool_]:
    """Return which runs carry no water: not plumbed, with a part that is shut, or open in no direction."""
    return np.array(
        [
            direction is None or not run.is_plumbed or any(element.shut for element in parts)
            for run, direction, parts in zip(runs, directions, elements, strict=True)
        ],
        dtype=bool,
    )


def openings_of(run: Run, network: Network, conditions: Conditions) -> tuple[LossElement, LossElement]:
    """Return what is lost at a run's start and end where they open into a surface or the air; nothing elsewhere."""
    first, last = run.parts[0], run.parts[-1]
    at_start = at_end = LossElement()
    if network.points[run.start.point].is_open:
        out_linear, out_square = exit_coefficients(first, conditions, at_start=True)
        at_start = LossElement(0.0, entrance_square_s2_m5(first, conditions), out_linear, out_square)
    if network.points[run.end.point].is_open:
        linear, square = exit_coefficients(last, conditions)
        at_end = LossElement(linear, square, 0.0, entrance_square_s2_m5(last, conditions, at_end=True))
    return at_start, at_end


def run_elements(run: Run, network: Network, conditions: Conditions) -> tuple[LossElement, ...]:
    """Return what the parts of a run do to the water where they stand: what their joints lose is with them."""
    found = []
    factor = conditions.loss_factor
    for part, (joint, back) in zip(run.parts, run_steps(run, network), strict=True):
        element = _element(run, part, conditions)
        if joint or back:
            element = replace(element, joint_s2_m5=joint * factor, joint_back_s2_m5=back * factor)
        found.append(element)
    return tuple(found)


def _check_ends(run: Run, network: Network) -> None:
    if not run.parts:
        raise NetworkError(f"run {run.name!r} has no parts; it needs a pipe or a fitting at least")
    for end in (run.start, run.end):
        if end.point not in network.points:
            raise NetworkError(f"run {run.name!r} goes to {end.point!r}, which is no point of this plumbing")
    if run.start.point == run.end.point and not network.points[run.start.point].is_fixed:
        raise NetworkError(f"run {run.name!r} begins and ends at {run.start.point!r}; put a point in between")


def _element(run: Run, part: Part, conditions: Conditions) -> LossElement:
    try:
        element = element_of(part, conditions)
        if element.device:
            device_loss_m(element.device, 0.0, conditions)  # refuses an unknown device
    except NetworkError as error:
        raise NetworkError(f"run {run.name!r}, {part.place or part.words}: {error}") from error
    return element


def _head(network: Network, name: str) -> float:
    point = network.points[name]
    if not point.is_fixed:
        return float("nan")
    head = point.head_m if point.head_m is not None else point.elevation_m
    if head is None:
        raise NetworkError(f"{point.kind} {name!r} has neither head nor height")
    return head


def _pumps(index: int, run: Run, network: Network) -> list[PumpAt]:
    found = []
    for part in run.parts:
        if part.kind is not Kind.PUMP:
            continue
        if part.name not in network.pumps:
            known = ", ".join(network.pumps) or "none"
            raise NetworkError(f"run {run.name!r} names pump {part.name!r}; the pumps are {known}")
        pump = network.pumps[part.name]
        found.append(PumpAt(index, pump.name, pump_curve(pump), pump.speed, pump.curve[-1][0]))
    return found


def _direction(run: Run, network: Network, elements: tuple[LossElement, ...]) -> int | None:
    """Return 0, +1 or -1, or None where check valve and outlet exclude both: an outlet lets water out, never in."""
    wanted = {1} if any(element.one_way for element in elements) else set()
    if network.points[run.start.point].kind is PointKind.OUTLET:
        wanted.add(-1)
    if network.points[run.end.point].kind is PointKind.OUTLET:
        wanted.add(1)
    return None if len(wanted) == 2 else next(iter(wanted), 0)


def _pieces(elements: tuple[tuple[LossElement, ...], ...], conditions: Conditions) -> tuple[PipePieces, Ints]:
    """Pieces of one bore and roughness in a run are one piece."""
    lengths: dict[tuple[int, float, float], float] = {}
    for run, parts in enumerate(elements):
        for element in parts:
            if element.length_m > 0.0:
                key = (run, element.bore_m, element.roughness_m)
                lengths[key] = lengths.get(key, 0.0) + element.length_m
    table = np.array([(*key, length) for key, length in lengths.items()], dtype=np.float64).reshape(-1, 4)
    pieces = PipePieces.of(
        table[:, 3] * conditions.loss_factor, table[:, 1], table[:, 2], conditions.fluid, conditions.hazen_williams
    )
    return pieces, table[:, 0].astype(np.int64)


def _coefficients(
    network: Network,
    runs: tuple[Run, ...],
    elements: tuple[tuple[LossElement, ...], ...],
    openings: tuple[tuple[LossElement, LossElement], ...],
    conditions: Conditions,
) -> Floats:
    sums = _own_coefficients(elements, openings)
    for i, run in enumerate(runs):
        out, back = _neck(network, run.start, conditions)
        sums[1::2, i] += (out, back)
        out, back = _neck(network, run.end, conditions)
        sums[1::2, i] += (back, out)
    return sums


def _own_coefficients(
    elements: tuple[tuple[LossElement, ...], ...], openings: tuple[tuple[LossElement, LossElement], ...]
) -> Floats:
    """Return the coefficients of the runs but for what tees take, (4, n_runs)."""
    own = [
        [coefficients_of(element) for element in (*parts, *ends)]
        for parts, ends in zip(elements, openings, strict=True)
    ]
    return np.array([np.sum(each, axis=0) for each in own]).reshape(-1, 4).T


def without_tees(compiled: CompiledNetwork) -> CompiledNetwork:
    """Return the same runs with no losses in their tees, reducers of narrow legs with them."""
    own = _own_coefficients(compiled.elements, compiled.openings)
    return replace(compiled, coefficients=own, junctions=None)


def coefficients_of(element: LossElement) -> tuple[float, float, float, float]:
    """Return a and b of a Q + b Q² forwards, then backwards: the part's own and its joints'."""
    return (
        element.linear_s_m2,
        element.square_s2_m5 + element.joint_s2_m5,
        element.linear_back_s_m2,
        element.square_back_s2_m5 + element.joint_back_s2_m5,
    )


def _neck(network: Network, end: RunEnd, conditions: Conditions) -> tuple[float, float]:
    tee = network.tees.get(end.point)
    if end.leg is Leg.NONE or tee is None:
        return 0.0, 0.0
    geometry = tee_geometry(tee.item, conditions)
    return (0.0, 0.0) if geometry is None else geometry.necks.get(end.leg, (0.0, 0.0))


def _narrowest_area_m2(run: Run, elements: tuple[LossElement, ...]) -> float:
    bores = [element.bore_m for element in elements]
    for part in run.parts:
        if part.kind in MOUTHS:
            continue  # its jet is fast on purpose, in open water
        bores += part.end_bores_m
        if part.item is not None:
            bores.append(part.item.loss.bore_m)
    return min((area_m2(bore) for bore in bores if bore > 0.0), default=float("nan"))
