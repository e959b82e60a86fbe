"""Where the head goes: every part with its loss, its share, and the flow that its run would gain if it lost nothing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from optimizer.hydraulics.close_coupled import close_coupled
from optimizer.hydraulics.compiled import CompiledNetwork, Lift, coefficients_of, compile_network
from optimizer.hydraulics.devices import device_curve
from optimizer.hydraulics.elements import NOTHING, LossElement, element_head_loss_m
from optimizer.hydraulics.junctions import build_junctions, legs_of
from optimizer.hydraulics.network import NetworkSolution, carried_flows_m3_s
from optimizer.hydraulics.tees import common_leg, tee_head_losses_m
from optimizer.model.catalog import Kind
from optimizer.model.network import Leg, Network

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PartLoss:
    """What one part costs in a solution.

    `place` is "part" (then `index` is its index in the run), "entrance", "exit" or "tee" (then `point` is the tee, and
    the loss is between its combined leg and this run's; it can be a gain). `head_loss_m` is in the direction of the
    flow. `share` is the part's share of all power that is lost in the network. `gained_flow_m3_s` is what this run
    would carry more, signs left out, if the part lost nothing. `close_coupled` says that a neighbour within five bores
    disturbs the part's water, so that its published loss is less sure.
    """

    run: str
    place: str
    index: int | None
    point: str
    words: str
    head_loss_m: float
    share: float
    gained_flow_m3_s: float
    close_coupled: bool = False


@dataclass(frozen=True, slots=True)
class LossGroup:
    """What a run, or all parts of a kind, cost together. Head lost adds up along a run only: 0 for kinds."""

    name: str
    parts: int
    head_loss_m: float
    share: float


@dataclass(frozen=True, slots=True)
class _Row:
    run: int
    place: str
    index: int | None
    point: str
    words: str
    loss_m: float
    element: LossElement | None = None  # None: a tee, with these legs
    leg: Leg = Leg.NONE
    common: Leg = Leg.NONE


def loss_table(network: Network, solution: NetworkSolution, with_gains: bool = True) -> tuple[PartLoss, ...]:
    """Return the losses of all parts, entrances, exits and tee legs, the largest first.

    Pumps and open joints are left out. Without `with_gains` the gained flows are 0, which saves a solution per row.
    """
    compiled = compile_network(network)
    flows = np.array([solution.flows_m3_s[name] for name in compiled.run_names])
    rows = [*_part_rows(compiled, flows), *_opening_rows(compiled, flows), *_tee_rows(compiled, flows)]
    near = {name: close_coupled(run, network) for name, run in network.runs.items()}
    power = sum(row.loss_m * abs(float(flows[row.run])) for row in rows)
    table = [
        PartLoss(
            run=compiled.run_names[row.run],
            place=row.place,
            index=row.index,
            point=row.point,
            words=row.words,
            head_loss_m=row.loss_m,
            share=row.loss_m * abs(float(flows[row.run])) / power if power > 0.0 else 0.0,
            gained_flow_m3_s=_gain_or_nan(compiled, solution, flows, row) if with_gains else 0.0,
            close_coupled=row.index in near[compiled.run_names[row.run]],
        )
        for row in rows
    ]
    return tuple(sorted(table, key=lambda loss: -loss.head_loss_m))


def losses_by_run(table: Iterable[PartLoss]) -> tuple[LossGroup, ...]:
    """Return what each run costs, the largest share of the lost power first; tee legs count to their run."""
    return _grouped((row.run, row, row.head_loss_m) for row in table)


def losses_by_kind(network: Network, table: Iterable[PartLoss]) -> tuple[LossGroup, ...]:
    """Return what all parts of a kind cost together, tees, entrances and exits among them, the largest share first."""

    def kind(row: PartLoss) -> str:
        return row.place if row.index is None else str(network.runs[row.run].parts[row.index].kind)

    return _grouped((kind(row), row, 0.0) for row in table)


def _grouped(rows: Iterable[tuple[str, PartLoss, float]]) -> tuple[LossGroup, ...]:
    groups: dict[str, LossGroup] = {}
    for name, row, head_m in rows:
        sofar = groups.get(name, LossGroup(name, 0, 0.0, 0.0))
        groups[name] = LossGroup(name, sofar.parts + 1, sofar.head_loss_m + head_m, sofar.share + row.share)
    return tuple(sorted(groups.values(), key=lambda group: -group.share))


def _part_rows(compiled: CompiledNetwork, flows: Floats) -> Iterator[_Row]:
    for r, name in enumerate(compiled.run_names):
        run = compiled.network.runs[name]
        for i, (part, element) in enumerate(zip(run.parts, compiled.elements[r], strict=True)):
            if part.kind in (Kind.PUMP, Kind.OPEN_JOINT):
                continue
            yield _Row(r, "part", i, "", part.words, _loss_m(element, float(flows[r]), compiled), element)


def _opening_rows(compiled: CompiledNetwork, flows: Floats) -> Iterator[_Row]:
    for r, name in enumerate(compiled.run_names):
        run = compiled.network.runs[name]
        forwards = flows[r] >= 0.0
        for element, end, is_start in zip(compiled.openings[r], (run.start, run.end), (True, False), strict=True):
            if element == NOTHING:
                continue
            place = "entrance" if is_start == forwards else "exit"
            words = f"{place} {'from' if place == 'entrance' else 'into'} {end.point}"
            yield _Row(r, place, None, end.point, words, _loss_m(element, float(flows[r]), compiled), element)


def _tee_rows(compiled: CompiledNetwork, flows: Floats) -> Iterator[_Row]:
    for point, legs in legs_of(compiled.network, compiled.run_index).items():
        tee = compiled.network.tees.get(point)
        if tee is None or tee.item is None:
            continue
        into = {leg: sit.into * float(flows[sit.run]) for leg, sit in legs.items()}
        losses = tee_head_losses_m(tee.item, into, compiled.conditions)
        for leg, sit in legs.items():
            if flows[sit.run] != 0.0 and (losses[leg] != 0.0 or leg is not common_leg(into)):
                words = f"{tee.item.description} at {point}, {leg}"
                yield _Row(sit.run, "tee", None, point, words, losses[leg], leg=leg, common=common_leg(into))


def _loss_m(element: LossElement, flow: float, compiled: CompiledNetwork) -> float:
    return abs(element_head_loss_m(element, flow, compiled.conditions))


def _gain_or_nan(compiled: CompiledNetwork, solution: NetworkSolution, flows: Floats, row: _Row) -> float:
    """Return the gain; not a number where the end of a pump's curve, or what its tank gets, decides the flow."""
    name = compiled.run_names[row.run]
    known = solution.doubt.known(name) and name not in solution.starved
    return _gain(compiled, flows, row) if known else float("nan")


def _gain(compiled: CompiledNetwork, flows: Floats, row: _Row) -> float:
    """Solve again without the row's loss. A tee leg without loss has the head of the combined leg."""
    flow = float(flows[row.run])
    if row.loss_m == 0.0 or flow == 0.0:
        return 0.0
    if row.element is None:
        level = {(row.point, row.leg): row.common}
        junctions = build_junctions(compiled.network, compiled.run_index, compiled.conditions, level)
        changed = replace(compiled, junctions=junctions)
    else:
        changed = _without(compiled, row.run, row.element)
    return abs(float(carried_flows_m3_s(changed, guess_m3_s=flows)[row.run])) - abs(flow)


def _without(compiled: CompiledNetwork, run: int, element: LossElement) -> CompiledNetwork:
    coefficients = compiled.coefficients.copy()
    coefficients[:, run] = np.maximum(coefficients[:, run] - coefficients_of(element), 0.0)
    pieces, devices = compiled.pieces, compiled.devices
    if element.length_m > 0.0:
        same = (compiled.piece_run == run) & (pieces.bore_m == element.bore_m)
        same &= np.isclose(pieces.rough * 3.7 * pieces.bore_m, element.roughness_m, rtol=1e-9)
        shorter = np.where(same, element.length_m * compiled.conditions.loss_factor, 0.0)
        pieces = replace(pieces, length_m=np.maximum(pieces.length_m - shorter, 0.0))
    if element.device:
        curve = device_curve(compiled.conditions.devices[element.device])
        first = devices.index((run, curve))
        devices = devices[:first] + devices[first + 1 :]
    gone = Lift(run, element.square_s2_m5, element.least_flow_m3_s)
    lifts = tuple(lift for lift in compiled.lifts if lift != gone)
    return replace(compiled, coefficients=coefficients, pieces=pieces, devices=devices, lifts=lifts)
