"""The steady network: where the water goes, at what head, and what an engineer would remark on."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from optimizer.errors import NetworkError
from optimizer.hydraulics.compiled import AS_COMPILED, CompiledNetwork, Variation, compile_network
from optimizer.hydraulics.conditions import Conditions
from optimizer.hydraulics.junctions import legs_of
from optimizer.hydraulics.newton import Newton, State
from optimizer.hydraulics.tank_balance import falling_short, overdraft, tank_balance
from optimizer.hydraulics.tees import common_leg, leg_head_rises, tee_geometry
from optimizer.model.doubt import CURVE_END, Doubt, doubt_of
from optimizer.model.network import Leg, PointKind
from optimizer.model.network import Network as Plumbing
from optimizer.model.note import Note, note

_STILL_M3_S = 1e-9  # flows below count as none
_PAST = 1e-9
_STEEPER = (1e3, 1e5)  # past the last point head falls so many times faster than the parabola


@dataclass(frozen=True)
class NetworkSolution:
    """Flows and heads that close mass to 1e-9 m³/s and energy to 1e-6 m.

    `heads_m` of a tee is the total head in the leg that carries the combined flow; NaN where no open path leads to a
    fixed head, so that no pressure can be told. `velocities_m_s` is taken at the narrowest bore of each run, without
    sign; what opens into a tank is left out, for its jet is fast on purpose. Where a pump would run past the last point
    of its curve the network is solved with the pump held there, and `doubt` says which flows are then known from below,
    or not at all. `starved` are the runs of gravity lines that could carry more than their tank gets: they run partly
    full, with what it gets. `emptied` are lines back through which a pump that is too weak lets a tank run down to
    their mouths; then they carry no more than comes in.
    """

    flows_m3_s: Mapping[str, float]
    heads_m: Mapping[str, float]
    velocities_m_s: Mapping[str, float]
    iterations: int
    mass_residual_m3_s: float
    energy_residual_m: float
    warnings: tuple[Note, ...] = ()
    doubt: Doubt = field(default_factory=Doubt)
    starved: frozenset[str] = frozenset()
    emptied: frozenset[str] = frozenset()


def solve_network(network: Plumbing, conditions: Conditions | None = None) -> NetworkSolution:
    """Return flows, heads and velocities of the plumbing as it stands: valves at their opening, pumps at their speed.

    Raises
    ------
    NetworkError
        When the plumbing can not be solved; says which run, and why.
    """
    return solve_compiled(compile_network(network, conditions))


def solve_compiled(
    compiled: CompiledNetwork,
    variation: Variation = AS_COMPILED,
    guess_m3_s: npt.NDArray[np.float64] | None = None,
) -> NetworkSolution:
    """Return the solution of a compiled network under a variation; `guess_m3_s` (n_runs,) is where to start from."""
    compiled = _as_it_runs(compiled, variation)
    newton, state, held = _settled(compiled, variation, guess_m3_s)
    carried = tank_balance(compiled.network).balanced(state.flow_m3_s)
    flows = dict(zip(compiled.run_names, carried.tolist(), strict=True))
    starved = frozenset(np.array(compiled.run_names)[carried != state.flow_m3_s].tolist())
    speeds = np.abs(carried) / compiled.narrowest_area_m2
    return NetworkSolution(
        flows_m3_s=flows,
        heads_m=_heads(compiled, variation, state, newton.undetermined(state)),
        velocities_m_s=dict(zip(compiled.run_names, np.nan_to_num(speeds).tolist(), strict=True)),
        iterations=state.iterations,
        mass_residual_m3_s=state.mass_m3_s,
        energy_residual_m=state.energy_m,
        warnings=(
            *_pump_warnings(compiled, variation, flows),
            *_run_warnings(compiled, state, carried, held),
            *(
                note("tank falls short", tank=tank, short_m3_s=lack)
                for tank, lack in falling_short(compiled.network, carried).items()
            ),
            *(note("starved", run=name) for name, flow in flows.items() if name in starved and abs(flow) > _STILL_M3_S),
        ),
        doubt=doubt_of(_at_speeds(compiled, variation), flows),
        starved=starved,
        emptied=frozenset(compiled.run_names[index] for index in _emptied(compiled, variation, state, carried, held)),
    )


def _emptied(
    compiled: CompiledNetwork,
    variation: Variation,
    state: State,
    carried: npt.NDArray[np.float64],
    held: Collection[int],
) -> set[int]:
    """Return the runs, by index, through which a running pump lets a tank empty down to their mouths."""
    weak = {pump.run for pump in compiled.pumps if variation.speeds.get(pump.name, pump.speed) > 0.0}
    return {*held, *(run for run in weak if state.flow_m3_s[run] < carried[run] - _STILL_M3_S)}


def carried_flows_m3_s(
    compiled: CompiledNetwork,
    variation: Variation = AS_COMPILED,
    guess_m3_s: npt.NDArray[np.float64] | None = None,
) -> npt.NDArray[np.float64]:
    """Return the flows of `solve_compiled` alone (n_runs,): tanks balance, and pumps keep to their curves."""
    compiled = _as_it_runs(compiled, variation)
    flows = _settled(compiled, variation, guess_m3_s)[1].flow_m3_s
    return tank_balance(compiled.network).balanced(flows)


def _settled(
    compiled: CompiledNetwork, variation: Variation, guess_m3_s: npt.NDArray[np.float64] | None
) -> tuple[Newton, State, frozenset[int]]:
    """Solve, with what takes more out of a tank than comes in held as it is once that has ended; the runs held."""
    held: frozenset[int] = frozenset()
    while True:
        newton, state = _within_curves(compiled, variation, guess_m3_s)
        more = overdrawing(compiled, state.flow_m3_s) - held
        if not more:
            return newton, state, held
        held |= more
        compiled = holding(compiled, held)


def overdrawing(compiled: CompiledNetwork, flows_m3_s: npt.NDArray[np.float64]) -> frozenset[int]:
    """Return the runs, by index, that take more out of a tank than comes in, at flows (n_runs,)."""
    over = overdraft(compiled.network)
    if not over.tanks:
        return frozenset()
    taking = over.taking(tank_balance(compiled.network).balanced(flows_m3_s))
    return frozenset(np.flatnonzero(taking).tolist())


def holding(compiled: CompiledNetwork, runs: Collection[int]) -> CompiledNetwork:
    """Return a network in which runs, by index, carry nothing backwards."""
    direction = compiled.direction.copy()
    direction[list(runs)] = 1
    return replace(compiled, direction=direction)


def _within_curves(
    compiled: CompiledNetwork, variation: Variation, guess_m3_s: npt.NDArray[np.float64] | None
) -> tuple[Newton, State]:
    """Solve, with pumps held at the last points of their curves."""
    newton = Newton(compiled, variation)
    state = newton.run(guess_m3_s)
    if _past(compiled, variation, state.flow_m3_s):
        return _held_at_the_last_point(compiled, variation, state.flow_m3_s)
    return newton, state


def _past(compiled: CompiledNetwork, variation: Variation, flows: npt.NDArray[np.float64]) -> bool:
    """Say whether a pump moves more than the last point of its curve."""
    speeds = ((pump, variation.speeds.get(pump.name, pump.speed)) for pump in compiled.pumps)
    return any(speed > 0.0 and flows[pump.run] > pump.last_m3_s * speed * (1.0 + _PAST) for pump, speed in speeds)


def _held_at_the_last_point(
    compiled: CompiledNetwork, variation: Variation, flows: npt.NDArray[np.float64]
) -> tuple[Newton, State]:
    """Solve with the curves falling steeper and steeper past their last point: in the end no pump gets past it."""
    held = compiled
    for steeper in _STEEPER:
        pumps = tuple(replace(pump, curve=replace(pump.curve, steep=steeper)) for pump in compiled.pumps)
        held = replace(compiled, pumps=pumps)
        newton = Newton(held, variation)
        state = newton.run(flows)
        flows = state.flow_m3_s
    return newton, state


def _at_speeds(compiled: CompiledNetwork, variation: Variation) -> Plumbing:
    if not variation.speeds:
        return compiled.network
    pumps = {
        name: replace(pump, speed=variation.speeds.get(name, pump.speed))
        for name, pump in compiled.network.pumps.items()
    }
    return replace(compiled.network, pumps=pumps)


def _as_it_runs(compiled: CompiledNetwork, variation: Variation) -> CompiledNetwork:
    """Return the network with pumps that a variation stops, or starts, off or on: that tells which lines fall."""
    pumps = compiled.network.pumps
    if all((speed > 0.0) == (pumps[name].speed > 0.0) for name, speed in variation.speeds.items()):
        return compiled
    return replace(compiled, network=_at_speeds(compiled, variation))


def settled(
    compiled: CompiledNetwork,
    variation: Variation = AS_COMPILED,
    guess_m3_s: npt.NDArray[np.float64] | None = None,
) -> tuple[CompiledNetwork, npt.NDArray[np.float64]]:
    """Return a network as it is once what takes more out of a tank than comes in has ended, and its flows (n_runs,)."""
    flows = solve_flows(compiled, variation, guess_m3_s)
    for _ in compiled.run_names:
        runs = overdrawing(compiled, flows)
        if not runs:
            break
        compiled = holding(compiled, runs)
        flows = solve_flows(compiled, variation, guess_m3_s)
    return compiled, flows


def solve_flows(
    compiled: CompiledNetwork,
    variation: Variation = AS_COMPILED,
    guess_m3_s: npt.NDArray[np.float64] | None = None,
) -> npt.NDArray[np.float64]:
    """Return only the flows (n_runs,), for calculations that need many solutions."""
    return Newton(compiled, variation).run(guess_m3_s).flow_m3_s


def solve_flows_and_rates(
    compiled: CompiledNetwork,
    variation: Variation,
    runs: npt.NDArray[np.int64],
    guess_m3_s: npt.NDArray[np.float64] | None = None,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the flows (n_runs,) and how they move with a square-law loss added to each of some runs.

    Returns
    -------
    flows_m3_s, rates_m8_s3
        The rates d flow / d `added_square_s2_m5` have shape (n_runs, len(runs)).

    Raises
    ------
    NetworkError
        When the network does not close, or stands where its flows jump.
    """
    newton = Newton(compiled, variation)
    state = newton.run(guess_m3_s)
    try:
        return state.flow_m3_s, newton.rates(state, runs)
    except (np.linalg.LinAlgError, RuntimeError) as error:
        raise NetworkError("the flows have no rates of change where the network stands") from error


def _heads(
    compiled: CompiledNetwork, variation: Variation, state: State, undetermined: npt.NDArray[np.bool_]
) -> dict[str, float]:
    heads = np.where(undetermined, np.nan, state.head_m)
    named = dict(zip(compiled.point_names, heads.tolist(), strict=True))
    for point, legs in legs_of(compiled.network, compiled.run_index).items():
        tee = compiled.network.tees.get(point)
        geometry = tee_geometry(tee.item if tee else None, compiled.conditions)
        if geometry is None:
            continue
        into = {leg: sit.into * float(state.flow_m3_s[sit.run]) for leg, sit in legs.items()}
        largest = common_leg(into)
        if largest is not Leg.RUN_1:  # the solver counts from run leg 1
            rises = leg_head_rises(geometry, compiled.conditions, into)
            named[point] += float(np.mean(variation.tee_factor)) * rises[largest]
    return named


def _pump_warnings(compiled: CompiledNetwork, variation: Variation, flows: Mapping[str, float]) -> list[Note]:
    found = []
    for pump in compiled.pumps:
        run, flow = compiled.run_names[pump.run], flows[compiled.run_names[pump.run]]
        speed = variation.speeds.get(pump.name, pump.speed)
        stated = compiled.network.pumps[pump.name].stated_m3_s
        if speed > 0.0 and stated is not None and flow > stated * speed * (1.0 + CURVE_END):
            found.append(note("past the maker's curve", run=run, pump=pump.name))
        if speed > 0.0 and flow >= pump.last_m3_s * speed * (1.0 - CURVE_END):
            found.append(note("past the curve", run=run, pump=pump.name))
        elif speed > 0.0 and flow < -_STILL_M3_S:
            found.append(note("lifts too little, runs back", run=run, pump=pump.name))
        elif speed > 0.0 and abs(flow) <= _STILL_M3_S and not compiled.shut[pump.run]:
            found.append(note("lifts too little", run=run, pump=pump.name))
    return found


def _run_warnings(
    compiled: CompiledNetwork, state: State, carried: npt.NDArray[np.float64], held: Collection[int]
) -> list[Note]:
    found = []
    pumped = {pump.run for pump in compiled.pumps}
    settled = np.abs(carried) <= _STILL_M3_S  # once the water has fallen as far as it runs off
    for index, name in enumerate(compiled.run_names):
        back = state.flow_m3_s[index] < -_STILL_M3_S or index in held
        if settled[index] and back:  # a pump that is off, or too weak, holds nothing
            found.append(note("runs back for a while", run=name))
            continue
        if compiled.shut[index] or index in pumped:
            continue
        run = compiled.network.runs[name]
        if state.closed[index]:
            ends = {compiled.network.points[end.point].kind for end in (run.start, run.end)}
            dry = PointKind.OUTLET in ends
            found.append(note("outlet gets nothing" if dry else "check valve is shut", run=name))
        elif state.flow_m3_s[index] < -_STILL_M3_S:
            found.append(note("runs backwards", run=name))
    return found
