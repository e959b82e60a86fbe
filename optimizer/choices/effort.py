"""What the work on a run takes: saw cuts, joints, minutes. Rates are common practice, no source."""

from __future__ import annotations

import math
from dataclasses import dataclass

from optimizer.choices.graph import Arc

CUT_MINUTES = 4  # mark, saw square, deburr
JOINT_MINUTES = {"cement": 4, "stub": 8, "tape": 3, "washer": 2, "swivel": 1, "clamp": 2, "push": 1, "sleeve": 3}
COUPLING_MINUTES = 2 * JOINT_MINUTES["cement"]  # between two lengths of new pipe
REMOVED_MINUTES = 2  # take a part out of the way
JointCents = tuple[tuple[tuple[str, str], float], ...]  # of joints by what seals them and nominal size: a price of each


@dataclass(frozen=True, slots=True)
class Effort:
    """What one hour of work is worth to the owner, in whole cents; and a price of some joints, for bounds [cents]."""

    cents_per_hour: int = 0
    joint_cents: JointCents = ()

    def cents(self, arc: Arc) -> int:
        """Return the effort of a step in whole cents, rounded up, with what its joints are priced at, rounded down."""
        joints = 0
        if self.joint_cents:
            joints = math.floor(sum(cents for one in arc.joints for joint, cents in self.joint_cents if joint == one))
        return joints - (-minutes_of(arc) * self.cents_per_hour // 60) if self.cents_per_hour else joints


def minutes_of(arc: Arc) -> int:
    """Return the minutes of work that a step takes."""
    joints = sum(JOINT_MINUTES.get(method, 0) for method, _ in arc.joints) + COUPLING_MINUTES * len(arc.couplings)
    return joints + CUT_MINUTES * arc.cuts + REMOVED_MINUTES * (len(arc.removed) + len(arc.sawn_off))
