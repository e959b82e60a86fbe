"""The plumbing as it stands: points, runs of parts, pumps, devices. All SI; elevations from the sump's water line."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property
from typing import TYPE_CHECKING

from optimizer.errors import NetworkError
from optimizer.model.catalog import CatalogItem, Kind
from optimizer.model.dial import Dial
from optimizer.model.ends import End

if TYPE_CHECKING:
    import networkx as nx


class PointKind(StrEnum):
    SURFACE = "surface"  # free water surface: sump, display
    OUTLET = "outlet"  # opens above the water at its own height
    SUPPLY = "supply"  # house water at a pressure
    TEE = "tee"  # three runs meet
    CROSS = "cross"  # four runs meet


FIXED = frozenset({PointKind.SURFACE, PointKind.OUTLET, PointKind.SUPPLY})


@dataclass(frozen=True, slots=True)
class Point:
    """A place where runs begin, end or meet. `head_m` (elevation + pressure head) is set for fixed points only."""

    name: str
    kind: PointKind
    head_m: float | None = None
    elevation_m: float | None = None

    @property
    def is_fixed(self) -> bool:
        return self.kind in FIXED

    @property
    def is_open(self) -> bool:
        """Return whether a run opens here into a free surface or the air: house water comes out of a pipe."""
        return self.kind in (PointKind.SURFACE, PointKind.OUTLET)


class Leg(StrEnum):
    """Which opening of a tee a run's end sits in."""

    RUN_1 = "run 1"
    RUN_2 = "run 2"
    BRANCH = "branch"
    BRANCH_2 = "branch 2"  # cross only
    NONE = ""  # the point is not a tee


LEGS = (Leg.RUN_1, Leg.RUN_2, Leg.BRANCH, Leg.BRANCH_2)  # in the order of the ends of a catalog row


@dataclass(frozen=True, slots=True)
class RunEnd:
    point: str
    leg: Leg = Leg.NONE


class Condition(StrEnum):
    KEEP = "keep"
    MAY_CHANGE = "may change"
    MUST_GO = "must go"


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a run, as it stands or as planned.

    `item` is None for a pump, a device or an open joint. For those, `ends` are the ports. For all others `ends` and
    `end_bores_m` are in the order of the run, which may be the reverse of the catalog row's: then `reverse` is True.
    """

    kind: Kind
    ends: tuple[End, ...]
    end_bores_m: tuple[float, ...]
    item: CatalogItem | None = None
    reverse: bool = False
    length_m: float = 0.0  # pipe, hose, tube
    name: str = ""  # of the pump or device
    opening: float = 1.0  # valves: 0 shut ... 1 open
    least_flow_m3_s: float = 0.0  # check valves: below, the flap is not lifted in full
    stays_open: bool = False  # valves: for service only, never to be throttled
    couples: bool = False  # a new coupling between two lengths of what is one pipe, as no length is long enough
    condition: Condition = Condition.MAY_CHANGE
    room_m: float | None = None  # how much room there is for a longer part, if stated
    place: str = ""  # file:line:col
    existing: bool = True
    label: str = ""  # how the owner wrote it
    stub: str = ""  # a tee with one leg shut: the closed stub that hangs there

    @property
    def words(self) -> str:
        """Return the part in trade words."""
        if self.item is not None:
            return self.item.description
        return f"{self.kind} {self.name}".strip()


@dataclass(frozen=True, slots=True)
class Run:
    """Parts in a row between two points, in the direction in which the water is meant to flow."""

    name: str
    start: RunEnd
    end: RunEnd
    size: str  # nominal size that the run is written in
    family: str
    parts: tuple[Part, ...]
    place: str = ""
    feeds_pump: bool = False  # leads to a pump of another run: suction, see `model.throttling`

    @property
    def is_plumbed(self) -> bool:
        """Return whether anything stands there yet: a run of open joints alone carries no water."""
        return any(part.kind is not Kind.OPEN_JOINT for part in self.parts)


class Mounting(StrEnum):
    """Where a pump's maker lets it stand."""

    IN_WATER = "in water"  # only submerged in the sump
    DRY = "dry"  # only outside, in a line
    EITHER = "either"


@dataclass(frozen=True, slots=True)
class Pump:
    """A pump curve at full speed: head [m] falls as flow [m³/s] rises. `speed` is the fraction of full rpm now.

    `dial` says what the percent on its dial mean, None where nobody said (then they count as rpm); `head_factor` is
    what wear has left of the curve's head. What does not say where it may stand counts as made for the sump's water.
    """

    name: str
    curve: tuple[tuple[float, float], ...]  # (flow_m3_s, head_m), flow ascending, head falling
    speed: float
    ports: tuple[End, End]
    speeds: tuple[float, ...] = ()  # other settings that the owner can dial, ascending; empty: fixed
    power_w: float | None = None  # at full speed and the best point
    place: str = ""
    dial: Dial | None = None
    head_factor: float = 1.0
    mounting: Mounting = Mounting.IN_WATER
    dial_found: bool = False  # nobody said what the dial means: readings gave it
    stated_m3_s: float | None = None  # where the maker's curve ends and the owner's goes on; None: all is the maker's


@dataclass(frozen=True, slots=True)
class Device:
    """A device in a run: its loss as points (flow_m3_s, head_loss_m); one point means a square law through it."""

    name: str
    curve: tuple[tuple[float, float], ...]
    ports: tuple[End, End]
    place: str = ""
    volume_m3: float | None = None  # of the water in it that runs off when the pump stops


@dataclass(frozen=True, slots=True)
class Tee:
    """The fitting at a tee or cross point. `item` as it stands, None when it is not connected yet."""

    point: str
    item: CatalogItem | None
    condition: Condition = Condition.MAY_CHANGE
    existing: bool = True
    place: str = ""


@dataclass(frozen=True, slots=True)
class Water:
    salinity_g_kg: float
    temperature_c: float


@dataclass(frozen=True)
class Network:
    """Points, runs, tees, pumps and devices, keyed by name; run order is the file's.

    `loss_factor` multiplies every loss and `height_shift_m` is in the heads already, both as measurement gave them;
    `extra_roughness_m` is growth on every pipe wall, also on that of new pipe: it grows over as the old one did. Of the
    runs in `standing` nobody asks anything: their valves stay where they are.
    """

    points: Mapping[str, Point]
    runs: Mapping[str, Run]
    tees: Mapping[str, Tee]
    pumps: Mapping[str, Pump]
    devices: Mapping[str, Device]
    water: Water
    loss_factor: float = 1.0
    extra_roughness_m: float = 0.0
    height_shift_m: float = 0.0
    tanks_balance: bool = False  # fed surfaces give no more than they get; else their levels hold whatever flows
    falls: tuple[tuple[str, str], ...] = ()  # (tank with a drain, or outlet; tank that its water falls into)
    standing: frozenset[str] = frozenset()

    def graph(self) -> nx.MultiDiGraph[str]:
        """Return the plumbing as a networkx graph: nodes are points, edges runs, keyed by run name."""
        import networkx as nx

        graph: nx.MultiDiGraph[str] = nx.MultiDiGraph()
        graph.add_nodes_from(self.points)
        for run in self.runs.values():
            graph.add_edge(run.start.point, run.end.point, key=run.name)
        return graph

    def run(self, name: str) -> Run:
        if name not in self.runs:
            raise NetworkError(f"there is no run {name!r}; the runs are {', '.join(self.runs)}")
        return self.runs[name]

    def with_runs(self, runs: Mapping[str, Run]) -> Network:
        """Return the same network with these runs in place of their namesakes."""
        return replace(self, runs={name: runs.get(name, run) for name, run in self.runs.items()})

    def runs_at(self, point: str) -> tuple[tuple[Run, Leg, bool], ...]:
        """Return (run, leg, at_start) of every run end that sits at a point, in file order."""
        return self._run_ends.get(point, ())

    @cached_property
    def _run_ends(self) -> dict[str, tuple[tuple[Run, Leg, bool], ...]]:
        found: dict[str, list[tuple[Run, Leg, bool]]] = {}
        for run in self.runs.values():
            found.setdefault(run.start.point, []).append((run, run.start.leg, True))
            found.setdefault(run.end.point, []).append((run, run.end.leg, False))
        return {point: tuple(ends) for point, ends in found.items()}

    def falls_among(self, points: Container[str]) -> tuple[tuple[str, str], ...]:
        """Return what falls from one of some points into another of them."""
        return tuple((top, to) for top, to in self.falls if top in points and to in points)

    def parts(self) -> tuple[tuple[str, ...], ...]:
        """Return the runs that tees connect with each other, part by part; fixed points part them."""
        points: dict[str, set[str]] = {}  # tee -> all tees that its part is known to reach, one set for all of them
        for run in self.runs.values():
            ends = [end.point for end in (run.start, run.end) if not self.points[end.point].is_fixed]
            joined = set(ends).union(*(points.get(point, set()) for point in ends))
            points.update(dict.fromkeys(joined, joined))
        found: dict[object, list[str]] = {}
        for run in self.runs.values():
            ends = [end.point for end in (run.start, run.end) if not self.points[end.point].is_fixed]
            found.setdefault(min(points[ends[0]]) if ends else (run.name,), []).append(run.name)
        return tuple(tuple(names) for names in found.values())

    def has_work(self, part: Iterable[str]) -> bool:
        """Return whether there is something to do in these runs, whatever flows: an open joint, what must go."""
        runs = [self.runs[name] for name in part]
        tees = [self.tees[end.point] for run in runs for end in (run.start, run.end) if end.point in self.tees]
        return any(tee.item is None or tee.condition is Condition.MUST_GO for tee in tees) or any(
            each.kind is Kind.OPEN_JOINT or each.condition is Condition.MUST_GO for run in runs for each in run.parts
        )
