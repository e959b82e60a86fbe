"""A pipe with holes as one round opening: how wide that is, and what it loses."""

from __future__ import annotations

import math

HOLE_DISCHARGE = 0.61  # of a sharp-edged hole


def holes_bore_m(count: int, hole_m: float) -> float:
    """Return the bore of the one round opening that is as large as all holes together [m]."""
    return hole_m * math.sqrt(count)


def holes_k() -> float:
    """Return K of sharp-edged holes on their own area, the velocity head of their jets apart.

    Q = Cd A (2 g h)^0.5 is h = 1/Cd² V²/2g on the whole area; one V²/2g of it is what the jets carry off.

    Notes
    -----
    For holes that share the flow evenly: where all of them together are no larger than about half the bar's bore. In a
    bar that is bored wider open the last holes give more than the first.

    References
    ----------
    G. Kirchhoff, J. reine angew. Math. 70, 1869, pp. 289-298: contraction pi/(pi + 2) of a free jet. ISO 5167-2, 2003:
    0.596 for a small sharp-edged hole.
    """
    return 1.0 / HOLE_DISCHARGE**2 - 1.0
