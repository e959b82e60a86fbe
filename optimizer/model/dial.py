"""What the dial of a pump means: percent shown → fraction of full rpm, and back."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from optimizer.errors import NetworkError

_THIRD = 1.0 / 3.0


class DialKind(StrEnum):
    RPM = "rpm"  # the dial shows the share of full rpm
    POWER = "power"  # the share of full power, which goes with the cube of rpm
    FLOOR = "floor"  # from a least speed at nothing up to full rpm, in proportion
    TABLE = "table"  # by given points


@dataclass(frozen=True, slots=True)
class Dial:
    """A dial by its kind. Settings and speeds are shares of full: 0 ... 1; a setting of 0 stops the pump.

    `floor` is the speed just above the setting 0. `table` holds (setting, speed), both rising; between its points,
    from rest to its first one, and from its last one to full speed lie straight lines.
    """

    kind: DialKind
    floor: float = 0.0
    table: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        if not 0.0 <= self.floor < 1.0:
            raise NetworkError(f"the floor of a dial is {self.floor:g}; allowed: 0 to below 1 of full rpm")
        rising = all(a[0] < b[0] and a[1] < b[1] for a, b in pairwise(self._points()))
        if not rising or any(not 0.0 <= value <= 1.0 for point in self.table for value in point):
            raise NetworkError("a dial's table needs settings and speeds that rise together, above 0 and up to 1")

    def speed(self, setting: float) -> float:
        """Return the fraction of full rpm at a setting."""
        if setting <= 0.0:
            return 0.0
        match self.kind:
            case DialKind.RPM:
                return setting
            case DialKind.POWER:
                return float(setting**_THIRD)
            case DialKind.FLOOR:
                return self.floor + (1.0 - self.floor) * setting
            case DialKind.TABLE:
                return _between(self._points(), setting)

    def setting(self, speed: float) -> float:
        """Return what the dial shows at a fraction of full rpm; a floor dial shows 0 at its floor and below."""
        if speed <= 0.0:
            return 0.0
        match self.kind:
            case DialKind.RPM:
                return speed
            case DialKind.POWER:
                return speed**3
            case DialKind.FLOOR:
                return max(0.0, (speed - self.floor) / (1.0 - self.floor))
            case DialKind.TABLE:
                return _between([(s, p) for p, s in self._points()], speed)

    @property
    def words(self) -> str:
        """Return the dial as the system file writes it; a table as its points."""
        if self.kind is DialKind.FLOOR:
            return f"floor {100.0 * self.floor:.3g} %"
        if self.kind is DialKind.TABLE:
            return ", ".join(f"{100.0 * p:.3g} %: {100.0 * s:.3g} %" for p, s in self.table)
        return str(self.kind)

    def _points(self) -> list[tuple[float, float]]:
        inner = [point for point in self.table if point != (0.0, 0.0)]
        end = [] if inner and (inner[-1][0] >= 1.0 or inner[-1][1] >= 1.0) else [(1.0, 1.0)]
        return [(0.0, 0.0), *inner, *end]


RPM = Dial(DialKind.RPM)
POWER = Dial(DialKind.POWER)


def _between(points: list[tuple[float, float]], x: float) -> float:
    for (x0, y0), (x1, y1) in pairwise(points):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return points[-1][1]
