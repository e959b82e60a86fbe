"""A system → every threaded port of its pumps and devices, with all ways from there to the pipe beside it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile

from optimizer.choices.for_sale import for_sale
from optimizer.hydraulics import Conditions, part_head_loss_m
from optimizer.hydraulics.water import fluid_of
from optimizer.joints.chains import EndGraph
from optimizer.joints.closing import lets_close
from optimizer.joints.labels import LossAtFlow
from optimizer.joints.ways import Way, WayFinder, why_no_way
from optimizer.model.catalog import PIPES, Catalog, Kind
from optimizer.model.ends import End
from optimizer.model.kinds import MACHINES
from optimizer.model.network import Network, Part, Run, Water
from optimizer.model.note import Note, note
from optimizer.model.plan import Plan
from optimizer.model.system import System

REEF_WATER = Water(salinity_g_kg=35.0, temperature_c=25.0)  # where no system file says it


@dataclass(frozen=True, slots=True)
class Port:
    """A threaded port, the pipe that it is to meet, and which way the water goes."""

    run: str
    words: str  # "device uv, inlet"
    end: End
    pipe: End
    inlet: bool

    @property
    def start(self) -> End:
        """Where the water comes from: the pipe at an inlet, the port at an outlet."""
        return self.pipe if self.inlet else self.end

    @property
    def goal(self) -> End:
        return self.end if self.inlet else self.pipe


@dataclass(frozen=True, slots=True)
class PortWays:
    """All ways at one port at its design flow [m³/s]; `why_none` says why there are none.

    Of a plan, `touched` says whether it changes what stands between the port and the pipe, `chosen` which way it takes;
    None: it stays, or none of these.
    """

    port: Port
    flow_m3_s: float | None
    ways: tuple[Way, ...]
    why_none: str = ""
    touched: bool = True
    chosen: Way | None = None


def loss_at(flow_m3_s: float, water: Water = REEF_WATER) -> LossAtFlow:
    """Return what gives the head that a piece takes [m] at a flow [m³/s] of a water."""
    conditions = Conditions(fluid_of(water), {})
    return lambda part: part_head_loss_m(part, flow_m3_s, conditions)


def threaded_ports(network: Network, catalog: Catalog) -> tuple[Port, ...]:
    """Return the threaded ports of all pumps and devices in the order of the runs, inlet before outlet."""
    found = []
    for run in network.runs.values():
        for index, part in enumerate(run.parts):
            if part.kind in (Kind.PUMP, Kind.DEVICE):
                for end, inlet in ((part.ends[0], True), (part.ends[-1], False)):
                    if end.form.is_thread:
                        words = f"{part.words}, {'inlet' if inlet else 'outlet'}"
                        found.append(Port(run.name, words, end, _pipe_beside(run, index, inlet, catalog), inlet))
    return tuple(found)


def ways_at_ports(
    system: System, catalog: Catalog, flows_m3_s: Mapping[str, float], plan: Plan | None = None
) -> tuple[PortWays, ...]:
    """Return the ways at every threaded port of a system, to the pipe beside it, or to what a plan joins it to.

    Parameters
    ----------
    system, catalog
        The plumbing with its rules, and what can be bought.
    flows_m3_s
        What flows in each run now [m³/s]; where a target asks for a least flow, that one is the design flow.
    plan
        What becomes of it; None: nothing.
    """
    catalog = for_sale(system, catalog)
    end_graph = EndGraph(catalog, system.rules.allow_unsafe_metals, hoses=True, refused=True)
    found = []
    for port in (_as_planned(port, plan) for port in threaded_ports(system.network, catalog)):
        flow_m3_s = _design_flow(system, port.run, flows_m3_s)
        loss = loss_at(flow_m3_s, system.network.water) if flow_m3_s is not None else None
        offered = WayFinder(end_graph, loss, flow_m3_s or 0.0).between(port.start, port.goal)
        why = "" if offered else why_no_way(port.start, port.goal, catalog)
        found.append(PortWays(port, flow_m3_s, offered, why))
    return tuple(found)


def ports_of_plan(found: Iterable[PortWays], stood: Network, plan: Plan) -> tuple[PortWays, ...]:
    """Return the ways at each port with what a plan makes of them."""
    return tuple(_of_plan(one, stood, plan) for one in found)


def unscrewed(plan: Plan) -> tuple[Note, ...]:
    """Return which machines a plan connects by threads alone, rigid pipe on both sides: that has to turn."""
    return tuple(
        note("unscrews", run=run_plan.run, part=part.words)
        for run_plan in plan.runs.values()
        for at, part in enumerate(run_plan.parts)
        if part.kind in MACHINES and _by_threads_alone(run_plan.parts, at)
    )


def _by_threads_alone(parts: Sequence[Part], at: int) -> bool:
    sides = [
        list(takewhile(lambda part: part.kind not in MACHINES, side)) for side in (parts[at + 1 :], parts[:at][::-1])
    ]
    threads = all(port.form.is_thread for port in (parts[at].ends[0], parts[at].ends[-1]))
    rigid = all(side and not any(lets_close(part) for part in side) for side in sides)
    return threads and rigid and any(not side[0].existing for side in sides)


def _of_plan(one: PortWays, stood: Network, plan: Plan) -> PortWays:
    planned = plan.runs.get(one.port.run)
    if planned is None:
        return replace(one, touched=False)
    before = _beside(stood.runs[one.port.run].parts, one.port)
    after = _beside(planned.parts, one.port)
    if before == after and all(part.existing for part in after):
        return replace(one, touched=False)
    fits = [way for way in one.ways if way.pieces and _leads(way, after, one.port.inlet)]
    return replace(one, chosen=max(fits, key=lambda way: len(way.pieces), default=None))


def _as_planned(port: Port, plan: Plan | None) -> Port:
    """Return a port that is to meet the part that new pieces of a plan lead to, where that comes before any pipe."""
    planned = plan.runs.get(port.run) if plan is not None else None
    after = () if planned is None else _beside(planned.parts, port)
    new = list(takewhile(lambda part: not part.existing, after))
    if not new or len(new) == len(after):
        return port
    return replace(port, pipe=after[len(new)].ends[-1 if port.inlet else 0])


def _beside(parts: Sequence[Part], port: Port) -> tuple[Part, ...]:
    """Return what stands between a port and the first pipe, from the port outwards, without what is not joined yet."""
    index = next(
        (i for i, part in enumerate(parts) if part.kind in MACHINES and port.words.startswith(f"{part.words},")), -1
    )
    if index < 0:
        return ()
    side = parts[:index][::-1] if port.inlet else parts[index + 1 :]
    return tuple(takewhile(lambda part: part.kind not in PIPES | MACHINES, side))


def _leads(way: Way, beside: Sequence[Part], inlet: bool) -> bool:
    """Return whether the pieces next to a port are those of a way."""
    pieces = way.pieces[::-1] if inlet else way.pieces
    own = [piece.item.item_id for piece in pieces if piece.item is not None]
    return own == [part.item.item_id for part in beside[: len(own)] if part.item is not None]


def _design_flow(system: System, run: str, flows_m3_s: Mapping[str, float]) -> float | None:
    wanted = [target.low_m3_s for target in system.targets if target.run == run and target.low_m3_s > 0]
    flow_m3_s = max(wanted, default=abs(flows_m3_s.get(run, 0.0)))
    return flow_m3_s or None


def _pipe_beside(run: Run, index: int, inlet: bool, catalog: Catalog) -> End:
    """Return the end of the pipe next to a port, on this side of any other pump or device; else the run's own pipe."""
    side = reversed(run.parts[:index]) if inlet else iter(run.parts[index + 1 :])
    part: Part
    for part in side:
        if part.kind in (Kind.PUMP, Kind.DEVICE):
            break
        if part.kind in PIPES and part.ends:
            return part.ends[-1 if inlet else 0]
    return catalog.pipe(run.family, run.size).ends[0]
