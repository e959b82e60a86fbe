"""Targets raised or lowered together: how much of what is wanted a plumbing gives is told as one multiple of them.

Below 1 the minimum flows shrinks; upper ends and shares stay, so that what a plumbing reaches it also reaches at every
lower multiple. Above 1 only the least flows without an upper end grow: in a window more is not wanted.
"""

from __future__ import annotations

from collections.abc import Container
from dataclasses import replace

from optimizer.model.system import System, Target


def scaled(system: System, scale: float) -> System:
    """Return the system with `scale` (0 or more) times its least flows, in every setting."""
    settings = tuple(replace(one, targets=_all(one.targets, scale)) for one in system.settings)
    return replace(system, targets=_all(system.targets, scale), settings=settings)


def _all(targets: tuple[Target, ...], scale: float) -> tuple[Target, ...]:
    return tuple(replace(target, low_m3_s=least_m3_s(target, scale)) for target in targets)


def least_m3_s(target: Target, scale: float) -> float:
    """Return a target's least flow at a multiple [m³/s]."""
    return target.low_m3_s * (scale if target.high_m3_s is None else min(scale, 1.0))


def can_grow(system: System) -> bool:
    """Return whether some least flow has no upper end, so that more than what is wanted means something."""
    return any(target.low_m3_s > 0.0 and target.high_m3_s is None for target in system.all_targets)


def has_upper_ends(system: System) -> bool:
    """Return whether some least flow stays where it is above 1."""
    return any(target.low_m3_s > 0.0 and target.high_m3_s is not None for target in system.all_targets)


Asked = tuple[str, str]  # the mode, or nothing where there are none, and the target's name


def with_margin(system: System, margin: float, spared: Container[Asked] = ()) -> System:
    """Return the system with the minimum flows raised by a share, as far as its upper end goes, in every setting.

    Those that are `spared` stay as they are.
    """
    settings = tuple(replace(one, targets=_raised(one.name, one.targets, margin, spared)) for one in system.settings)
    return replace(system, targets=_raised("", system.targets, margin, spared), settings=settings)


def growing(system: System) -> tuple[Asked, ...]:
    """Return what a margin raises, target by target and mode by mode."""
    modes = [(one.name, one.targets) for one in system.settings] or [("", system.targets)]
    return tuple((mode, each.run) for mode, targets in modes for each in targets if _grown(each, 1.0) > each.low_m3_s)


def _raised(mode: str, targets: tuple[Target, ...], margin: float, spared: Container[Asked]) -> tuple[Target, ...]:
    return tuple(
        each if (mode, each.run) in spared else replace(each, low_m3_s=_grown(each, margin)) for each in targets
    )


def _grown(target: Target, margin: float) -> float:
    low = target.low_m3_s * (1.0 + margin)
    return low if target.high_m3_s is None else min(low, target.high_m3_s)
