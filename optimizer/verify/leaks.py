"""Where water would come out: every joint by how much it would let out if it opened, times how likely it is to.

Likelihoods are relative to a new cemented joint: a thread 4, a union 3, a barb or a pushed or clamped end 2, cement 1,
and twice as much where both parts are old. Common practice, no source: an order, no forecast.

How much a joint that comes apart lets out: behind a pump it is what the sump gives down to the pump's intake, and once
the pump stops what runs back out of tanks and pipe; before a pump what stands above the intake. A ring or a gravity
line lets its tank run down to where the line begins, and with it goes what the pumps bring there, until they suck air.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

from optimizer.hydraulics import conditions_of, part_head_loss_m, solve_network
from optimizer.model.circuits import circuits, drawn_down, fed_surfaces, gravity_lines, has_pump, sumps
from optimizer.model.ends import Form
from optimizer.model.kinds import MOUTHS, PIPES, SEPARABLE, Kind
from optimizer.model.network import Mounting, Network, Part, PointKind, Run
from optimizer.model.note import Note, note
from optimizer.model.safety import LeakPlace
from optimizer.model.system import System
from optimizer.model.tanks import Tank
from optimizer.verify.allowance import volume_of
from optimizer.verify.drain_back import RESERVE, DrainBack, drain_back, inflow_m3_s, lifted_runs, tank_key
from optimizer.verify.drains import over_edge_m
from optimizer.verify.into_sumps import by_lines_m3, feeding_sumps
from optimizer.verify.remarks import house_runs

LIKELIHOOD = {"thread": 4.0, "union": 3.0, "barb": 2.0, "cement": 1.0}
OLD = 2.0  # times as likely
_AN_HOUR_S = 3600.0
Volume = tuple[float | None, tuple[Note, ...]]  # [m³]; None: not known for want of what the notes name


@dataclass(frozen=True)
class LetOut:
    """A plumbing with its valves set, and what flows in it [m³/s by run]."""

    system: System
    network: Network
    flows_m3_s: Mapping[str, float]

    @cached_property
    def _back(self) -> DrainBack:
        return drain_back(self.network, self.flows_m3_s, self.system.tanks, self.system.drains)

    def reserve(self, *points: str) -> Volume:
        """Return what sumps give through some points before their pumps suck air."""
        names = feeding_sumps(self.network, points, self.system.drains)
        reserve = volume_of(self.system, names, "reserve_m3")
        return reserve, () if reserve is not None else (RESERVE,)

    def _pumped(self, sources: Collection[str]) -> Volume:
        """Return what comes out of a line that draws from some tanks."""
        reserve, missing = self.reserve(*sources)
        names = feeding_sumps(self.network, sources, self.system.drains)
        if not fed_surfaces(self.network):
            return reserve, missing
        if reserve is None or self._back.untold:
            return None, (*missing, *self._back.untold)
        return reserve + by_lines_m3(self.network, self._back, self.system.drains, names), ()

    def behind_pump(self, run: Run) -> Volume:
        """Return what a joint behind the pump of a run lets out, or one of a line that the pump feeds."""
        line = next(circuit for circuit in circuits(self.network) if run.name in {each.name for each in circuit.runs})
        return self._by_tank.get(run.name) or self._pumped(line.sources)

    def before_pump(self, run: Run) -> Volume:
        """Return what a joint on the suction of a pump lets out."""
        start = run.start.point
        if run.name in self._by_tank:
            return self._by_tank[run.name]
        if has_pump(run) and start in fed_surfaces(self.network) and start not in sumps(self.network):
            return self._down_to_mouths(start, (run,))
        return self.reserve(start)

    def dry_runs(self) -> tuple[Run, ...]:
        """Return the runs with joints outside of the water: of pumps, and of gravity lines out of tanks that are fed.

        A ring whose pump stands in the water is taken to lie in its tank.
        """
        names = {run.name for run in lifted_runs(self.network)} | set(self._by_tank)
        return tuple(run for run in self.network.runs.values() if run.name in names)

    @cached_property
    def _by_tank(self) -> dict[str, Volume]:
        """What each run of a ring or a gravity line lets out of its tank, and what pumps draw down out of one."""
        found: dict[str, Volume] = {}
        fed, sunk = set(fed_surfaces(self.network)), set(sumps(self.network))
        for circuit in circuits(self.network):
            if not circuit.is_ring or any(is_sunk(self.network, run) for run in circuit.runs):
                continue
            (tank,) = circuit.ends
            out = self._pumped({tank}) if tank in sunk else self._down_to_mouths(tank, circuit.runs)
            found |= {run.name: out for run in circuit.runs}
        for tank, circuit in gravity_lines(self.network):
            if tank in fed:
                found |= {run.name: self._down_to_mouths(tank, circuit.runs) for run in circuit.runs}
        for tank in sorted(fed - sunk):
            drawn = drawn_down(self.network, tank)
            for circuit in circuits(self.network):
                if not {run.name for run in circuit.runs}.isdisjoint(drawn):
                    out = self._down_to_mouths(tank, [self.network.runs[name] for name in drawn])
                    found |= {run.name: out for run in circuit.runs}
        return found

    def _down_to_mouths(self, name: str, runs: Iterable[Run]) -> Volume:
        """Return what runs out of a tank down to where lines begin in it, and what comes in until the sump is empty."""
        tank = next((tank for tank in self.system.tanks if tank.name == name), Tank(name))
        depths, (reserve, missing) = dict(tank.mouths_m), self.reserve(name)
        here = [run.name for run in runs if name in (run.start.point, run.end.point)]
        missing = missing if name in fed_surfaces(self.network) else ()  # nothing comes in
        missing += tuple(
            note("key of tank", key=key, tank=name)
            for key, value in (("area", tank.area_m2), ("overflow edge", tank.overflow_edge_m))
            if value is None
        )
        missing += tuple(note("depth of a mouth", run=run, tank=name) for run in here if run not in depths)
        if missing or tank.area_m2 is None or tank.overflow_edge_m is None:
            return None, missing
        flow = inflow_m3_s(self.network, self.flows_m3_s, tank)
        stands = over_edge_m(self.network, self.system.drains, tank, flow)
        own = tank.area_m2 * (stands + max(depths[run] for run in here))
        above = sum(self._back.volumes_m3.get(tank_key(top), 0.0) for top in self._above(name))
        return own + above + (reserve or 0.0), ()

    def _above(self, name: str) -> set[str]:
        """Return the tanks whose water runs down into a tank, from tank to tank."""
        falls = [(top, ends) for top, circuit in gravity_lines(self.network) for ends in circuit.ends - {top}]
        falls += self.network.falls
        found = {name}
        while more := {top for top, to in falls if to in found} - found:
            found |= more
        return (found - {name}) & set(fed_surfaces(self.network))


def is_sunk(network: Network, run: Run) -> bool:
    """Return whether a run begins with a pump that stands in the water: its first joint lets nothing out."""
    first = run.parts[0]
    return first.kind is Kind.PUMP and network.pumps[first.name].mounting is Mounting.IN_WATER


def leak_places(system: System, network: Network, flows_m3_s: Mapping[str, float]) -> tuple[LeakPlace, ...]:
    """Return every joint of pumped lines, rings, gravity lines and drains, the worst first.

    Parameters
    ----------
    system
        Its tanks say how much the sump gives before the pump runs dry, and what runs off above.
    network, flows_m3_s
        The plumbing with its valves set, and what flows [m³/s by run].

    Notes
    -----
    How much a joint lets out is told by `let_out`; one in a drain what the sump gives, for the pump goes on. What no
    file states is None.
    """
    out = LetOut(system, network, flows_m3_s)
    found: list[LeakPlace] = []
    heads_m = solve_network(network).heads_m
    for run in out.dry_runs():
        pump = next((i for i, part in enumerate(run.parts) if part.kind is Kind.PUMP), -1)
        pressures = _pressures_m(network, run, flows_m3_s, heads_m)
        for i, joint in _joints(run.parts):
            if is_sunk(network, run) and i == 0:
                continue  # under water: what comes out of it stays in the sump
            water_m3, _ = out.behind_pump(run) if i >= pump else out.before_pump(run)
            found.append(_place(run.name, run.parts, i, joint, water_m3, pressures[i]))
    for run in house_runs(network, flows_m3_s):
        pressures, water_m3 = _pressures_m(network, run, flows_m3_s, heads_m), _AN_HOUR_S * flows_m3_s[run.name]
        for i, joint in _joints(run.parts):
            found.append(_place(run.name, run.parts, i, joint, water_m3, pressures[i]))
    for drain in system.drains:
        for i, joint in _joints(drain.parts):
            found.append(_place(drain.name, drain.parts, i, joint, out.reserve(drain.tank)[0], 0.0))
    return tuple(sorted(found, key=_rank))


def _rank(place: LeakPlace) -> tuple[float, float]:
    """Return what sorts the worst first: litres times likelihood, then pressure."""
    water = 1.0 if place.water_m3 is None else place.water_m3
    return -round(1e6 * water * place.likelihood), -place.pressure_m


def _joints(parts: tuple[Part, ...]) -> Iterator[tuple[int, str]]:
    """Yield (index of the part before it, how it is made) of every joint, the nut of a union as one of its own.

    What is still open holds no water; what comes out beside a part that opens into a tank stays in the tank.
    """
    for i, part in enumerate(parts):
        if part.kind in SEPARABLE and part.kind not in PIPES and part.item is not None:
            yield i, "union"
        if i + 1 == len(parts) or Kind.OPEN_JOINT in (part.kind, parts[i + 1].kind):
            continue
        if not {part.kind, parts[i + 1].kind} & MOUTHS:
            yield i, _method(part, parts[i + 1])


def _method(before: Part, after: Part) -> str:
    forms = {part.ends[at].form for part, at in ((before, -1), (after, 0)) if part.ends}
    if any(form.is_thread for form in forms):
        return "thread"
    if forms & {Form.BARB, Form.HOSE, Form.COMPRESSION, Form.PUSH_FIT, Form.TUBE}:
        return "barb"
    return "cement"


def _place(
    name: str, parts: tuple[Part, ...], behind: int, method: str, water_m3: float | None, pressure_m: float
) -> LeakPlace:
    pair = parts[behind : behind + 2]
    old = all(part.existing for part in pair)
    if method == "union":
        old = pair[0].existing
        words = pair[0].words
    else:
        words = " to ".join(part.words for part in pair)
    likelihood = LIKELIHOOD[method] * (OLD if old else 1.0)
    return LeakPlace(name, words, method, water_m3, likelihood, pressure_m, old, behind)


def _pressures_m(
    network: Network, run: Run, flows_m3_s: Mapping[str, float], heads_m: Mapping[str, float]
) -> list[float]:
    """Return the head behind each part above the run's lowest end [m], from its end backwards."""
    conditions = conditions_of(network)
    surfaces = [point for point in network.points.values() if point.kind is PointKind.SURFACE]
    low = min((point.elevation_m for point in surfaces if point.elevation_m is not None), default=0.0)
    head = heads_m.get(run.end.point, network.points[run.end.point].head_m or 0.0)
    found = [0.0] * len(run.parts)
    for i in range(len(run.parts) - 1, -1, -1):
        found[i] = max(0.0, head - low)
        if run.parts[i].kind is Kind.PUMP:
            return [0.0] * i + found[i:]
        head += part_head_loss_m(run.parts[i], flows_m3_s.get(run.name, 0.0), conditions)
    return found
