"""Fittings that stand closer than five bores to another: each disturbs the water before the other has its flow again.

A published K assumes long straight pipe on both sides. For two bends 0 to 4 bores apart the loss of the pair is 0.7 to
1.3 times the sum of the two, by how they are turned (from memory: D. S. Miller, Internal Flow Systems, 2nd ed., 1990).
"""

from __future__ import annotations

from optimizer.model.kinds import BENDS, CHECKS, MACHINES, PIPES, THROTTLES
from optimizer.model.network import Leg, Network, Part, Run

CLOSE_BORES = 5.0
BAND_LOW, BAND_HIGH = 0.7, 1.3


def close_coupled(run: Run, network: Network) -> frozenset[int]:
    """Return the indices of the parts that turn, throttle or change the bore within five bores of another such.

    A tee at either end of the run counts as a neighbour; so does what a union or a coupling joins. A pump, a device
    and open water begin anew.
    """
    found: set[int] = set()
    before: int | None = None  # index of the last part that disturbs; -1 is a tee
    straight_m = 0.0
    before = -1 if run.start.leg is not Leg.NONE and run.start.point in network.tees else None
    for index, part in enumerate(run.parts):
        if part.kind in PIPES:
            straight_m += part.length_m
        elif part.kind in MACHINES:
            before, straight_m = None, 0.0
        elif disturbs(part):
            if before is not None and straight_m < CLOSE_BORES * _bore_m(part):
                found |= {index, before}
            before, straight_m = index, 0.0
    at_tee = run.end.leg is not Leg.NONE and run.end.point in network.tees
    if at_tee and before is not None and before >= 0 and straight_m < CLOSE_BORES * _bore_m(run.parts[before]):
        found.add(before)
    return frozenset(found - {-1})


def disturbs(part: Part) -> bool:
    """Say whether a part turns or throttles the water, or changes its bore."""
    bores = [bore for bore in part.end_bores_m if bore > 0.0]
    steps = bool(bores) and max(bores) > 1.1 * min(bores)
    return part.kind in BENDS or part.kind in THROTTLES or part.kind in CHECKS or steps


def _bore_m(part: Part) -> float:
    bores = [bore for bore in part.end_bores_m if bore > 0.0]
    return min(bores, default=0.0)
