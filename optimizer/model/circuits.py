"""A plumbing → the groups of runs that hang together, and which tanks of it are fed, drawn from, or merely stirred.

Water surfaces, outlets and supplies part the runs into circuits. A circuit whose pumps draw from one tank and give all
back to it, a ring or a wave pump, moves no water between tanks. One without a pump and without a supply is a gravity
line.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TypeVar

from optimizer.errors import NetworkError
from optimizer.model.kinds import Kind
from optimizer.model.network import Network, PointKind, Run

_Found = TypeVar("_Found")

_LEVEL_M = 0.5e-3  # tanks whose stated heights differ by less stand level


@dataclass(frozen=True)
class Circuit:
    """Runs in file order that hang together through tees; the points at its ends; the surfaces its pumps draw from."""

    runs: tuple[Run, ...]
    ends: frozenset[str]
    sources: frozenset[str]
    pumped: bool

    @property
    def is_ring(self) -> bool:
        """Return whether all that it moves stays in one tank."""
        return self.pumped and self.ends == self.sources and len(self.ends) == 1


def circuits(network: Network) -> tuple[Circuit, ...]:
    """Return the circuits of all runs with something plumbed in them, in the order of their first runs."""
    return once(network, "circuits", _find_circuits)


def once(network: Network, name: str, find: Callable[[Network], _Found]) -> _Found:
    """Return what is found in a plumbing, looked for once: it is frozen, and searches ask thousands of times."""
    kept: dict[str, _Found] = network.__dict__.setdefault("_kept", {})
    if name not in kept:
        kept[name] = find(network)
    return kept[name]


def _find_circuits(network: Network) -> tuple[Circuit, ...]:
    plumbed = replace(network, runs={name: run for name, run in network.runs.items() if run.is_plumbed})
    return tuple(_circuit(network, [network.runs[name] for name in part]) for part in plumbed.parts())


def _circuit(network: Network, runs: list[Run]) -> Circuit:
    ends = {point for run in runs for point in (run.start.point, run.end.point) if network.points[point].is_fixed}
    drawn = {run.start.point for run in runs if has_pump(run)}
    pumped, grown = bool(drawn), True
    while grown:  # through tees to the surfaces that feed them
        tees = {point for point in drawn if not network.points[point].is_fixed}
        more = {run.start.point for run in runs if run.end.point in tees}
        grown = not more <= drawn
        drawn |= more
    sources = {name for name in drawn & ends if network.points[name].kind is PointKind.SURFACE}
    return Circuit(tuple(runs), frozenset(ends), frozenset(sources), pumped)


class Feed(StrEnum):
    """What moves the water of a run, and so what has to be stopped before it is opened."""

    HOUSE = "house water"
    PUMP = "pump"
    TANK = "tank above"


def feed_of(network: Network, run: str) -> Feed:
    """Return what moves the water of a run: house water where any reaches it, else a pump, else a tank above."""
    for part in network.parts():
        if run in part:
            circuit = _circuit(network, [network.runs[name] for name in part])
            if any(network.points[name].kind is PointKind.SUPPLY for name in circuit.ends):
                return Feed.HOUSE
            return Feed.PUMP if circuit.pumped else Feed.TANK
    raise NetworkError(f"there is no run {run!r}")


def has_pump(run: Run) -> bool:
    return any(part.kind is Kind.PUMP for part in run.parts)


def ring_runs(network: Network) -> frozenset[str]:
    """Return the runs of circuits that stir one tank."""
    return frozenset(run.name for circuit in circuits(network) if circuit.is_ring for run in circuit.runs)


def gravity_lines(network: Network) -> Iterator[tuple[str, Circuit]]:
    """Yield (tank that it runs out of, circuit) of every gravity line: the highest of the surfaces at its ends."""
    for circuit in circuits(network):
        points = [network.points[name] for name in network.points if name in circuit.ends]
        if circuit.pumped or len(points) < 2 or any(point.kind is PointKind.SUPPLY for point in points):
            continue
        top = max(points, key=lambda point: point.head_m or 0.0)
        if top.kind is PointKind.SURFACE and any((point.head_m or 0.0) < (top.head_m or 0.0) for point in points):
            yield top.name, circuit


def falling_lines(network: Network) -> Iterator[tuple[str, Circuit]]:
    """Yield the gravity lines, and circuits whose pumps are all off: water runs down through those that it can."""
    still = {name for name, pump in network.pumps.items() if pump.speed <= 0.0}
    runs = {
        run.name: replace(run, parts=tuple(part for part in run.parts if part.kind is not Kind.PUMP))
        if all(part.name in still for part in run.parts if part.kind is Kind.PUMP)
        else run
        for run in network.runs.values()
    }
    return gravity_lines(replace(network, runs=runs) if still else network)


def short_lines(network: Network) -> dict[str, int]:
    """Return the runs that water falls through out of fed tanks, and which way: they carry what comes, at the most.

    1 where it falls along the run, -1 against it, 0 where that is not told (in lines that part).
    """
    return once(network, "short lines", _find_short)


def _find_short(network: Network) -> dict[str, int]:
    """Return the runs of gravity lines, and of those whose pumps are off, that run out of fed tanks."""
    if not network.tanks_balance:
        return {}
    fed, found = set(fed_surfaces(network)), dict[str, int]()
    for top, circuit in falling_lines(network):
        if top in fed:
            way = 0 if len(circuit.runs) > 1 else 1 if circuit.runs[0].start.point == top else -1
            found |= {run.name: way for run in circuit.runs}
    return found


def feeders(network: Network, runs: Collection[str]) -> frozenset[str]:
    """Return these runs with those that bring the water of tanks which they run out of, from tank to tank."""
    found = frozenset(runs)
    tops = [(top, {run.name for run in circuit.runs}) for top, circuit in gravity_lines(network)]
    while True:
        above = {top for top, names in tops if names & found} & set(fed_surfaces(network))
        more = found.union(*(inflow_coefficients(network, top) for top in sorted(above)))
        if more == found:
            return found
        found = more


def fed_surfaces(network: Network) -> tuple[str, ...]:
    """Return the surfaces that water is brought to by pumps, from another tank, or from such a tank by its weight.

    In file order. A tank that a pump draws from counts where another circuit feeds it; a ring in a tank counts nothing.
    """
    return once(network, "fed", _find_fed)


def _find_fed(network: Network) -> tuple[str, ...]:
    lifting = [circuit for circuit in circuits(network) if circuit.pumped and not circuit.is_ring]
    sources = frozenset[str]().union(*(circuit.sources for circuit in lifting))
    surfaces = [point.name for point in network.points.values() if point.kind is PointKind.SURFACE]
    fed = {
        name
        for name in surfaces
        if any(name in _reached(network, circuit) and name not in circuit.sources for circuit in lifting)
    }
    lowest = {name for name in sources if not _fed_by_others(network, name, lifting)}
    fed -= lowest
    falls = _running_down(network)
    while more := {name for top, ends in falls if top in fed for name in ends & set(surfaces)} - fed - lowest:
        fed |= more
    return tuple(name for name in surfaces if name in fed)


def _running_down(network: Network) -> list[tuple[str, frozenset[str]]]:
    """Return from which points water runs down by its weight to which: by gravity lines, drains and outlets."""
    lines = [(top, circuit.ends) for top, circuit in gravity_lines(network)]
    return [*lines, *((top, frozenset({to})) for top, to in network.falls)]


def _reached(network: Network, circuit: Circuit) -> frozenset[str]:
    """Return the points at a circuit's ends, and the tanks that its outlets fall into."""
    return circuit.ends | {to for top, to in network.falls if top in circuit.ends and _is_outlet(network, top)}


def _is_outlet(network: Network, point: str) -> bool:
    return network.points[point].kind is PointKind.OUTLET


def _fed_by_others(network: Network, name: str, lifting: list[Circuit]) -> bool:
    """Return whether a tank that a pump draws from is fed by a circuit that does not, and that does not draw from it.

    Of two tanks that pump into each other, be it by way of others above, the higher one is fed, the lower one stays the
    sump; level, both stay sumps. What is lifted from below into a tank that runs down into it feeds it as well,
    where its own pumps lift nothing.
    """
    height = {point.name: point.head_m or 0.0 for point in network.points.values() if point.is_fixed}
    others = [(_reached(network, circuit), circuit.sources) for circuit in lifting if name not in circuit.sources]
    feeding = [sources for reached, sources in others if name in reached]
    from_below = [sources for _, sources in others if all(height[source] < height[name] for source in sources)]
    if any(sources in from_below for sources in feeding):
        return True
    back = _lifted_to(network, name, lifting, height)
    if any(not sources & back for sources in feeding):
        return True
    above = _running_down_to(network, name) if not back else set()
    return any(reached & above and sources in from_below for reached, sources in others)


def _running_down_to(network: Network, name: str) -> set[str]:
    """Return the points whose water runs down to a tank by its weight, from tank to tank."""
    falls = _running_down(network)
    found = {name}
    while more := {top for top, ends in falls if ends & found} - found:
        found |= more
    return found - {name}


def _lifted_to(network: Network, name: str, lifting: list[Circuit], height: Mapping[str, float]) -> frozenset[str]:
    """Return the points to which water of a tank is pumped, and on from there as long as that is no lower than it."""
    falls = _running_down(network)
    found, ahead = frozenset[str](), [name]
    while ahead:
        here = ahead.pop()
        ends = [circuit.ends - circuit.sources for circuit in lifting if here in circuit.sources]
        ends += [ends for top, ends in falls if top == here]
        more = {end for end in frozenset[str]().union(*ends) if height[end] >= height[name]} - found - {name}
        found |= more
        ahead += sorted(more)
    return found


def standing_runs(network: Network, speeds: Mapping[str, float]) -> frozenset[str]:
    """Return the runs in which nothing moves the water with pumps at these speeds: those that theirs are all off.

    Lines that tanks run out through stand where nothing else feeds those. `speeds` are shares of full rpm; a pump that
    is not named runs as it does.
    """
    still = {name for name, pump in network.pumps.items() if speeds.get(name, pump.speed) <= 0.0}
    found = set[str]()
    for circuit in circuits(network) if still else ():
        supplied = any(network.points[name].kind is PointKind.SUPPLY for name in circuit.ends)
        pumps = {part.name for run in circuit.runs for part in run.parts if part.kind is Kind.PUMP}
        if pumps and pumps <= still and not supplied:
            found |= {run.name for run in circuit.runs}
    fed = set(fed_surfaces(network))
    falling = [(top, {run.name for run in circuit.runs}) for top, circuit in gravity_lines(network) if top in fed]
    while True:
        more = {name for top, runs in falling if _brought(network, top) <= found for name in runs} - found
        if not more:
            return frozenset(found)
        found |= more


def _brought(network: Network, tank: str) -> set[str]:
    return {name for name, count in inflow_coefficients(network, tank).items() if count > 0.0}


def sumps(network: Network) -> tuple[str, ...]:
    """Return the surfaces that pumps draw from and that nothing but drains brings water to, in file order of runs."""
    fed = set(fed_surfaces(network))
    lifting = [circuit for circuit in circuits(network) if circuit.pumped and not circuit.is_ring]
    names = [run.start.point for circuit in lifting for run in circuit.runs if run.start.point in circuit.sources]
    return tuple(dict.fromkeys(name for name in names if name not in fed))


def inflow_coefficients(network: Network, name: str, fed_by: Collection[str] = ()) -> dict[str, float]:
    """Return what each run counts in the flow into a tank: 1 into it, -1 out of it; others are left out.

    Outlets count where they are named or fall into the tank, and where it is the only tank that is fed; drains of other
    tanks that end in this one bring what those get.
    """
    return _coefficients(network, name, frozenset(fed_by), frozenset({name}))


def _coefficients(network: Network, name: str, fed_by: frozenset[str], seen: frozenset[str]) -> dict[str, float]:
    outlets = {point.name for point in network.points.values() if point.kind is PointKind.OUTLET}
    above = fed_by | {top for top, to in network.falls if to == name and top in outlets}
    if not above and outlets and len(fed_surfaces(network)) == 1:
        above = frozenset(outlets)
    found: dict[str, float] = {}
    for run in network.runs.values():
        into = run.end.point == name or run.end.point in above
        out = run.start.point == name
        if into != out:
            found[run.name] = 1.0 if into else -1.0
    for top in dict.fromkeys(top for top, to in network.falls if to == name and top not in outlets | seen):
        for run_name, count in _coefficients(network, top, frozenset(), seen | {top}).items():
            found[run_name] = found.get(run_name, 0.0) + count
    return {run_name: count for run_name, count in found.items() if count}


def mouths_of(network: Network, tank: str) -> tuple[str, ...]:
    """Return the runs through which a tank empties by its weight while pumps run, down to their mouths."""
    lines = [run for circuit in emptying(network, tank) for run in circuit.runs]
    return tuple(run.name for run in lines if tank in (run.start.point, run.end.point))


def emptying(network: Network, tank: str) -> tuple[Circuit, ...]:
    """Return the gravity lines that lead lower than a tank; of one between three tanks the middle one empties too."""
    height = {name: point.head_m or 0.0 for name, point in network.points.items() if point.is_fixed}
    lines = (circuit for _, circuit in gravity_lines(network) if tank in circuit.ends)
    return tuple(circuit for circuit in lines if any(height[end] < height[tank] for end in circuit.ends))


def returns_to(network: Network, tank: str) -> tuple[tuple[str, ...], ...]:
    """Return the runs that lines of pumps end with in the water of a tank, line by line: it may siphon back by them."""
    lifting = (circuit for circuit in circuits(network) if circuit.pumped and not circuit.is_ring)
    ends = (tuple(run.name for run in circuit.runs if run.end.point == tank) for circuit in lifting)
    return tuple(runs for runs in ends if runs)


def level_with(network: Network, tank: str) -> tuple[str, ...]:
    """Return the surfaces that pipe without a pump joins to a tank at its height, from one to the next."""
    bridges = [circuit.ends for circuit in circuits(network) if not circuit.pumped]
    found, ahead = {tank: None}, [tank]
    while ahead:
        here = network.points[ahead.pop()]
        for end in sorted(frozenset[str]().union(*(ends for ends in bridges if here.name in ends)) - found.keys()):
            point = network.points[end]
            if point.kind is PointKind.SURFACE and abs((point.head_m or 0.0) - (here.head_m or 0.0)) < _LEVEL_M:
                found[end] = None
                ahead.append(end)
    return tuple(name for name in found if name != tank)


def drained_as(network: Network, tank: str) -> str:
    """Return the tank whose water the drains of one take: itself where it is fed, else a fed one level with it."""
    fed = fed_surfaces(network)
    return tank if tank in fed else next((name for name in level_with(network, tank) if name in fed), tank)


def mouths_when_off(network: Network, tank: str) -> tuple[str, ...]:
    """Return the runs through which a tank empties when the pumps stop, down to their mouths.

    Besides its gravity lines those through which pumps draw from it that send some of it to where it is lower: a pump
    that stands still holds nothing back.
    """
    return tuple(dict.fromkeys((*mouths_of(network, tank), *drawn_down(network, tank))))


def drawn_down(network: Network, tank: str) -> tuple[str, ...]:
    """Return the runs through which pumps draw water from a tank that can run on to a lower place by itself."""
    height = {name: point.head_m or 0.0 for name, point in network.points.items() if point.is_fixed}
    drawing = [circuit for circuit in circuits(network) if tank in circuit.sources and not circuit.is_ring]
    down = [circuit for circuit in drawing if any(height[end] < height[tank] for end in circuit.ends)]
    return tuple(run.name for circuit in down for run in circuit.runs if run.start.point == tank)


def openings_of(network: Network, tank: str) -> tuple[str, ...]:
    """Return the runs that open into a tank's water: it runs out through them where pumps stop, or a joint opens."""
    return tuple(
        run.name for circuit in circuits(network) for run in circuit.runs if tank in (run.start.point, run.end.point)
    )


def tees_of(network: Network, tank: str) -> tuple[str, ...]:
    """Return where the lines that open into a tank meet each other and others."""
    lines = [run for circuit in circuits(network) if tank in circuit.ends for run in circuit.runs]
    ends = dict.fromkeys(end.point for run in lines for end in (run.start, run.end))
    return tuple(name for name in ends if not network.points[name].is_fixed)
