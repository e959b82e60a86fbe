"""The least that any plumbing of a small system costs, by going through all of them."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np
from own_lengths import UNIT_M, coupled_m, coupling_of, cut, pipe_cents, seal_cents, straights
from own_losses import RHO, G, piece_loss_m, pipe_loss_m, tee_dividing_m, velocity_head_m
from own_pieces import SAW_M, STUB_M, Piece, depth
from own_shelf import End, Row, all_rows
from own_walk import PRICES, Walk, Way
from own_ways import Step, Ways
from random_systems import M3_S_PER_L_H, SHARED, Line, Small

CEMENT = SHARED["cement-quarter-pint"] + SHARED["primer-quarter-pint"]
TAPE = SHARED["tape-roll"]
Sum = tuple[float, float, tuple[bool, bool]]  # cents, loss [m], whether anything is cemented, and taped


def step_cents(step: Step) -> int:
    """Return what a step uses: pieces, and pipe as a share of a sale length, with what is hidden and the saw cut."""
    cents, pipe = 0, {}
    for piece in step.pieces:
        if piece.new and piece.row is not None:
            if piece.kind == "pipe":
                pipe[piece.row] = pipe.get(piece.row, 0.0) + piece.length_m + SAW_M
            else:
                cents += piece.row.cents
    for row, length in step.hidden:
        pipe[row] = pipe.get(row, 0.0) + length
    return cents + sum(math.ceil(length / row.sale_length_m * row.cents - 1e-9) for row, length in pipe.items())


def step_loss_m(step: Step, flow: float, draws: bool, first: bool, opens: bool, last: bool) -> float:
    """Return what a step loses at a flow [m³/s]; `draws`, `opens`: the run begins, ends in free water."""
    total = step.joints_lose * flow * flow
    for piece in step.pieces:
        if piece.row is not None:
            pipe = piece.kind == "pipe"
            total += (
                pipe_loss_m(piece.row, piece.length_m, flow) if pipe else piece_loss_m(piece.row, piece.turned, flow)
            )
    if first and draws and step.pieces[0].row is not None:
        head = step.pieces[0]
        total += (0.78 if head.kind == "pipe" else 0.5) * velocity_head_m(flow, head.row.bores_m[0])
    if last and opens and step.pieces:
        total += velocity_head_m(flow, step.pieces[-1].row.bores_m[0])
    return total


def walk_of(
    small: Small,
    line: Line,
    flows: tuple[float, ...],
    ends: tuple[object, ...] = ("open",),
    cents_of: Callable[[Step], float] | None = None,
) -> Walk:
    """Return the walk of a run that is weighed at some flows [m³/s]."""
    tee = End(line.size, "socket")
    at_tee = [point.split()[0] in small.tees for point in (line.start, line.end)]
    ways = Ways(
        small.shop_of(line), line.parts, start=tee if at_tee[0] else None, end=tee if at_tee[1] else None,
        ends=ends if at_tee[1] else ("open",), turns=line.end.endswith(" branch"),
    )  # fmt: skip

    def weigh(step: Step, first: bool, last: bool) -> tuple[float, tuple[float, ...]]:
        draws = not at_tee[0] and line.start not in small.supplies_bar  # a supply's pressure is that in its pipe
        opens = not at_tee[1]
        cents = step_cents(step) if cents_of is None else cents_of(step)
        more = couplings_of(small, step)
        if cents_of is None:
            cents += sum(row.cents for row in more)
        return cents, tuple(
            step_loss_m(step, flow, draws, first, opens, last) + sum(piece_loss_m(row, False, flow) for row in more)
            for flow in flows
        )

    return Walk(ways, weigh, opening_cents)


def couplings_of(small: Small, step: Step) -> list[Row]:
    """Return what couples the new pipe of a step, as long as it is stated, with what goes into sockets at its ends."""
    if small.by_the_foot:
        return []
    found = []
    for piece in step.pieces:
        if piece.new and piece.row is not None and piece.kind == "pipe":
            coupling = coupling_of(piece.row, small.shop.rows.values())
            if coupling is not None:
                length_m = piece.length_m + 2 * depth(piece.row.ends[0])
                found += [coupling] * (len(coupled_m(length_m, coupling)) - 1)
    return found


def opening_cents(sealed: tuple[bool, bool]) -> int:
    return CEMENT * sealed[0] + TAPE * sealed[1]


def packs_cents(ways: Iterable[Way]) -> int:
    """Return what the first can of cement and of primer, and the first roll of tape come to, where they are opened."""
    cement, tape = (any(of) for of in zip(*(way.sealed for way in ways), strict=True))
    return CEMENT * cement + TAPE * tape


@dataclass(frozen=True)
class Need:
    """At this flow [m³/s] a run may lose at most (at least, where it has no valve) so much [m]."""

    flow: float
    most_m: float
    least: bool = False


def pump_head_m(small: Small, flow_l_h: float) -> float:
    top, most = small.pump
    return top * (1.0 - (flow_l_h / most) ** 2)


def needs_of(small: Small, line: Line) -> tuple[Need, ...]:
    """Return what a run alone between two waters must keep to."""
    at = dict(small.heights_m)
    for name, (bar, height) in small.supplies_bar.items():
        at[name] = height + bar * 1e5 / (RHO * G)

    def head(flow_l_h: float) -> float:
        if line.parts[0].row is None:
            return pump_head_m(small, flow_l_h) + at[line.start] - at[line.end]
        return at[line.start] - at[line.end]

    needs = [Need(line.low_l_h * M3_S_PER_L_H, head(line.low_l_h))] if line.low_l_h else []
    if line.high_l_h is not None and not line.has_valve:
        needs.append(Need(line.high_l_h * M3_S_PER_L_H, head(line.high_l_h), least=True))
    if small.night is not None:
        speed, low = small.night
        lift = at[line.end] - at[line.start]
        needs.append(Need(low * M3_S_PER_L_H, speed**2 * pump_head_m(small, low / speed) - lift))  # affinity
    return tuple(needs)


def keeps(needs: tuple[Need, ...], way: Way, slack: Callable[[float], float]) -> bool:
    """Return whether a way keeps to every need of its line."""
    return all(
        loss >= need.most_m - slack(need.most_m) if need.least else loss <= need.most_m + slack(need.most_m)
        for need, loss in zip(needs, way.losses_m, strict=True)
    )


def least_of_lines(small: Small, most_cents: float, slack: Callable[[float], float]) -> float:
    """Return the least cost of a system of lines between open waters, endless where none comes to `most_cents`.

    `slack` says by how much a head is loosened (or, below 0, tightened) [m].
    """
    found: list[list[Way]] = []
    for line in small.lines.values():
        needs = needs_of(small, line)
        walk = walk_of(small, line, tuple(need.flow for need in needs))

        def accept(way: Way, needs: tuple[Need, ...] = needs) -> bool:
            return keeps(needs, way, slack) and (small.most_cuts is None or way.cuts <= small.most_cuts)

        first = needs[0].most_m + slack(needs[0].most_m)
        found.append(list(walk.cheapest("open", "open", most_cents, first, accept).values()))
    pairings = product(*found)
    return min((sum(way.cents for way in choice) + packs_cents(choice) for choice in pairings), default=math.inf)


def least_of_tree(small: Small, most_cents: float, slack: Callable[[float], float]) -> float:
    """Return the least cost of a riser and two valved branches, over every tee."""
    (point,) = small.tees
    riser, (first, second) = small.lines["riser"], (small.lines["branch 1"], small.lines["branch 2"])
    q1, q2 = first.low_l_h * M3_S_PER_L_H, second.low_l_h * M3_S_PER_L_H
    total = first.low_l_h + second.low_l_h
    head = pump_head_m(small, total)
    head += slack(head)
    tees = tees_for(small, point)
    walks = {
        "riser": walk_of(small, riser, (q1 + q2,), tuple(dict.fromkeys(states[0] for states, _, _ in tees))),
        "branch 1": walk_of(small, first, (q1,)),
        "branch 2": walk_of(small, second, (q2,)),
    }
    best = math.inf
    for states, (row, turned), cents in tees:
        through, aside = tee_dividing_m(row, (q2, q1), True, turned)
        most = {
            "branch 1": head - aside - small.heights_m["tank 1"],
            "branch 2": head - through - small.heights_m["tank 2"],
        }
        keys = {"riser": ("open", states[0]), "branch 1": (states[2], "open"), "branch 2": (states[1], "open")}
        ways = _ways_of_tree(walks, keys, most, min(most_cents, best) - cents)
        if all(ways.values()):
            best = min(best, cents + _best_pairing(ways, most))
    return best


def tree_has_a_plan(small: Small, slack: Callable[[float], float]) -> bool:
    """Return whether any plumbing of a tree serves, whatever it costs."""
    return math.isfinite(least_of_tree(small, math.inf, slack))


def _ways_of_tree(
    walks: dict[str, Walk], keys: dict[str, tuple[object, object]], most: dict[str, float], most_cents: float
) -> dict[str, set[Sum]]:
    """Return the ways of each run that a plumbing within the limits may have, by the least that the others add."""
    least = {name: walks[name].from_start(*keys[name]) for name in keys}
    if any(value is None for value in least.values()):
        return {name: set() for name in keys}
    most_m = {name: most[name] - least["riser"][1] for name in most}
    most_m["riser"] = min(most[name] - least[name][1] for name in most)
    if min(most_m[name] - least[name][1] for name in keys) < 0.0:
        return {name: set() for name in keys}
    caps = {name: [math.inf] * len(PRICES) for name in keys}
    for prices in [pair for p in PRICES for pair in ((p, p), (p, 0.0), (0.0, p))]:
        at = dict(zip(most, prices, strict=True))
        at["riser"] = sum(prices)
        if at["riser"] not in PRICES:
            continue
        index = {name: PRICES.index(price) for name, price in at.items()}
        parts = {name: least[name][2 + index[name]] for name in keys}
        whole = most_cents + sum(at[name] * most[name] for name in most) - sum(parts.values())
        for name in keys:
            caps[name][index[name]] = min(caps[name][index[name]], whole + parts[name])
    if math.isinf(most_cents):  # whether there is a plan at all: the least losses tell
        return {name: {(0.0, least[name][1], (False, False))} for name in keys}
    spare = most_cents - sum(value[0] for value in least.values())
    return {
        name: walks[name].sums(*keys[name], least[name][0] + spare, most_m[name], tuple(caps[name])) for name in keys
    }


def tees_for(small: Small, point: str) -> list[tuple[tuple[object, object, object], tuple[object, bool], int]]:
    """Return (states of run leg 1, run leg 2, branch), (row, turned), cents of every fitting that may stand there."""
    rows = small.shop.rows
    found = [] if small.new_tees else [(("kept",) * 3, (all_rows()[small.tees[point]], False), 0)]
    sizes = {line.size for line in small.lines.values()} if small.own_sizes else set(small.shop.sizes)
    for row in rows.values():
        if row.kind == "tee" and {end.size for end in row.ends} <= sizes:
            for turned in {False, row.ends[0] != row.ends[1]}:
                ends = (row.ends[1], row.ends[0], row.ends[2]) if turned else row.ends
                found.append((ends, (row, turned), row.cents))
    return found


def _best_pairing(ways: dict[str, set[Sum]], most: dict[str, float]) -> float:
    """Return the least cents of three ways that keep to both paths, with the cans that they open."""
    groups: dict[str, dict[tuple[bool, bool], tuple[np.ndarray, np.ndarray]]] = {}
    for name, found in ways.items():
        by: dict[tuple[bool, bool], list[tuple[float, float]]] = {}
        for cents, loss, sealed in found:
            by.setdefault(sealed, []).append((loss, cents))
        groups[name] = {}
        for key, pairs in by.items():
            table = np.array(sorted(pairs))
            groups[name][key] = table[:, 0], np.minimum.accumulate(table[:, 1])
    best = math.inf
    for keys in product(*groups.values()):
        picked = [groups[name][key] for name, key in zip(groups, keys, strict=True)]
        packs = CEMENT * any(k[0] for k in keys) + TAPE * any(k[1] for k in keys)
        (loss, cents), branches = picked[0], picked[1:]
        total = cents + packs
        for (at, least), name in zip(branches, list(groups)[1:], strict=True):
            place = np.searchsorted(at, most[name] - loss + 1e-12, side="right") - 1
            total = total + np.where(place >= 0, least[np.maximum(place, 0)], math.inf)
        best = min(best, float(total.min(initial=math.inf)))
    return best


# --- what the printed list comes to


USES = {"cement": "cement", "primer": "cement", "tape": "tape", "washer": "washer"}


def laid_of(way: Way) -> list[tuple[Piece, int | None]]:
    """Return the pieces of a way with the places in the old run of those that stay."""
    found: list[tuple[Piece, int | None]] = []
    place = 0
    for step in way.steps:
        found += [(piece, None if piece.new else place) for piece in step.pieces]
        place = step.place
    return found


def fittings_of(laid: Iterable[tuple[Piece, int | None]]) -> int:
    """Return what the new pieces cost that are no pipe."""
    return sum(piece.row.cents for piece, _ in laid if piece.new and piece.row and piece.kind != "pipe")


def list_cents(small: Small, ways: Mapping[str, Way]) -> int:
    """Return what the printed list of a way for every line between open waters comes to."""
    cents, pipe, joints = 0, {}, Counter()
    for name, way in ways.items():
        parts = small.lines[name].parts
        stood = straights([(part, i) for i, part in enumerate(parts)], len(parts), None, None)
        laid = laid_of(way)
        for row, length in cut(stood, straights(laid, len(parts), None, None)):
            coupling = None if small.by_the_foot else coupling_of(row, small.shop.rows.values())
            lengths_m = [length * UNIT_M] if coupling is None else coupled_m(length * UNIT_M, coupling)
            pipe.setdefault(row, []).extend(math.ceil(one / UNIT_M - 1e-6) for one in lengths_m)
            if coupling is not None:
                cents += (len(lengths_m) - 1) * coupling.cents
                joints["cement", row.ends[0].size] += 2 * (len(lengths_m) - 1)
        cents += fittings_of(laid)
        joints.update(joint for step in way.steps for joint in step.joints)
    cents += sum(pipe_cents(row, lengths, small.by_the_foot) for row, lengths in pipe.items())
    return cents + seal_cents(joints, USES, small.prices)


def least_list_step_cents(small: Small) -> Callable[[Step], float]:
    """Return what a step adds to the list at the least: new fittings may take their length off the pipe beside them."""
    rates = {row: row.cents / row.sale_length_m for row in small.shop.rows.values() if row.kind == "pipe"}
    dearest = max(rates.values())

    def weigh(step: Step) -> float:
        total = 0.0
        for piece in step.pieces:
            if not piece.new or piece.row is None:
                continue
            if piece.kind != "pipe":
                takes = sum(piece.laying_m) + sum(depth(end) for end in piece.ends) + STUB_M
                total += piece.row.cents - dearest * takes
            elif piece.length_m > STUB_M:
                total += rates[piece.row] * (piece.length_m + SAW_M) - dearest * 2 * STUB_M
        return total

    return weigh


def least_list_of_line(small: Small, most_cents: float, slack: Callable[[float], float]) -> float:
    """Return the least list of a system of one line, endless where none comes to `most_cents`."""
    ((name, line),) = small.lines.items()
    needs = needs_of(small, line)
    weigh = least_list_step_cents(small)
    walk = walk_of(small, line, tuple(need.flow for need in needs), cents_of=weigh)
    best = [most_cents + 1e-6]
    found = math.inf
    for way in walk.below(lambda: best[0], needs[0].most_m + slack(needs[0].most_m)):
        if not keeps(needs, way, slack) or (small.most_cuts is not None and way.cuts > small.most_cuts):
            continue
        cents = list_cents(small, {name: way})
        if cents <= best[0]:
            best[0] = found = cents
    return found
