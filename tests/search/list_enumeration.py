"""Every way to plumb a small tree, its parts list priced to the cent: no labels, no tables, no program.

Each run's ways are listed path by path. A way's pieces of pipe are those of the cut list for its parts. Selections are
taken by what they cost at least (each piece its share of the cheapest length, the packs left out) and their lists
priced, until that least is no less than the best list: what comes after costs more.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from brute_force import all_paths

from optimizer.choices.demands import KnownFlows
from optimizer.choices.graph import Arc
from optimizer.choices.tees import TeeOption
from optimizer.hydraulics import (
    conditions_of,
    entrance_head_loss_m,
    exit_head_loss_m,
    part_head_loss_m,
    pump_head_m,
    tee_head_losses_m,
)
from optimizer.joints.chains import new_part
from optimizer.model.catalog import PIPES, CatalogItem, Kind
from optimizer.model.ends import Form
from optimizer.model.network import LEGS, Leg, Part, Run
from optimizer.model.stock import sticks_of
from optimizer.read.stock_lengths import load_stick_rules
from optimizer.search.options import Options
from optimizer.takeoff.cutting import cut_sticks
from optimizer.takeoff.fit import fit_run
from optimizer.takeoff.fitted import RunEnds
from optimizer.verify.drains import part_volume_m3

KERF_M = 0.003175
WEIGHED = (0, 1, 4)  # of a row: loss, cents, water
Row = tuple[float, int, tuple[tuple[str, float], ...], tuple[tuple[tuple[str, str], int], ...], float]


def merged(parts: list[Part]) -> list[Part]:
    """Return parts with two pieces of one new pipe end to end as one."""
    out: list[Part] = []
    for part in parts:
        last = out[-1] if out else None
        both = last is not None and part.kind in PIPES and not part.existing and not last.existing
        if both and last is not None and last.item is part.item:
            out[-1] = replace(last, length_m=last.length_m + part.length_m)
        else:
            out.append(part)
    return out


def pieces_of(
    run: Run, parts: list[Part], old: RunEnds, new: RunEnds, options: Options
) -> list[tuple[CatalogItem, float]]:
    """Return the new pieces of pipe of a run with their lengths at the saw [m], from the fit of the whole run."""
    depths = options.catalog.socket_depths_m
    fit = fit_run(run, parts, old, new, depths)
    found = []
    for i, part in enumerate(parts):
        if part.kind not in PIPES or part.existing or part.item is None:
            continue
        sides = []
        for at, side, leg in ((i - 1, 0, run.start.leg), (i + 1, 1, run.end.leg)):
            if 0 <= at < len(parts):
                sides.append(parts[at].ends[-1 if side == 0 else 0])
            elif leg in LEGS and new.items[side] is not None:
                sides.append(new.items[side].ends[LEGS.index(leg)])  # type: ignore[union-attr]
        cut = part.length_m + fit.added_m.get(i, 0.0) + sum(depths.get(end, 0.0) for end in sides)
        found.append((part.item, cut))
    return found


def coupled(item: CatalogItem, length: float, options: Options) -> tuple[list[float], list[CatalogItem]]:
    """Return the lengths of a piece of pipe [m] where the store's longest is not enough, and the couplings between."""
    longest = max(one.length_m for one in sticks_of(item, load_stick_rules(), ""))
    socket = replace(item.ends[0], form=Form.SOCKET)
    rows = options.catalog.by_ends(Kind.COUPLING, (socket, socket), item.family)
    lengths, couplings = [], []
    while length > longest + 1e-9:
        lengths.append(longest)
        couplings.append(rows[0])
        length -= longest + 2 * rows[0].take_outs_m[0]
    if couplings and length < 0.15:
        lengths[-1] -= 0.15 - length
        length = 0.15
    return [*lengths, length], couplings


def rows_of(
    options: Options, flows: KnownFlows, name: str, start: TeeOption | None, end: TeeOption | None
) -> list[Row]:
    """Return (loss [m], cents of other parts, pieces of pipe, joints, water [m³]) of every different way of a run."""
    conditions = conditions_of(options.system.network)
    graph, network = options.graphs[name], options.system.network
    run, flow = graph.run, flows.flows_m3_s[name]
    old_items = tuple(network.tees[p].item if p in network.tees else None for p in (run.start.point, run.end.point))
    water = (run.start.point not in network.tees, run.end.point not in network.tees)
    old = RunEnds((old_items[0], old_items[1]), water)
    new_items = (start.item if start else None, end.item if end else None)
    new = RunEnds(new_items, water, (start is None or start.tee.existing, end is None or end.tee.existing))
    states = [
        "free" if option is None else option.states[leg] for option, leg in ((start, run.start.leg), (end, run.end.leg))
    ]
    if states[0] not in graph.starts or states[1] not in graph.ends:
        return []
    best: dict[tuple[object, ...], Row] = {}
    for path in all_paths(graph, graph.starts[states[0]], graph.ends[states[1]]):
        parts = merged([part for arc in path for part in arc.parts])
        loss = sum(part_head_loss_m(part, flow, conditions) for part in parts) + ends_loss(path, flow, conditions)
        cents = sum(p.item.price_cents for p in parts if not p.existing and p.item and p.kind not in PIPES)
        joints = Counter(joint for arc in path for joint in arc.joints if joint[0] != "stub")
        cut = []
        for item, length in pieces_of(run, parts, old, new, options):
            lengths, couplings = coupled(item, length, options)
            cut += [(item.item_id, round(one, 6)) for one in lengths]
            cents += sum(one.price_cents for one in couplings)
            joints.update(("cement", one.ends[0].size) for one in couplings for _ in range(2))
            loss += sum(part_head_loss_m(new_part(one), flow, conditions) for one in couplings)
        cut.sort()
        key = (tuple(cut), tuple(sorted(joints.items())))
        row = (loss, cents, *key, sum(map(part_volume_m3, parts)))
        kept = best.get(key)
        if kept is None or all(row[i] <= kept[i] for i in WEIGHED):
            best[key] = row  # type: ignore[assignment]
        elif not all(kept[i] <= row[i] for i in WEIGHED):
            best[*key, len(best)] = row  # type: ignore[assignment]
    return list(best.values())


def ends_loss(path: tuple[Arc, ...], flow: float, conditions: object) -> float:
    first = sum(entrance_head_loss_m(arc.parts[0], flow, conditions) for arc in path if arc.first)  # type: ignore[arg-type]
    return first + sum(exit_head_loss_m(arc.parts[-1], flow, conditions) for arc in path if arc.last)  # type: ignore[arg-type]


class Shop:
    """Prices lists: whole lengths by the cutting program, packs counted here."""

    def __init__(self, options: Options) -> None:
        self.catalog, self.rules = options.catalog, load_stick_rules()
        self.known: dict[tuple[object, ...], int] = {}

    def rate(self, key: str) -> float:
        return min(one.price_cents / (one.length_m + KERF_M) for one in self.stock(key))

    def stock(self, key: str) -> tuple[object, ...]:  # type: ignore[type-arg]
        return sticks_of(self.catalog.items[key], self.rules, "")

    def pipe(self, pieces: list[tuple[str, float]]) -> int:
        total = 0
        for key in sorted({key for key, _ in pieces}):
            lengths = tuple(sorted((length for item, length in pieces if item == key), reverse=True))
            if (key, lengths) not in self.known:
                self.known[key, lengths] = cut_sticks(lengths, self.stock(key), KERF_M).cost_cents  # type: ignore[arg-type]
            total += self.known[key, lengths]
        return total

    def packs(self, joints: Counter[tuple[str, str]]) -> int:
        total = 0
        for use, method in (("cement", "cement"), ("primer", "cement"), ("tape", "tape")):
            wanted = {size: n for (how, size), n in joints.items() if how == method}
            if wanted:
                kinds = {i.item_id for size in wanted for i, _ in self.catalog.consumables(use, size)}
                total += min(
                    self.catalog.items[key].price_cents
                    * max(1, math.ceil(sum(n / self.catalog.joints_per_pack[key][s] for s, n in wanted.items()) - 1e-6))
                    for key in kinds
                )
        for (method, size), count in joints.items():
            if method in ("washer", "clamp"):
                item, does = self.catalog.consumables(method, size)[0]
                total += item.price_cents * math.ceil(count / does)
        return total


def cheapest_list(
    options: Options, flows: KnownFlows, less_m: float = 0.0, most_m3: float = math.inf
) -> tuple[int, float] | None:
    """Return what the cheapest list of a tree with one tee costs, and the water that its runs hold [m³].

    With so much less head [m]; with runs that hold no more than `most_m3`. None: none serves.
    """
    network, shop = options.system.network, Shop(options)
    pump = network.pumps[flows.pump]
    head = pump_head_m(pump, flows.total_m3_s, pump.speed) - less_m
    lifts = {path.demand: path.lift_m for path in flows.paths}
    (tee,) = options.tees
    legs = flows.legs_in(network, tee)
    ends = {run.name: leg for run, leg, _ in network.runs_at(tee)}
    rates = {key: shop.rate(key) for key, item in options.catalog.items.items() if item.kind in PIPES}
    best, held = math.inf, math.inf
    for option in options.tees[tee]:
        losses = tee_head_losses_m(option.tee.item, legs, conditions_of(network))
        riser = rows_of(options, flows, "riser", None, option)
        sides = [rows_of(options, flows, run, option, None) for run in lifts]
        for cost, rows in in_order(riser, sides, lifts, losses, ends, head, rates, option.cents, most_m3):
            if cost >= best:
                break
            joints: Counter[tuple[str, str]] = Counter()
            for row in rows:
                joints.update(dict(row[3]))
            pieces = [piece for row in rows for piece in row[2]]
            other = option.cents + sum(row[1] for row in rows) + shop.packs(joints)
            best, held = min((best, held), (other + shop.pipe(pieces), sum(row[4] for row in rows)))
    return (int(best), held) if math.isfinite(best) else None


def in_order(riser, sides, lifts, losses: dict[Leg, float], ends, head, rates, tee_cents, most_m3) -> Iterator:  # type: ignore[no-untyped-def]
    """Yield (least cost, rows) of every selection that the pump can serve, the cheapest first."""

    def least(rows: list[Row]) -> np.ndarray:  # type: ignore[type-arg]
        return np.array([row[1] + sum(rates[key] * (length + KERF_M) for key, length in row[2]) for row in rows])

    def lost(rows: list[Row]) -> np.ndarray:  # type: ignore[type-arg]
        return np.array([row[0] for row in rows])

    if not riser or not all(sides):
        return
    need = [
        lost(side) + losses.get(ends[run], 0.0) + losses.get(ends["riser"], 0.0) + lift
        for side, (run, lift) in zip(sides, lifts.items(), strict=True)
    ]
    needed = lost(riser)[:, None, None] + np.maximum(need[0][:, None], need[1][None, :])
    waters = [np.array([row[4] for row in rows]) for rows in (riser, *sides)]
    water = waters[0][:, None, None] + waters[1][:, None] + waters[2][None, :]
    cost = least(riser)[:, None, None] + least(sides[0])[:, None] + least(sides[1])[None, :] + tee_cents
    flat = np.where((needed <= head) & (water <= most_m3), cost, math.inf).ravel()
    shape = cost.shape
    for at in np.argsort(flat, kind="stable"):
        if not math.isfinite(flat[at]):
            return
        i, j, k = np.unravel_index(at, shape)
        yield float(flat[at]), (riser[i], sides[0][j], sides[1][k])
