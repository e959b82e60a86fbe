"""A plumbing with its settings → what to set and what every meter should then show, in each way in which it is run."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache, partial

from optimizer.errors import NetworkError
from optimizer.hydraulics import solve_network, valve_words
from optimizer.model.catalog import THROTTLES, Kind
from optimizer.model.network import Network
from optimizer.model.plan import Plan, Verification, planned_network
from optimizer.model.safety import DrainMode, Tank
from optimizer.model.system import System, Target
from optimizer.verify.drain_back import fed_surfaces, inflow_m3_s
from optimizer.verify.drains import trimmed_opening
from optimizer.verify.limits import SCATTER, MeterLimits, limits_of
from optimizer.verify.settings import with_openings
from optimizer.verify.trials import CLOG, Trials, trials_of


@dataclass(frozen=True)
class Mode:
    """One way in which the plumbing is run: pumps at these fractions of full rpm, and what the meters then show.

    `drains` are (drain, words) of the valve of each full siphon that has one, set for the flow of this mode.
    """

    name: str
    network: Network
    meters: tuple[MeterLimits, ...]
    drains: tuple[tuple[str, str], ...]
    note: str = ""  # why there are no meters


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


def settings_card(
    system: System,
    plan: Plan | None = None,
    verification: Verification | None = None,
    *,
    clog: float = CLOG,
    scatter: float = SCATTER,
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
    trials = cache(partial(trials_of, network, clog=clog))  # once for all speeds
    modes = tuple(
        _mode(system, name, there, targets, (clog, scatter), trials)
        for name, there, targets in _ways_to_run(system, network)
    )
    return SettingsCard(system, plan is not None, network, valves, modes, clog, scatter)


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


def _mode(
    system: System,
    name: str,
    network: Network,
    targets: tuple[Target, ...],
    shares: tuple[float, float],
    trials: Callable[[str], Trials],
) -> Mode:
    """Return one mode; `shares` are what a clog takes and how far normal readings scatter."""
    clog, scatter = shares
    try:
        flows = solve_network(network).flows_m3_s
        lows = {target.run: target.low_m3_s for target in targets if target.is_plain}
        meters = tuple(
            limits_of(
                network,
                run,
                window_low_m3_s=lows.get(run, 0.0),
                clog=clog,
                scatter=scatter,
                trials=trials(run) if flows[run] > 0.0 else None,
                flows_m3_s=flows,
            )
            for run in metered_runs(network, targets)
        )
    except NetworkError as error:
        return Mode(name, network, (), (), str(error))
    return Mode(name, network, meters, tuple(_drains(system, network, flows)))


def metered_runs(network: Network, targets: tuple[Target, ...]) -> tuple[str, ...]:
    """Return the runs with a meter, in file order: those that something is asked of, and those of the pumps."""
    asked = {run for target in targets for run in target.summed}
    return tuple(
        run.name
        for run in network.runs.values()
        if run.name in asked or any(part.kind is Kind.PUMP for part in run.parts)
    )


def _drains(system: System, network: Network, flows_m3_s: Mapping[str, float]) -> Iterator[tuple[str, str]]:
    tanks = {tank.name: tank for tank in system.tanks}
    for name in fed_surfaces(network):
        flow = inflow_m3_s(network, flows_m3_s, tanks.get(name, Tank(name)))
        for drain in system.drains:
            if drain.tank == name and drain.mode is DrainMode.SIPHON:
                found = trimmed_opening(drain, flow, network.water)
                if found is not None:
                    yield drain.name, valve_words(drain.parts[found[0]].kind, found[1])
