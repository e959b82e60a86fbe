"""A plumbing with its settings → what to set and what every meter should then show, in each way in which it is run."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

from optimizer.errors import NetworkError
from optimizer.hydraulics import valve_words
from optimizer.hydraulics.uncertainty import SAMPLES, uncertainty
from optimizer.model.catalog import THROTTLES, Kind
from optimizer.model.circuits import fed_surfaces
from optimizer.model.network import Network
from optimizer.model.note import Note, note
from optimizer.model.plan import Plan, Verification, planned_network
from optimizer.model.safety import PumpRange
from optimizer.model.system import System, Target
from optimizer.model.tanks import DrainMode, Tank
from optimizer.verify.drain_back import inflow_m3_s
from optimizer.verify.drains import drains_of, trimmed_opening
from optimizer.verify.limits import CLOG, NOTHING_M3_S, SCATTER, MeterLimits, Trials, limits_of, trials_of
from optimizer.verify.running import Running, running
from optimizer.verify.safe_range import safe_ranges
from optimizer.verify.safety import unsafe_when
from optimizer.verify.settings import with_openings

MOST_KEPT = 40_000  # runs of compiled networks that are kept: some 80 MB
_FEWER_SAMPLES = 96  # at speeds that nobody asked for
LEAST_OPENING = 0.03  # nobody sets a valve finer than that; common practice, no source


@dataclass(frozen=True)
class Mode:
    """One way in which the plumbing is run: pumps at these fractions of full rpm, and what the meters then show.

    `drains` are (drain, words) of the valve of each full siphon that has one, set for the flow of this mode. `unsafe`
    says what speaks against running it so.
    """

    name: str  # of the owner's setting; "set" as it is set, "" at another speed of the dial
    network: Network
    meters: tuple[MeterLimits, ...]
    drains: tuple[tuple[str, Note], ...]
    note: Note | None = None  # why there are no meters
    unsafe: tuple[Note, ...] = ()

    @property
    def is_to_avoid(self) -> bool:
        """Return whether it is a speed of the dial that nobody asked for and that something speaks against."""
        return self.name == "" and bool(self.unsafe)


@dataclass(frozen=True)
class SettingsCard:
    """All that is needed to set everything back after cleaning. Valves are (run, part index, words)."""

    system: System
    planned: bool
    network: Network
    valves: tuple[tuple[str, int, str], ...]
    modes: tuple[Mode, ...]
    clog: float
    scatter: float
    ranges: tuple[PumpRange, ...] = ()  # between which settings each pump stays safe


def settings_card(
    system: System,
    plan: Plan | None = None,
    verification: Verification | None = None,
    *,
    clog: float = CLOG,
    scatter: float = SCATTER,
    known_band: Mapping[str, tuple[float, float]] | None = None,
) -> SettingsCard:
    """Return the card of a plan that was checked, or of the plumbing as it stands.

    Parameters
    ----------
    system
        The plumbing, its targets and drains.
    plan, verification
        Both, or neither for the plumbing as it stands with its valves where the file has them.
    clog, scatter
        See `limits_of`.
    known_band
        The band of every run's flow [m³/s] as it is set, or in the first setting, where it is known already.

    Notes
    -----
    Where the file has the factors of a calibration, its readings narrow the bands.
    """
    network = system.network
    if plan is not None and verification is not None:
        network = with_openings(planned_network(network, plan), verification.valves)
    valves = tuple(
        (run.name, index, valve_words(part.kind, part.opening))
        for run in network.runs.values()
        for index, part in enumerate(run.parts)
        if part.kind in THROTTLES
    )
    trials = _Trials(network, clog)
    modes = tuple(
        _mode(system, name, there, targets, Simulated(clog, scatter, trials, known_band if number == 0 else None))
        for number, (name, there, targets) in enumerate(_ways_to_run(system, network))
    )
    ranges = _ranges(system, network)
    return SettingsCard(system, plan is not None, network, valves, modes, clog, scatter, ranges)


def _ranges(system: System, network: Network) -> tuple[PumpRange, ...]:
    try:
        return safe_ranges(system, network)
    except NetworkError:
        return ()


def _ways_to_run(system: System, network: Network) -> Iterator[tuple[str, Network, tuple[Target, ...]]]:
    """Yield (name, plumbing, targets): the owner's settings, or the speed it is set to and all that the dial has."""
    if system.settings:
        for setting in system.settings:
            yield setting.name, _at_speeds(network, setting.speeds), setting.targets
        return
    yield "set", network, system.targets
    if len(network.pumps) == 1:
        (pump,) = network.pumps.values()
        for speed in pump.speeds:
            if speed != pump.speed:
                yield "", _at_speeds(network, {pump.name: speed}), system.targets


def _at_speeds(network: Network, speeds: Mapping[str, float]) -> Network:
    pumps = {name: replace(pump, speed=speeds.get(name, pump.speed)) for name, pump in network.pumps.items()}
    return replace(network, pumps=pumps)


class _Trials:
    """What can befall each run, compiled once for all speeds; of a large plumbing only some of it is kept."""

    def __init__(self, network: Network, clog: float) -> None:
        self._network, self._clog = network, clog
        self._kept: dict[str, Trials] = {}
        self._size = 0

    def __call__(self, run: str) -> Trials:
        if run in self._kept:
            return self._kept[run]
        made = trials_of(self._network, run, self._clog)
        self._size += (1 + len(made.broken)) * len(self._network.runs)
        if self._size <= MOST_KEPT:
            self._kept[run] = made
        return made


@dataclass(frozen=True)
class Simulated:
    """What meters are judged by: the share of a section that a clog takes, how far readings scatter, breaks, bands."""

    clog: float
    scatter: float
    trials: Callable[[str], Trials]
    band_m3_s: Mapping[str, tuple[float, float]] | None


def _mode(system: System, name: str, network: Network, targets: tuple[Target, ...], simulated: Simulated) -> Mode:
    try:
        there = running(network)
        unsafe = (*_emptied(there), *unsafe_when(system, there))
        mode = Mode(name, network, (), (), unsafe=unsafe)
        if mode.is_to_avoid:
            return mode  # nobody reads a meter then
        if there.doubt.pumps:
            return replace(mode, note=note("to the end of its curve", pumps=tuple(there.doubt.pumps)))
        draws = SAMPLES if name else _FEWER_SAMPLES
        bands = simulated.band_m3_s or _band(system, network, draws)
        meters = tuple(_meters(there, targets, simulated, bands))
        return replace(mode, meters=meters, drains=tuple(_drains(system, network, there.flows_m3_s)))
    except NetworkError as error:
        return Mode(name, network, (), (), note("no solution", error=str(error)))


def _meters(
    there: Running,
    targets: tuple[Target, ...],
    simulated: Simulated,
    bands_m3_s: Mapping[str, tuple[float, float]],
) -> Iterator[MeterLimits]:
    lows = {target.run: target.low_m3_s for target in targets if target.is_plain}
    for run in metered_runs(there.network, targets):
        yield limits_of(
            there.network,
            run,
            window_low_m3_s=lows.get(run, 0.0),
            clog=simulated.clog,
            scatter=simulated.scatter,
            band_m3_s=bands_m3_s.get(run, (0.0, math.inf)),
            trials=simulated.trials(run) if there.flows_m3_s[run] > NOTHING_M3_S else None,
            flows_m3_s=there.flows_m3_s,
        )


def _band(system: System, network: Network, samples: int) -> dict[str, tuple[float, float]]:
    drawn = uncertainty(network, measured=system.fitted_readings, measured_on=system.network, samples=samples)
    return drawn.band_m3_s


def _emptied(there: Running) -> Iterator[Note]:
    """Yield the tanks that water runs out of through what should feed them, if only down to the mouths."""
    for name in fed_surfaces(there.network):
        runs = [run.name for run in there.network.runs.values() if run.end.point == name]
        back = [run for run in runs if there.flows_m3_s[run] < -NOTHING_M3_S or run in there.emptied]
        if back:
            yield note("drains back", tank=name, runs=tuple(back))


def metered_runs(network: Network, targets: tuple[Target, ...]) -> tuple[str, ...]:
    """Return the runs with a meter, in file order: those that something is asked of, and those of the pumps."""
    asked = {run for target in targets for run in target.summed}
    return tuple(
        run.name
        for run in network.runs.values()
        if run.name in asked or any(part.kind is Kind.PUMP for part in run.parts)
    )


def _drains(system: System, network: Network, flows_m3_s: Mapping[str, float]) -> Iterator[tuple[str, Note]]:
    tanks = {tank.name: tank for tank in system.tanks}
    for name in fed_surfaces(network):
        flow = inflow_m3_s(network, flows_m3_s, tanks.get(name, Tank(name)))
        for drain in drains_of(system, name)[0]:
            if drain.mode is DrainMode.SIPHON:
                found = trimmed_opening(drain, flow, network.water)
                if found is not None and found[1] < LEAST_OPENING:
                    yield drain.name, note("too little to run full")
                elif found is not None:
                    yield drain.name, note("handle", text=valve_words(drain.parts[found[0]].kind, found[1]))
