"""The factors that measured flows can be fitted with: their scale, what is usual of them, what cannot be believed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

from optimizer.model.calibration import Calibration
from optimizer.model.dial import Dial, DialKind
from optimizer.units import show_head

if TYPE_CHECKING:
    from optimizer.hydraulics.readings import Readings

FREE_FLOOR = Dial(DialKind.FLOOR, 0.3)  # stands for a floor that is still sought

# Weak priors and the limits of belief: common practice, no source. Published coefficients of small plastic fittings are
# good to 30 % or so, and a used pump keeps nine tenths of its head; a tape measure is right to a hand's breadth.
_LOSS_SPREAD, _HEAD_SPREAD, _HEIGHT_SPREAD_M, _FLOOR, _FLOOR_SPREAD = 0.3, 0.1, 0.1, 0.3, 0.2
_LOSS_BELIEVED, _HEAD_BELIEVED, _HEIGHT_BELIEVED_M, _FLOOR_BELIEVED = (0.4, 2.5), (0.6, 1.25), 0.6, 0.8
_MOST_TIMES, _MOST_SHIFT_M = 30.0, 10.0


class FactorKind(StrEnum):
    LOSS = "loss factor"
    PUMP_HEAD = "pump head factor"
    HEIGHT = "height shift"
    FLOOR = "minimum speed"


@dataclass(frozen=True, slots=True)
class Factor:
    """One unknown. Loss and pump head are fitted as logarithms, heights in metres, floors as shares of full rpm."""

    kind: FactorKind
    pump: str = ""

    @property
    def usual(self) -> float:
        return _FLOOR if self.kind is FactorKind.FLOOR else 0.0

    @property
    def usual_spread(self) -> float:
        return {
            FactorKind.LOSS: _LOSS_SPREAD,
            FactorKind.PUMP_HEAD: _HEAD_SPREAD,
            FactorKind.HEIGHT: _HEIGHT_SPREAD_M,
            FactorKind.FLOOR: _FLOOR_SPREAD,
        }[self.kind]

    @property
    def least(self) -> float:
        if self.kind is FactorKind.FLOOR:
            return 0.0
        return -_MOST_SHIFT_M if self.kind is FactorKind.HEIGHT else -math.log(_MOST_TIMES)

    @property
    def most(self) -> float:
        return 0.95 if self.kind is FactorKind.FLOOR else -self.least

    def readable(self, value: float) -> float:
        """Return the factor itself, the shift in metres or the floor, from its value in the fit."""
        return math.exp(value) if self.kind in (FactorKind.LOSS, FactorKind.PUMP_HEAD) else value

    def readable_spread(self, value: float, spread: float) -> float:
        return spread * self.readable(value) if self.kind in (FactorKind.LOSS, FactorKind.PUMP_HEAD) else spread

    def put(self, calibration: Calibration, value: float) -> Calibration:
        """Return the calibration with this factor at a value of the fit."""
        size = self.readable(value)
        match self.kind:
            case FactorKind.LOSS:
                return replace(calibration, loss_factor=size)
            case FactorKind.PUMP_HEAD:
                return replace(calibration, pump_head_factors={**calibration.pump_head_factors, self.pump: size})
            case FactorKind.HEIGHT:
                return replace(calibration, height_shift_m=size)
            case FactorKind.FLOOR:
                floor = Dial(DialKind.FLOOR, min(max(size, 0.0), 0.999))
                return replace(calibration, dials={**calibration.dials, self.pump: floor})

    def oddity(self, value: float) -> str:
        """Return in words why a value cannot be believed, or nothing."""
        size = self.readable(value)
        match self.kind:
            case FactorKind.LOSS if not _LOSS_BELIEVED[0] <= size <= _LOSS_BELIEVED[1]:
                return f"losses of {_times(size)} what is published, which is implausible"
            case FactorKind.PUMP_HEAD if not _HEAD_BELIEVED[0] <= size <= _HEAD_BELIEVED[1]:
                return f"{_times(size)} the head of the curve of pump {self.pump!r}, which is implausible"
            case FactorKind.HEIGHT if abs(size) > _HEIGHT_BELIEVED_M:
                metric, feet = show_head(abs(size), "metric"), show_head(abs(size), "US")
                way = "higher" if size > 0 else "lower"
                return f"a lift {metric} ({feet}) {way} than stated, which is implausible"
            case FactorKind.FLOOR if size > _FLOOR_BELIEVED:
                return f"a minimum speed of {100.0 * size:.0f} % of full rpm, which is implausible"
        return ""


def _times(factor: float) -> str:
    return f"{factor:.1f} times" if factor >= 1.0 else f"{100.0 * factor:.0f} % of"


def factors_of(readings: Readings, dials: Mapping[str, Dial]) -> tuple[tuple[Factor, ...], tuple[Factor, ...]]:
    """Return the factors that these dials force, and those that may be free as well, the most usual first."""
    forced = tuple(Factor(FactorKind.FLOOR, name) for name, dial in dials.items() if dial is FREE_FLOOR)
    wear = tuple(Factor(FactorKind.PUMP_HEAD, name) for name in readings.network.pumps)
    height = (Factor(FactorKind.HEIGHT),) if readings.sources else ()
    return forced, (Factor(FactorKind.LOSS), *wear, *height)
