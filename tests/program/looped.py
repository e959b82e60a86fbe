"""Small random networks with loops, invented, and every design of them solved as a true network."""

from __future__ import annotations

import itertools

import numpy as np
from sizing.networks import NetworkSizing, PipeSize, SizedNetworks, SizingPipe, SizingPoint

from optimizer.hydraulics.friction import HazenWilliams

LAW = HazenWilliams(constant=10.667, flow_exponent=1.852, diameter_exponent=4.871)
PIPES = (("S", "A"), ("A", "B"), ("A", "C"), ("B", "D"), ("C", "D"), ("B", "C"))  # two loops behind one source


def looped_network(seed: int) -> NetworkSizing:
    """Return a network of 6 pipes in 3 sizes each, with least heads that a design of middling cost can keep."""
    dice = np.random.default_rng(seed)
    sizes = tuple(
        PipeSize(bore, round(100 * price), 140.0) for bore, price in zip((0.03, 0.05, 0.08), (2, 5, 11), strict=True)
    )
    pipes = {
        f"p{i}": SizingPipe(f"p{i}", start, end, float(dice.integers(20, 90)), sizes)
        for i, (start, end) in enumerate(PIPES)
    }
    points = {"S": SizingPoint("S", fixed_head_m=30.0)}
    for name in "ABCD":
        points[name] = SizingPoint(name, demand_m3_s=float(dice.uniform(0.3e-3, 1.5e-3)), least_head_m=0.0)
    free = NetworkSizing(points, pipes, LAW)
    networks = SizedNetworks(free)
    design = dice.integers(0, 3, size=len(pipes))
    heads = networks.solve(np.maximum(design, 1)[None, :]).heads_m[0]
    for point, head in zip(networks.free, heads.tolist(), strict=True):
        spare = float(dice.uniform(0.0, 2.0))
        points[point.name] = SizingPoint(point.name, demand_m3_s=point.demand_m3_s, least_head_m=head - spare)
    return NetworkSizing(points, pipes, LAW)


def cheapest_of_all(sizing: NetworkSizing) -> tuple[int, dict[str, int]]:
    """Return the least cost and its design, by solving every combination of sizes."""
    networks = SizedNetworks(sizing)
    designs = np.array(list(itertools.product(*(range(count) for count in networks.counts))))
    kept = networks.solve(designs).shortfall_m <= 0.0
    costs = np.where(kept, networks.cost(designs), np.iinfo(np.int64).max)
    at = int(np.argmin(costs))
    return int(costs[at]), networks.named(designs[at])
