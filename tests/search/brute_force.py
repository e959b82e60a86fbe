"""Every way to plumb a small tree, priced and weighed one by one: no dominance, no solver, whole products."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from optimizer.choices.demands import KnownFlows
from optimizer.choices.graph import Arc, ChoiceGraph, EndState
from optimizer.choices.joining import SAW_CUT_M
from optimizer.hydraulics import (
    Conditions,
    conditions_of,
    entrance_head_loss_m,
    exit_head_loss_m,
    part_head_loss_m,
    pump_head_m,
    tee_head_losses_m,
)
from optimizer.model.catalog import PIPES
from optimizer.search.options import Options
from optimizer.verify.openings import opened


def all_paths(graph: ChoiceGraph, node: int, goal: int) -> Iterator[tuple[Arc, ...]]:
    if node == goal:
        yield ()
        return
    for arc in graph.arcs[node]:
        for rest in all_paths(graph, arc.head, goal):
            yield (arc, *rest)


def weigh(arc: Arc, flow: float, conditions: Conditions) -> tuple[int, float, bool, int]:
    """Return cents, head loss, whether cement is opened, and saw cuts for one step."""
    cents, loss = 0, arc.joint_s2_m5 * conditions.loss_factor * flow * abs(flow)
    pipe: dict[str, float] = {}
    price = {}
    for part in arc.parts:
        loss += part_head_loss_m(opened(part), flow, conditions)
        if not part.existing and part.item is not None:
            if part.kind in PIPES:
                pipe[part.item.item_id] = pipe.get(part.item.item_id, 0.0) + part.length_m + SAW_CUT_M
                price[part.item.item_id] = part.item
            else:
                cents += part.item.price_cents
    for item, length in arc.extra_pipe:
        pipe[item.item_id] = pipe.get(item.item_id, 0.0) + length
        price[item.item_id] = item
    cents += sum(item.price_cents for item in arc.couplings)
    for key, length in pipe.items():
        cents += math.ceil(length / price[key].sale_length_m * price[key].price_cents - 1e-9)
    if arc.first:
        loss += entrance_head_loss_m(arc.parts[0], flow, conditions)
    if arc.last:
        loss += exit_head_loss_m(arc.parts[-1], flow, conditions)
    return cents, loss, any(method == "cement" for method, _ in arc.joints), arc.cuts


def tables(options: Options, flows: KnownFlows) -> dict[str, dict[tuple[EndState, EndState], np.ndarray]]:
    """Return for every run and pair of end states the array of (cents, loss, cement, cuts) of all its paths."""
    conditions = conditions_of(options.system.network)
    out: dict[str, dict[tuple[EndState, EndState], np.ndarray]] = {}
    for name, graph in options.graphs.items():
        steps = {id(arc): weigh(arc, flows.flows_m3_s[name], conditions) for arcs in graph.arcs for arc in arcs}
        out[name] = {}
        for start, node in graph.starts.items():
            for end, goal in graph.ends.items():
                rows = [
                    tuple(map(sum, zip(*(steps[id(arc)] for arc in path), strict=True)))
                    for path in all_paths(graph, node, goal)
                ]
                if rows:
                    out[name][start, end] = np.array(rows, dtype=float)
    return out


def cheapest_of_all(
    options: Options, flows: KnownFlows, heads_less_m: tuple[float, ...], most_cuts: float = math.inf
) -> list[int | None]:
    """Return the least cost over every combination for a tree with one tee (two branches), None when none serves.

    One answer for each head in `heads_less_m`, which is taken off what the pump gives: to see how close the answer is
    to another one.
    """
    network = options.system.network
    conditions = conditions_of(network)
    pump = network.pumps[flows.pump]
    head = pump_head_m(pump, flows.total_m3_s, pump.speed)
    found = tables(options, flows)
    lifts = {path.demand: path.lift_m for path in flows.paths}
    (tee,) = options.tees
    legs = flows.legs_in(network, tee)
    ends = {run.name: leg for run, leg, _ in network.runs_at(tee)}
    best = [math.inf] * len(heads_less_m)
    for option in options.tees[tee]:
        losses = tee_head_losses_m(option.tee.item, legs, conditions)
        riser = found["riser"].get(("free", option.states[ends["riser"]]))
        sides = [found[run].get((option.states[ends[run]], "free")) for run in lifts]
        if riser is None or any(side is None for side in sides):
            continue
        need = [
            side[:, 1] + losses.get(ends[run], 0.0) + losses.get(ends["riser"], 0.0) + lifts[run]
            for run, side in zip(lifts, sides, strict=True)
        ]
        needed = riser[:, 1][:, None, None] + np.maximum(need[0][:, None], need[1][None, :])
        cost = riser[:, 0][:, None, None] + (sides[0][:, 0][:, None] + sides[1][:, 0][None, :]) + option.cents
        cement = (riser[:, 2][:, None, None] + (sides[0][:, 2][:, None] + sides[1][:, 2][None, :])) > 0
        cuts = riser[:, 3][:, None, None] + (sides[0][:, 3][:, None] + sides[1][:, 3][None, :])
        needed = np.where(cuts <= most_cuts, needed, math.inf)
        total = cost + (cement | (option.cents > 0)) * options.packs[0].cents
        for i, less in enumerate(heads_less_m):
            best[i] = min(best[i], total[needed <= head - less].min(initial=math.inf))
    return [int(cents) if math.isfinite(cents) else None for cents in best]
