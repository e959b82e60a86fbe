"""Lines with a flow meter, or that want one → which meter reads their flows, what it loses, where it goes, with what.

What a meter reads is told by the catalogs; what flows, and between which flows a line is in order, by the card.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from optimizer.choices.for_sale import for_sale
from optimizer.errors import Fault, InputError
from optimizer.joints.chains import EndGraph, new_part
from optimizer.joints.ways import Way, WayFinder
from optimizer.model.catalog import JOINERS, PIPES, Catalog, CatalogItem, Kind
from optimizer.model.ends import End
from optimizer.model.meters import MeterData
from optimizer.model.network import Part, Run
from optimizer.model.note import Note, note
from optimizer.model.system import System
from optimizer.takeoff.ports import loss_at
from optimizer.verify.card import SettingsCard, metered_runs
from optimizer.verify.limits import NOTHING_M3_S, MeterLimits

STRAIGHT = PIPES | JOINERS | {Kind.UNION, Kind.OPEN_JOINT}  # what does not turn or throttle the water
SPARED_M = 1.5  # of head for a meter, not more where another takes less: common practice, no source


@dataclass(frozen=True, slots=True)
class Expected:
    """What flows in a line in one mode [m³/s], and its limits on the card; None where it has none."""

    mode: str
    flow_m3_s: float
    low_m3_s: float | None = None
    high_m3_s: float | None = None


@dataclass(frozen=True, slots=True)
class Straight:
    """Straight pipe for a meter: `before_m` and `after_m` are what it needs, `there_m` what there is on both sides.

    `where` is the part behind which the straight stretch begins. A meter that stands has both sides told apart.
    """

    before_m: float
    after_m: float
    there_m: tuple[float, float]
    where: str
    stands: bool = False

    @property
    def enough(self) -> bool:
        """Whether there is as much: on both sides of a meter that stands, else in all."""
        if self.stands:
            return self.there_m[0] >= self.before_m and self.there_m[1] >= self.after_m
        return sum(self.there_m) >= self.before_m + self.after_m


@dataclass(frozen=True, slots=True)
class MeterChoice:
    """One meter for a line: what it reads, what it loses at the largest flow [m], the ways onto its two ends.

    Of one that stands they lead to its neighbours; None where there is none, or no way.
    `slow` and `fast` name the modes whose flow is below and above its range. `price_cents` counts its adapters.
    """

    item: CatalogItem
    meter: MeterData
    slow: tuple[str, ...]
    fast: tuple[str, ...]
    loss_m: float
    ways: tuple[Way | None, Way | None]
    straight: Straight

    @property
    def reads(self) -> bool:
        """Whether it reads the line in every mode in which something flows, and stands there or can be put in."""
        return not self.slow and not self.fast and (self.straight.stands or None not in self.ways)

    @property
    def price_cents(self) -> int:
        return self.item.price_cents + sum(way.price_cents for way in self.ways if way is not None)

    @property
    def washers(self) -> int:
        """How many flat washers its two ends take."""
        joints = [joint for way in self.ways if way is not None for joint in way.joints]
        return sum(joint.method == "washer" for joint in joints)


@dataclass(frozen=True, slots=True)
class MeteredLine:
    """A line with all meters that might go in: those that read it in every mode first, of those the ones that take
    little head, the cheapest first.

    `standing` is the meter that is there, if one is; `note` says why nothing is known of its flows.
    """

    run: str
    expected: tuple[Expected, ...]
    standing: MeterChoice | None
    choices: tuple[MeterChoice, ...]
    note: Note | None = None


def metered_lines(
    system: System, catalog: Catalog, card: SettingsCard, wanted: Sequence[str] = ()
) -> tuple[MeteredLine, ...]:
    """Return every line with a meter, and those that want one, in the order of the file.

    Parameters
    ----------
    system, catalog
        The plumbing, and what can be bought.
    card
        Its settings card as it stands, which has flows and limits by mode.
    wanted
        Names of runs that want a meter; none: where no line has one either, those of the card.

    Raises
    ------
    InputError
        When a wanted run is none of the file's.
    """
    runs = system.network.runs
    unknown = [name for name in wanted if name not in runs]
    if unknown:
        raise InputError([Fault("--run", repr(name), "a run of the file: " + ", ".join(runs)) for name in unknown])
    own = [run.name for run in runs.values() if _meter_at(run) is not None]
    asked = {*own, *wanted} or set(metered_runs(system.network, system.targets))
    finder = _Finder(system, for_sale(system, catalog), catalog)
    return tuple(_line(run, card, finder) for run in runs.values() if run.name in asked)


def _meter_at(run: Run) -> int | None:
    return next((i for i, part in enumerate(run.parts) if part.kind is Kind.FLOW_METER), None)


@dataclass
class _Finder:
    system: System
    sold: Catalog
    known: Catalog

    def __post_init__(self) -> None:
        graph = EndGraph(self.sold, self.system.rules.allow_unsafe_metals)
        self._ways = WayFinder(graph, None, 0.0)

    def way(self, start: End, goal: End) -> Way | None:
        """Return the cheapest allowed way between two ends."""
        found = [way for way in self._ways.between(start, goal) if way.allowed and not way.chokes]
        return min(found, key=lambda way: (way.price_cents, way.leak_points), default=None)

    def meters(self) -> Iterable[tuple[CatalogItem, MeterData]]:
        """Yield the meters that may stand in this water."""
        for item in self.sold.of_kind(Kind.FLOW_METER):
            if (item.reef_safe or self.system.rules.allow_unsafe_metals) and item.item_id in self.known.meters:
                yield item, self.known.meters[item.item_id]


def _line(run: Run, card: SettingsCard, finder: _Finder) -> MeteredLine:
    expected, why = _expected(run.name, card)
    flowing = [one for one in expected if one.flow_m3_s > NOTHING_M3_S]
    at = _meter_at(run)
    standing = None
    if at is not None:
        item = run.parts[at].item
        meter = finder.known.meters.get(item.item_id) if item is not None else None
        if item is not None and meter is not None:
            standing = _choice(run, item, meter, flowing, finder, at)
    pipe = _longest_pipe(run)
    choices = [_choice(run, item, meter, flowing, finder, None) for item, meter in finder.meters()] if pipe else []
    choices.sort(key=_first_choice)
    return MeteredLine(run.name, expected, standing, tuple(choices), why)


def _first_choice(one: MeterChoice) -> tuple[bool, bool, bool, int, str]:
    """Return the order of choices: what reads, has its straight pipe and takes little head, then the price."""
    return not one.reads, not one.straight.enough, one.loss_m > SPARED_M, one.price_cents, one.item.item_id


def _expected(run: str, card: SettingsCard) -> tuple[tuple[Expected, ...], Note | None]:
    found, notes = [], list[Note]()
    for mode in card.modes:
        limits: MeterLimits | None = next((one for one in mode.meters if one.run == run), None)
        if mode.name == "":
            continue  # a speed of the dial that nobody asked for
        if limits is not None:
            found.append(Expected(mode.name, limits.flow_m3_s, limits.low_m3_s, limits.high_m3_s))
        elif mode.note:
            notes.append(mode.note)
    why = notes[0] if notes else None if found else note("nothing asked of this line")
    return tuple(found), why


def _choice(
    run: Run, item: CatalogItem, meter: MeterData, flowing: Sequence[Expected], finder: _Finder, at: int | None
) -> MeterChoice:
    slow = tuple(one.mode for one in flowing if one.flow_m3_s < meter.low_m3_s)
    fast = tuple(one.mode for one in flowing if one.flow_m3_s > meter.high_m3_s)
    most = max((one.flow_m3_s for one in flowing), default=0.0)
    loss_m = loss_at(most, finder.system.network.water)(new_part(item)) if most else 0.0
    if at is not None:
        onto = _ways_onto(run, at, finder)
        return MeterChoice(item, meter, slow, fast, loss_m, onto, _straight_at(run, meter, at))
    pipe = _longest_pipe(run)
    assert pipe is not None
    ends = pipe.ends[0], item.ends[0], item.ends[-1], pipe.ends[-1]
    ways = finder.way(ends[0], ends[1]), finder.way(ends[2], ends[3])
    return MeterChoice(item, meter, slow, fast, loss_m, ways, _longest_straight(run, meter))


def _ways_onto(run: Run, at: int, finder: _Finder) -> tuple[Way | None, Way | None]:
    """Return the ways from what stands before a meter into it, and on to what stands after it."""
    before = [part for part in run.parts[:at] if part.kind is not Kind.OPEN_JOINT]
    after = [part for part in run.parts[at + 1 :] if part.kind is not Kind.OPEN_JOINT]
    ends = run.parts[at].ends
    return (
        finder.way(before[-1].ends[-1], ends[0]) if before else None,
        finder.way(ends[-1], after[0].ends[0]) if after else None,
    )


def _longest_pipe(run: Run) -> Part | None:
    """Return the pipe of a run in which a meter would go: the longest piece."""
    pipes = [part for part in run.parts if part.kind in PIPES and part.ends]
    return max(pipes, key=lambda part: part.length_m, default=None)


def _straight_at(run: Run, meter: MeterData, at: int) -> Straight:
    bore_m = _bore_beside(run, at)
    before, where = _straight_length_m(run.parts[:at][::-1])
    after, _ = _straight_length_m(run.parts[at + 1 :])
    return Straight(meter.straight_before * bore_m, meter.straight_after * bore_m, (before, after), where, stands=True)


def _bore_beside(run: Run, at: int) -> float:
    pipes = [part.end_bores_m[0] for part in run.parts if part.kind in PIPES]
    near = sorted(range(len(run.parts)), key=lambda i: abs(i - at))
    return next((run.parts[i].end_bores_m[0] for i in near if run.parts[i].kind in PIPES), max(pipes, default=0.0))


def _straight_length_m(parts: Sequence[Part]) -> tuple[float, str]:
    """Return how much pipe follows before the water turns or is throttled, and what ends it."""
    length_m = 0.0
    for part in parts:
        if part.kind not in STRAIGHT:
            return length_m, part.label or part.words
        length_m += part.length_m if part.kind in PIPES else 0.0
    return length_m, "the line's end"


def _longest_straight(run: Run, meter: MeterData) -> Straight:
    """Return the straight stretch of a run with the most pipe, in bores of its widest pipe."""
    best = Straight(math.inf, math.inf, (0.0, 0.0), "")
    behind = "the line's start"
    pipes: list[Part] = []
    for part in (*run.parts, None):
        if part is not None and part.kind in STRAIGHT:
            pipes += [part] if part.kind in PIPES else []
            continue
        if pipes:
            bore_m = max(pipe.end_bores_m[0] for pipe in pipes)
            there = sum(pipe.length_m for pipe in pipes)
            found = Straight(meter.straight_before * bore_m, meter.straight_after * bore_m, (there, 0.0), behind)
            if sum(found.there_m) > sum(best.there_m):
                best = found
        if part is not None:
            behind, pipes = part.label or part.words, []
    return best
