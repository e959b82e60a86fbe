"""Invented owners: a plumbing as its file describes it, how it truly is, and what its owner reads off a meter."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from networks import PORTS, fitting, pipe, pump_part

from optimizer.errors import NetworkError
from optimizer.hydraulics import solve_network
from optimizer.hydraulics.calibration import calibrate
from optimizer.hydraulics.uncertainty import band
from optimizer.model.calibration import Measurement, with_calibration
from optimizer.model.catalog import Kind, LossMethod
from optimizer.model.dial import POWER, RPM, Dial, DialKind
from optimizer.model.network import Network, Point, PointKind, Pump, Run, RunEnd, Water

# The priors that the calibration states for itself, as standard deviations: published losses (in logarithm), the head
# of a used pump (in logarithm), a tape measure [m], the floor of a dial.
LOSS, HEAD, HEIGHT_M, FLOOR = 0.3, 0.1, 0.1, (0.3, 0.2)
KINDS = (DialKind.RPM, DialKind.POWER, DialKind.FLOOR)
READ_TO = 0.05  # by bucket and stopwatch


@dataclass(frozen=True)
class Owner:
    """What is described, what is true, the readings, and the speed setting that is asked about."""

    described: Network
    true: Network
    kind: DialKind
    measured: tuple[Measurement, ...]
    asked: float


@dataclass(frozen=True)
class Answer:
    """Of one owner: which share of the bands hold the truth, and what was said of the dial."""

    covered: tuple[bool, ...]
    settled: bool
    told: DialKind | None


def owner(seed: int, dial_known: bool, families_err: bool) -> Owner:
    """Return an owner by chance: a line of pipe, elbows and unions from a sump up to a tank, 2 to 8 readings.

    `families_err` has the losses of each kind of part err on their own besides.
    """
    dice = np.random.default_rng([seed, 77])
    kind = KINDS[int(dice.integers(3))]
    floor = float(np.clip(dice.normal(*FLOOR), 0.02, 0.8))
    dial = {DialKind.RPM: RPM, DialKind.POWER: POWER, DialKind.FLOOR: Dial(DialKind.FLOOR, floor)}[kind]
    lift_m, shut_off_m = float(dice.uniform(0.6, 2.2)), float(dice.uniform(3.5, 6.0))
    last_m3_s = float(dice.uniform(0.8e-3, 2.0e-3))
    shares = (0.0, 0.4, 0.75, 1.0)
    curve = tuple((share * last_m3_s, shut_off_m * (1.0 - share**1.8)) for share in shares)
    bore_m = float(dice.choice([0.0206, 0.0266, 0.0351]))
    length_m, elbows = float(dice.uniform(3.0, 12.0)), int(dice.integers(2, 9))
    hidden = np.exp(LOSS * dice.standard_normal()), np.exp(HEAD * dice.standard_normal())
    shift_m = HEIGHT_M * float(dice.standard_normal())
    err = {
        name: (0.7 ** (-z) if z < 0 else 1.3**z) if families_err else 1.0
        for name, z in zip(("elbow", "union"), dice.standard_normal(2) / 1.6449, strict=True)
    }
    rougher = 5.0 ** max(0.0, float(dice.standard_normal()) / 1.6449)  # drawn plastic, 1.5 to 7 µm

    def plumbing(pump: Pump, sump_m: float, losses: dict[str, float], factor: float, rough: float) -> Network:
        points = {
            "sump": Point("sump", PointKind.SURFACE, sump_m, sump_m),
            "tank": Point("tank", PointKind.SURFACE, lift_m, lift_m),
        }
        parts = (
            pump_part("lift"),
            pipe(length_m, bore_m, 1.5e-6 * rough),
            *[fitting(Kind.ELBOW, bore_m, LossMethod.K, 0.9 * losses["elbow"]) for _ in range(elbows)],
            fitting(Kind.UNION, bore_m, LossMethod.K, 2.5 * losses["union"]),
        )
        run = Run("line", RunEnd("sump"), RunEnd("tank"), "1 in", "", parts)
        return Network(points, {"line": run}, {}, {"lift": pump}, {}, Water(0.0, 20.0), loss_factor=factor)

    settings = (*(0.05 * step for step in range(8, 20)), 1.0)
    pump = Pump("lift", curve, 1.0, PORTS, settings, dial=dial if dial_known else None)
    true = plumbing(replace(pump, dial=dial, head_factor=float(hidden[1])), -shift_m, err, float(hidden[0]), rougher)
    described = plumbing(pump, 0.0, dict.fromkeys(err, 1.0), 1.0, 1.0)
    flows = {setting: _flow(true, dial, setting) for setting in settings}
    running = [at for at, flow in flows.items() if 0.08 * last_m3_s < flow < 0.98 * last_m3_s * dial.speed(at)]
    if len(running) < 3:
        return owner(seed + 100_000, dial_known, families_err)
    count = min(int(dice.integers(2, 9)), len(running) - 1)
    picked = dice.choice(len(running), count + 1, replace=False)
    *read, asked = (running[i] for i in picked)
    measured = tuple(
        Measurement("line", flows[at] * (1.0 + READ_TO * float(dice.standard_normal())), {"lift": at}) for at in read
    )
    return Owner(described, true, kind, measured, asked)


def answer(one: Owner) -> Answer | None:
    """Return how the program's band for the setting that is asked about stands against the truth; None: no band."""
    found = calibrate(one.described, one.measured)
    if found.best is None:
        return None
    fitted = with_calibration(one.described, found.best.calibration)
    pump = fitted.pumps["lift"]
    dial = pump.dial or RPM
    there = replace(fitted, pumps={"lift": replace(pump, speed=dial.speed(one.asked))})
    bands = band(there, measured=one.measured, measured_on=fitted)
    if "line" not in bands:
        return None
    low, high = bands["line"]
    told = found.best.calibration.dials.get("lift")
    true = _flow(one.true, one.true.pumps["lift"].dial or RPM, one.asked)
    return Answer((low <= true <= high,), found.settled, None if told is None else told.kind)


def _flow(network: Network, dial: Dial, setting: float) -> float:
    pump = replace(network.pumps["lift"], speed=dial.speed(setting))
    try:
        return solve_network(replace(network, pumps={"lift": pump})).flows_m3_s["line"]
    except NetworkError:
        return math.nan
