"""A second solution of a plumbing network, for comparison: loop flows found by scipy.optimize, no code shared.

Free unknowns are the flows of the chords of a spanning tree in which all fixed heads are one root; every flow follows
from mass alone, and scipy finds the chord flows at which the energy round each loop closes. Parts are read here from
the model's values, friction factors come from the fluids library.
"""

from __future__ import annotations

import math
from itertools import pairwise

import fluids
import networkx as nx
import numpy as np
from own_bores import Bored, joints_m
from scipy.optimize import brentq, root

from optimizer.model.catalog import Kind, LossMethod
from optimizer.model.network import Leg, Network, Part, Run

G = 9.80665


def head_loss(network: Network, part: Part, q: float, nu: float) -> float:
    """Loss of one part, signed with the flow; a pump's is negative."""
    if part.kind is Kind.PUMP:
        pump = network.pumps[part.name]
        (_, h0), (q1, h1) = pump.curve
        a = (h0 - h1) / q1**2
        s = pump.speed
        if q > q1 * s:
            return -(s * s * h1 - 10.0 * a * (q * q - (q1 * s) ** 2))
        return -(s * s * h0 - a * q * abs(q))
    assert part.item is not None
    if part.kind is Kind.PIPE:
        d, e = part.item.end_bores_m[0], part.item.roughness_m
        v = q / (math.pi * d * d / 4.0)
        return friction_factor(abs(v) * d / nu, e / d) * part.length_m / d * v * abs(v) / (2.0 * G)
    return minor_k(part, q, nu) * q * abs(q)


def friction_factor(re: float, roughness: float) -> float:
    """64/Re, Colebrook as the fluids library solves it, and the same cubic blend from 2000 to 4000."""
    if re < 2000.0:
        return 64.0 / re if re > 0.0 else 0.0
    w = min(1.0, (re - 2000.0) / 2000.0)
    w = 3.0 * w**2 - 2.0 * w**3
    return float((1.0 - w) * 64.0 / re + w * fluids.friction.Colebrook(re, roughness))


def minor_k(part: Part, q: float, nu: float) -> float:
    """K / (2 g A²) of a fitting."""
    assert part.item is not None
    d, c = min(part.end_bores_m), part.item.loss.coefficients
    area = math.pi * d * d / 4.0
    re = max(abs(q) / area * d / nu, 1e-12)
    if part.item.loss.method is LossMethod.THREE_K:
        k = fluids.Darby3K(NPS=c[3], Re=re, K1=c[0], Ki=c[1], Kd=c[2])
    elif part.item.loss.method is LossMethod.BORES:
        beta2 = (d / max(part.end_bores_m)) ** 2
        widens = (part.end_bores_m[0] < part.end_bores_m[1]) == (q > 0.0)
        k = (1.0 - beta2) ** 2 if widens else 0.5 * (1.0 - beta2)
    else:
        k = c[0]
    return float(k / (2.0 * G * area**2))


def solve(network: Network, nu: float, start: dict[str, float] | None = None) -> dict[str, float]:
    """Return the flow of every run. `start`: where to begin; only the chords' flows are used."""
    runs = list(network.runs.values())
    fixed = {name: point.head_m for name, point in network.points.items() if point.is_fixed}
    node = {name: "root" if name in fixed else name for name in network.points}
    graph: nx.MultiGraph[str] = nx.MultiGraph()
    for run in runs:
        graph.add_edge(node[run.start.point], node[run.end.point], key=run.name)
    tree = {key for _, _, key in nx.minimum_spanning_edges(graph, keys=True, data=False)}
    chords = [run for run in runs if run.name not in tree]
    loops = _loops(network, node, tree, chords)
    index = {run.name: i for i, run in enumerate(runs)}
    signs = np.zeros((len(chords), len(runs)))
    static = np.zeros(len(chords))
    for i, loop in enumerate(loops):
        for name, sign in loop:
            signs[i, index[name]] += sign
            run = network.runs[name]
            static[i] += sign * ((fixed.get(run.start.point) or 0.0) - (fixed.get(run.end.point) or 0.0))

    def loss(run_index: int, q: float) -> float:
        run = runs[run_index]
        total = sum(head_loss(network, part, q, nu) for part in run.parts)
        return total + _openings(network, run, q, nu) + run_joints(network, run, q)

    def residual(x: np.ndarray) -> np.ndarray:
        flows = x / 1000.0 @ signs
        losses = np.array([loss(i, q) for i, q in enumerate(flows)])
        return np.asarray(signs @ losses - static)

    if len(chords) == 1:
        at = brentq(lambda x: float(residual(np.array([x]))[0]), -50.0, 50.0, xtol=1e-15, rtol=1e-14)
        x = np.array([at])
    else:
        first = np.array([1000.0 * (start or {}).get(run.name, 1e-4) for run in chords])
        x = first
        for method in ("hybr", "lm", "hybr"):
            x = root(residual, x, method=method, options={"xtol": 1e-13}).x
            if np.abs(residual(x)).max() < 1e-8:
                break
        assert np.abs(residual(x)).max() < 1e-7, "the comparison did not close"
    flows = x / 1000.0 @ signs
    return {run.name: float(flows[i]) for i, run in enumerate(runs)}


def run_joints(network: Network, run: Run, q: float) -> float:
    """Loss of the joints of a run, signed with the flow: backwards the same parts come in the other order."""
    pieces = [bored(part) for part in run.parts]
    ends = [run.start, run.end]
    if q < 0.0:
        pieces = [piece._replace(entry=piece.out, out=piece.entry) for piece in reversed(pieces)]
        ends.reverse()
    bores = []
    for end in ends:
        tee = network.tees.get(end.point)
        legs = (Leg.RUN_1, Leg.RUN_2, Leg.BRANCH, Leg.BRANCH_2)
        bores.append(tee.item.end_bores_m[legs.index(end.leg)] if tee and tee.item and end.leg is not Leg.NONE else 0.0)
    turning = ends[1].leg in (Leg.BRANCH, Leg.BRANCH_2)
    return math.copysign(joints_m(pieces, q, bores[0], bores[1], turning), q)


def bored(part: Part) -> Bored:
    bends = (Kind.ELBOW, Kind.SWEEP_ELBOW, Kind.ELBOW_45)
    entry, out = (part.end_bores_m[0], part.end_bores_m[-1]) if part.end_bores_m else (0.0, 0.0)
    pipe = part.kind in (Kind.PIPE, Kind.HOSE, Kind.TUBE)
    machine = part.kind in (Kind.PUMP, Kind.DEVICE)
    flare = part.kind is Kind.FLARED_OUTLET
    return Bored(entry, out, part.length_m if pipe else 0.0, part.kind in bends, machine, flare)


def _loops(network: Network, node: dict[str, str], tree: set[str], chords: list[Run]) -> list[list[tuple[str, float]]]:
    """For each chord, the runs of its loop with +1 along the loop's direction, which is the chord's."""
    skeleton: nx.Graph[str] = nx.Graph()
    for name in tree:
        run = network.runs[name]
        skeleton.add_edge(node[run.start.point], node[run.end.point], run=name)
    loops = []
    for chord in chords:
        path = nx.shortest_path(skeleton, node[chord.end.point], node[chord.start.point])
        loop = [(chord.name, 1.0)]
        for a, b in pairwise(path):
            name = skeleton[a][b]["run"]
            loop.append((name, 1.0 if node[network.runs[name].start.point] == a else -1.0))
        loops.append(loop)
    return loops


def _openings(network: Network, run: Run, q: float, nu: float) -> float:
    """Entrances (0.78 pipe, 0.5 fitting, 0 pump) and exits (velocity head, 1.7 K more behind an elbow) at surfaces."""
    total = 0.0
    for point, part, is_start in ((run.start.point, run.parts[0], True), (run.end.point, run.parts[-1], False)):
        if not network.points[point].is_fixed:
            continue
        d = part.end_bores_m[0 if is_start else -1]
        if part.kind is Kind.PUMP or d == 0.0:
            continue
        head = q * abs(q) / (2.0 * G * (math.pi * d * d / 4.0) ** 2)
        if (q > 0.0) == is_start:
            total += (0.78 if part.kind is Kind.PIPE else 0.5) * head
        else:
            total += head
            if part.kind is Kind.ELBOW:
                total += 1.7 * minor_k(part, q, nu) * q * abs(q)
    return total
