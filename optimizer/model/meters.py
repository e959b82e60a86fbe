"""What a flow meter needs to read right: its range, the straight pipe around it, how it lies, what it sends."""

from __future__ import annotations

from dataclasses import dataclass

ORIENTATIONS = ("any", "level", "rising")  # level: the line lies level; rising: the water goes up through it


@dataclass(frozen=True, slots=True)
class MeterData:
    """A flow meter by its maker's numbers. Below `low_m3_s` it reads nothing, above `high_m3_s` it wears.

    `straight_before` and `straight_after` are straight pipe in bores; `pulses_per_m3` what its contact or sensor sends.
    """

    low_m3_s: float
    high_m3_s: float
    straight_before: float
    straight_after: float
    orientation: str
    pulses_per_m3: float

    def pulses_per_s(self, flow_m3_s: float) -> float:
        """Return what the meter sends at a flow [1/s]; nothing below its range."""
        return self.pulses_per_m3 * flow_m3_s if flow_m3_s >= self.low_m3_s else 0.0
