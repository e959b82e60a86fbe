"""Tanks, their edges and drains as the owner states them. What is not stated stays None."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from optimizer.model.network import Part


class DrainMode(StrEnum):
    """How a drain carries water. The value is the word of the system file."""

    SIPHON = "full siphon"  # full of water from its mouth to its end
    OPEN = "open"  # water runs down its wall, with air in the middle
    EMERGENCY = "emergency"  # dry until the others fail, then open


@dataclass(frozen=True, slots=True)
class Tank:
    """A water surface as a tank; `name` is the surface's.

    `overflow_edge_m` is the length of the edge that water runs over, of one with teeth that of all gaps together;
    `rim_m` is the height of the tank's rim above that edge. `opening_depth_m` and `break_depth_m` are how far below the
    edge the lowest return opening and the siphon-break hole lie. `free_volume_m3` fits in between the running water
    line and the rim, `reserve_m3` can leave before the pump sucks air.
    `box_volume_m3` is what stands in an overflow box and runs off when the pump stops;
    `start_volume_m3` what must gather in tank and box before the drains pull, `top_up_m3` what an automatic top-up has
    to give. `fed_by` names outlets above the tank;
    `mouths_m` says how far below the edge lines open in it, by run; `breaks_m` how far below it the siphon-break holes
    of several lines lie, by the run that each is in; `meets_m` how far below it its lines meet, by tee, less than 0
    above it.
    """

    name: str
    area_m2: float | None = None
    overflow_edge_m: float | None = None
    rim_m: float | None = None
    opening_depth_m: float | None = None
    break_depth_m: float | None = None
    free_volume_m3: float | None = None
    reserve_m3: float | None = None
    box_volume_m3: float | None = None
    start_volume_m3: float | None = None
    top_up_m3: float | None = None
    fed_by: tuple[str, ...] = ()
    mouths_m: tuple[tuple[str, float], ...] = ()
    breaks_m: tuple[tuple[str, float], ...] = ()
    meets_m: tuple[tuple[str, float], ...] = ()
    place: str = ""
    teeth_depth_m: float | None = None  # of an edge with teeth: from the bottom of a gap to the tops

    @property
    def has_break(self) -> bool:
        return self.break_depth_m is not None or bool(self.breaks_m)

    @property
    def clogged(self) -> Tank:
        """Return the tank with all its siphon breaks clogged."""
        return replace(self, break_depth_m=None, breaks_m=())


@dataclass(frozen=True, slots=True)
class Drain:
    """A pipe that leads water from a tank down to the sump, or to another tank, by its weight.

    `drop_m` is from the water over its mouth down to the sump's water, or to its end where that hangs above the water.
    `lip_head_m` is how high water may stand over the mouth of an open or emergency drain before it gets wet elsewhere,
    `lip_below_rim_m` how far its lip lies below the tank's rim: what stands higher than that runs over.
    """

    name: str
    tank: str
    mode: DrainMode
    parts: tuple[Part, ...]
    drop_m: float | None = None
    lip_head_m: float | None = None
    place: str = ""
    to: str = ""  # the tank that it ends in; none: the sump
    lip_below_rim_m: float | None = None

    @property
    def most_over_lip_m(self) -> float | None:
        """Return how high water may stand over the mouth, as far as that is stated: never above the rim."""
        stated = [head for head in (self.lip_head_m, self.lip_below_rim_m) if head is not None]
        return min(stated, default=None)

    @property
    def mouth_bore_m(self) -> float:
        return self.parts[0].end_bores_m[0]
