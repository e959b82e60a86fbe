"""In how many of all cases a plan does what it was asked for, where losses, pump, bores and heights are not known."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Chance:
    """What a plan promises over draws of all that is not known; see `hydraulics.draws` for what is drawn.

    `trimmed` is the share of draws in which some setting of valves and pump dial, within what they and the drains
    allow, meets every target: that of an owner who trims by meters. `as_set` is the share in which all targets are met
    with valves and pumps left as the plan sets them. None: not worked out. `least` are the lower ends of the one-sided
    95 % confidence intervals (Clopper and Pearson) of `trimmed` and `as_set` over `draws` draws.
    """

    trimmed: float | None
    as_set: float | None
    draws: int
    least: tuple[float, float] = (0.0, 0.0)
