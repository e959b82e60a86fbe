"""A system → its modes: the pump speeds to choose from, what is asked, and what that says of flows that heads give."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from optimizer.choices.wants import Want, at_full_flows, least_asked, may_be_short, wants_of
from optimizer.errors import PlanError
from optimizer.model.network import Network
from optimizer.model.system import System
from optimizer.search.flow_posing import Mode


def modes_of(system: System) -> tuple[Mode, ...]:
    """Return the settings with their rows; without settings one mode, in which the speeds are to be chosen."""
    network = system.network
    if system.settings:
        found = []
        for setting in system.settings:
            there = system.at(setting)
            speeds = {name: pump.speed for name, pump in there.network.pumps.items()}
            found.append(_mode(setting.name, there, (speeds,)))
        modes = tuple(found)
    else:
        each = [sorted({pump.speed, *pump.speeds}) for pump in network.pumps.values()]
        products = tuple(dict(zip(network.pumps, chosen, strict=True)) for chosen in itertools.product(*each))
        modes = (_mode("", system, products),)
    if not any(mode.wants for mode in modes):
        raise PlanError("no target asks for any flow, so there is nothing to plan for")
    return modes


def _mode(name: str, system: System, speeds: tuple[Mapping[str, float], ...]) -> Mode:
    return with_rows(system.network, Mode(name, (), speeds, ()), wants_of(system))


def with_rows(network: Network, mode: Mode, more: tuple[Want, ...]) -> Mode:
    """Return a mode with more rows, and with what they say of full flows whichever pumps are off."""
    wants = (*mode.wants, *more)
    each = [at_full_flows(running, wants) for running in _running(network, mode)]
    first, *others = each
    return replace(mode, wants=wants, rows=tuple(row for row in first if all(row in other for other in others)))


def short_of(network: Network, modes: Sequence[Mode]) -> set[str]:
    """Return the runs that may carry less than their heads give in some mode, whichever pumps are off."""
    return {run for mode in modes for running in _running(network, mode) for run in may_be_short(running, mode.wants)}


def _running(network: Network, mode: Mode) -> Iterator[Network]:
    """Yield the plumbing for every set of pumps that may run together in a mode."""
    for running in {frozenset(name for name, speed in speeds.items() if speed > 0.0) for speeds in mode.speeds}:
        pumps = {name: replace(pump, speed=float(name in running)) for name, pump in network.pumps.items()}
        yield replace(network, pumps=pumps)


def least_of(modes: Sequence[Mode], run: str) -> float:
    """Return the most that some mode asks of a run by itself at the least [m³/s]; 0 where none asks."""
    return max((least_asked(mode.wants).get(run, 0.0) for mode in modes), default=0.0)
