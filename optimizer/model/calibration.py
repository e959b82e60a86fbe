"""What an owner has measured, and the factors that it gave: the plumbing as described becomes the plumbing as found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from optimizer.model.circuits import sumps
from optimizer.model.dial import RPM, Dial
from optimizer.model.network import Network, Point, Pump

BUCKET_AND_STOPWATCH = 0.05  # share of the flow to which such a reading is good: common practice, no source


@dataclass(frozen=True, slots=True)
class Measurement:
    """A flow that was measured in a run [m³/s], signed along the run.

    `settings` says what the dials showed (pump: share of full), `openings` how the valves of runs stood (run: 0 shut to
    1 open, the first throttling valve of the run); pumps and valves that are left out stood as the file has them.
    `accuracy` is the share of the flow that the reading is good to.
    """

    run: str
    flow_m3_s: float
    settings: Mapping[str, float] = field(default_factory=dict)
    openings: Mapping[str, float] = field(default_factory=dict)
    accuracy: float = BUCKET_AND_STOPWATCH
    place: str = ""


@dataclass(frozen=True, slots=True)
class Calibration:
    """Factors found by measurement.

    `loss_factor` multiplies every loss, of parts that are there and of new ones: what makes it differ from 1 (how good
    the published coefficients are for such fittings, growth, how joints are made) belongs to the kind of part and the
    hand that joins it, and holds for the next one too. `height_shift_m` is how much further below all else the water
    lies that the pumps draw from; `dials` says what a pump's dial means.
    """

    loss_factor: float = 1.0
    pump_head_factors: Mapping[str, float] = field(default_factory=dict)
    height_shift_m: float = 0.0
    dials: Mapping[str, Dial] = field(default_factory=dict)


def pump_sources(network: Network) -> tuple[str, ...]:
    """Return the free surfaces that pumps lift water from, in file order: no tank that is fed, or merely stirred."""
    return sumps(network)


def with_calibration(network: Network, calibration: Calibration) -> Network:
    """Return the plumbing with these factors, in place of any that it had. Dials that are not named stay."""
    lower = calibration.height_shift_m - network.height_shift_m
    points = dict(network.points)
    for name in pump_sources(network):
        points[name] = _lowered(points[name], lower)
    pumps = {
        name: replace(
            with_dial(pump, calibration.dials.get(name, pump.dial)),
            head_factor=calibration.pump_head_factors.get(name, 1.0),
            dial_found=name in calibration.dials,
        )
        for name, pump in network.pumps.items()
    }
    return replace(
        network,
        points=points,
        pumps=pumps,
        loss_factor=calibration.loss_factor,
        height_shift_m=calibration.height_shift_m,
    )


def without_calibration(network: Network, calibration: Calibration | None) -> Network:
    """Return the plumbing as described: all factors as published, and the dials that measurement gave unknown again."""
    plain = with_calibration(network, Calibration())
    found = () if calibration is None else tuple(calibration.dials)
    pumps = {name: with_dial(pump, None) if name in found else pump for name, pump in plain.pumps.items()}
    return replace(plain, pumps=pumps)


def with_dial(pump: Pump, dial: Dial | None) -> Pump:
    """Return the pump at the same settings of another dial; one that is not known counts as rpm."""
    old, new = pump.dial or RPM, dial or RPM
    speeds = tuple(sorted({new.speed(old.setting(speed)) for speed in pump.speeds}))
    return replace(pump, dial=dial, speed=new.speed(old.setting(pump.speed)), speeds=speeds)


def _lowered(point: Point, by_m: float) -> Point:
    if point.head_m is None or by_m == 0.0:
        return point
    elevation = None if point.elevation_m is None else point.elevation_m - by_m
    return replace(point, head_m=point.head_m - by_m, elevation_m=elevation)
