"""A plumbing with its valves set → how high and how low each pump may be dialled before something goes wrong."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import replace

from optimizer.errors import NetworkError
from optimizer.model.catalog import Kind
from optimizer.model.circuits import fed_surfaces
from optimizer.model.network import Network, Part, Pump
from optimizer.model.note import Note, note
from optimizer.model.safety import PumpRange
from optimizer.model.system import System
from optimizer.model.tanks import Tank
from optimizer.verify.allowance import flow_limits_m3_s
from optimizer.verify.drain_back import FREEBOARD, drain_back, inflow_m3_s
from optimizer.verify.into_sumps import fullest_sump
from optimizer.verify.limits import NOTHING_M3_S
from optimizer.verify.running import STILL_M3_S, Running, running, running_pump_runs

_HALVINGS = 9  # of the dial: to a fifth of a percent
_MOST_DIALS = 5  # that are looked at together: the corners double with each
_TRIED = 20  # speeds, where today's is not safe
_LEAST = 0.05  # of full speed: where a file says nothing of the dial's foot
_NEAR = 1e-6


def safe_ranges(system: System, network: Network) -> tuple[PumpRange, ...]:
    """Return the safe range of every pump that has a dial, in file order: it holds wherever the others stand in theirs.

    Parameters
    ----------
    system
        Its tanks and drains say what may flow; what they do not state limits nothing.
    network
        The plumbing with its valves where they are to stay.

    Notes
    -----
    In the range no tank gets more than its drains and rim take, the sump holds what runs back, no return runs
    backwards and every pump that runs moves water. It is looked for from today's setting outwards, by halving; where
    that is not safe, from the nearest one that is. Of several pumps each is looked at with the others as they run;
    where all of them at these ends are not safe, all high ends come nearer to today's settings, then all low ones.
    """
    found = []
    faults = _faults_of(system, network)
    for name, pump in network.pumps.items():
        speeds = sorted({pump.speed, *pump.speeds})
        if len(speeds) > 1 and pump.speed > 0.0 and any(_has(run.parts, name) for run in network.runs.values()):
            found.append(_range(network, pump, speeds[0], speeds[-1], faults))
    return tuple(_together(network, found, faults))


def _has(parts: tuple[Part, ...], name: str) -> bool:
    return any(part.kind is Kind.PUMP and part.name == name for part in parts)


_Faults = Callable[[Network], Note | None]


def _range(network: Network, pump: Pump, bottom: float, top: float, faults: _Faults) -> PumpRange:
    def fault(speed: float) -> Note | None:
        return faults(replace(network, pumps={**network.pumps, pump.name: replace(pump, speed=speed)}))

    now = fault(pump.speed)
    start: float | None = pump.speed
    if now:  # it may be safe elsewhere on the dial
        tried = sorted((bottom + (top - bottom) * k / _TRIED for k in range(_TRIED + 1)), key=_apart(pump.speed))
        start = next((speed for speed in tried if not fault(speed)), None)
    if start is None:
        return PumpRange(pump.name, None, None, now, now)

    def reached(end: float) -> tuple[float, Note | None]:
        share, why = _largest_share(lambda share: fault(start + share * (end - start)))
        return start + share * (end - start), why

    (low, why_low), (high, why_high) = reached(max(_LEAST, bottom)), reached(top)
    return PumpRange(pump.name, low, high, why_low, why_high)


def _together(network: Network, alone: list[PumpRange], faults: _Faults) -> list[PumpRange]:
    """Return ranges in which all pumps may be set at once, within those of each alone; these if today is not safe."""
    pumps = [network.pumps[each.pump] for each in alone]
    ends = [(p.speed, each.low or 0.0, each.high or 0.0) for p, each in zip(pumps, alone, strict=True)]
    if not 1 < len(alone) <= _MOST_DIALS or any(each.low is None for each in alone) or faults(network):
        return alone

    def fault(low_share: float, high_share: float) -> Note | None:
        """Return what is wrong where every pump stands at one end of what is left of its range."""
        left = [(now + low_share * (low - now), now + high_share * (high - now)) for now, low, high in ends]
        for speeds in itertools.product(*left):
            there = {p.name: replace(p, speed=speed) for p, speed in zip(pumps, speeds, strict=True)}
            if told := faults(replace(network, pumps={**network.pumps, **there})):
                return told
        return None

    high_share, above = _largest_share(lambda share: fault(0.0, share))
    low_share, below = _largest_share(lambda share: fault(share, high_share))
    return [
        replace(
            each,
            low=now + low_share * (low - now),
            high=now + high_share * (high - now),
            why_low=below or each.why_low,
            why_high=above or each.why_high,
        )
        for each, (now, low, high) in zip(alone, ends, strict=True)
    ]


def _largest_share(fault: Callable[[float], Note | None]) -> tuple[float, Note | None]:
    """Return the largest share without a fault, by halving, and what is wrong beyond it: nothing beyond all of it."""
    why = fault(1.0)
    if why is None:
        return 1.0, None
    good, bad = 0.0, 1.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (good + bad)
        told = fault(middle)
        good, bad, why = (good, middle, told) if told else (middle, bad, why)
    return good, why


def _apart(speed: float) -> Callable[[float], float]:
    return lambda other: abs(other - speed)


def _faults_of(system: System, network: Network) -> _Faults:
    """Return what says what is wrong with a plumbing at its speeds, None where nothing is."""
    limits = flow_limits_m3_s(system, network)
    tanks = {tank.name: tank for tank in system.tanks}

    def faults(there: Network) -> Iterator[Note]:
        now: Running = running(there)
        for run in running_pump_runs(there):
            if now.flows_m3_s[run.name] <= STILL_M3_S:
                yield note("moves no water")
        for name in fed_surfaces(there):
            tank = tanks.get(name, Tank(name))
            ends = {name, *tank.fed_by}
            lines = [run.name for run in there.runs.values() if run.end.point in ends]
            if any(now.flows_m3_s[line] < -NOTHING_M3_S or line in now.emptied for line in lines):
                yield note("runs back out", tank=name)
            if inflow_m3_s(there, now.flows_m3_s, tank) > limits.get(name, float("inf")) * (1.0 + _NEAR):
                yield note("gets too much", tank=name)
        back = drain_back(there, now.flows_m3_s, system.tanks, system.drains)
        _, back_m3, free_m3 = fullest_sump(system, there, back)
        if free_m3 is not None and back_m3 * FREEBOARD > free_m3 * (1.0 + _NEAR):
            yield note("sump too small")

    def first(there: Network) -> Note | None:
        try:
            return next(faults(there), None)
        except NetworkError:
            return note("plumbing without steady flow")

    return first
