"""Part lines + catalog → the parts of a run: which row a line means, which way round it sits, whether it mates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from optimizer.joints.mating import mating
from optimizer.model.catalog import JOINERS, PIPES, Catalog, CatalogItem, Kind
from optimizer.model.ends import End, SizeSystem
from optimizer.model.kinds import FIXTURES, MACHINES
from optimizer.model.network import Condition, Device, Part, Pump
from optimizer.read.closed_stubs import closed_tee
from optimizer.read.misfits import misfit, rows_offered
from optimizer.read.nodes import Place, Reading
from optimizer.read.part_text import PartText
from optimizer.read.run_text import PipeSize, RunText, sizes_along, system_beside
from optimizer.read.unlisted import ESTIMATED, NOT_LISTED, drilled, unlisted
from optimizer.read.words import DEFAULT_FAMILY, EndWords, family_of

# Costs of reading a line in one way rather than another; only their order matters.
_APART, _FOREIGN_END, _UNSAFE_METAL, _FOREIGN_FAMILY, _TURNED = 1000, 50, 20, 10, 1
_KEPT_UNLESS_TOLD = MACHINES | FIXTURES


@dataclass(frozen=True, slots=True)
class Border:
    """What lies beyond the first or last part: a tee's opening, or (`end` None) open water or something unknown."""

    words: str
    place: Place
    end: End | None = None
    is_tee: bool = False


@dataclass(frozen=True, slots=True)
class Machines:
    pumps: Mapping[str, Pump]
    devices: Mapping[str, Device]


@dataclass(frozen=True, slots=True)
class _Reading:
    """One way to read a line: a row and which way round, or a machine's ports. `ends` empty: anything goes here."""

    ends: tuple[End, ...]
    cost: int
    item: CatalogItem | None = None
    reverse: bool = False


def fit_run(
    reading: Reading,
    run: RunText,
    borders: tuple[Border, Border],
    machines: Machines,
    catalog: Catalog,
    *,
    stands: bool = True,
) -> tuple[Part, ...]:
    """Return the parts of a run in order, with the rows and the orientation that let most neighbours mate.

    What stands there already may be in no catalog; what is to be bought must be. What can not be looked up, and
    neighbours that do not mate, are noted as faults; the parts are then not to be used.
    """
    sizes = sizes_along(run, catalog)
    ways = [
        _ways(reading, part, size, run.family_at(index), machines, catalog, stands)
        for index, (part, size) in enumerate(zip(run.parts, sizes, strict=False))
    ]
    chosen = _best_row([[_border_way(borders[0])], *ways, [_border_way(borders[1])]])
    _note_bad_joints(reading, run, borders, chosen, catalog)
    within = chosen[1:-1]
    if any(
        part is None or (part.kind is not Kind.OPEN_JOINT and not way.ends)
        for part, way in zip(run.parts, within, strict=True)
    ):
        return ()
    parts = [part for part in run.parts if part is not None]
    return tuple(
        _part(reading, part, way, (chosen[index], chosen[index + 2]), catalog)
        for index, (part, way) in enumerate(zip(parts, within, strict=True))
    )


def _border_way(border: Border) -> _Reading:
    return _Reading((border.end, border.end) if border.end else (), 0)


def _ways(
    reading: Reading,
    part: PartText | None,
    size: PipeSize | None,
    written: str,
    machines: Machines,
    catalog: Catalog,
    stands: bool,
) -> list[_Reading]:
    """Return every way to read a line, the likeliest first; never empty."""
    anything = [_Reading((), 0)]
    if part is None or part.kind is Kind.OPEN_JOINT:
        return anything
    if part.kind in (Kind.PUMP, Kind.DEVICE):
        known: Mapping[str, Pump | Device] = machines.pumps if part.kind is Kind.PUMP else machines.devices
        return [_Reading(known[part.name].ports, 0)] if part.name in known else anything
    if size is None or not _says_enough(reading, part, size):
        return anything
    if part.closed is not None:
        tee = closed_tee(part, written, catalog)
        if tee is None:
            told = " x ".join(part.closed.sizes)
            reading.fault(part.node.place, f"a tee for {told}, which the catalog does not have", "sizes of one tee")
        elif tee.note == ESTIMATED:
            reading.remark(part.node.place, [f"'{part.label}' {NOT_LISTED}"])
        return anything if tee is None else [_Reading(tee.ends, 0, tee)]
    family = _family_said(part, _family_in_force(written, size, catalog), catalog)
    if family is None:
        families = ", ".join(sorted(catalog.pipe_ends))
        reading.fault(part.node.place, f"'{part.label}' of the family '{part.made_of}'", f"families: {families}")
        return anything
    ways = _sorted_ways(catalog, part, size, family)
    if part.holes is not None:
        ways = [replace(way, item=drilled(way.item, *part.holes)) for way in ways if way.item is not None][:1]
    if not ways and stands and (made_up := unlisted(part, size.size, size.system, family, catalog)):
        reading.remark(part.node.place, [f"'{part.label}' {NOT_LISTED}"])
        return [
            _Reading(item.ends[::-1] if turned else item.ends, place + _TURNED * turned, item, turned)
            for place, item in enumerate(made_up)
            for turned in (False, True)
        ]
    if not ways:
        _note_no_row(reading, part, size, catalog)
        return anything
    return ways


def _sorted_ways(catalog: Catalog, part: PartText, size: PipeSize, family: str) -> list[_Reading]:
    """Return the rows that a line may mean, the likeliest first; worked out once for lines that say the same."""
    kept: dict[object, list[_Reading]] = catalog.__dict__.setdefault("_ways", {})
    key = (part.kind, part.size, part.to_size, part.ends, size, family)
    if key not in kept:
        ways = [way for item in _rows(catalog, part, size) for way in _ways_of_item(item, part, size, family)]
        kept[key] = sorted(ways, key=lambda way: (way.cost, way.item.price_cents if way.item else 0))
    return kept[key]


def _rows(catalog: Catalog, part: PartText, size: PipeSize) -> Sequence[CatalogItem]:
    """Return the rows of a kind that have an end of a size that the line says, or that its run has; in id order."""
    said = [words.size for words in part.ends if words.size is not None] if part.ends else [part.size or size.size]
    return catalog.with_end(part.kind, said[0]) if said else catalog.of_kind(part.kind)


def _says_enough(reading: Reading, part: PartText, size: PipeSize) -> bool:
    if part.kind in (Kind.ADAPTER, Kind.NIPPLE) and not part.ends:
        example = f"{part.kind} {size.size} socket x {size.size} NPT female"
        reading.fault(part.node.place, f"'{part.label}' without its ends", f"both ends, such as {example}")
        return False
    if part.kind in (Kind.REDUCING_COUPLING, Kind.BUSHING) and not (part.ends or part.to_size):
        reading.fault(part.node.place, f"'{part.label}' without a size", f"the new size, such as {part.kind} to 3/4 in")
        return False
    if part.to_size is not None and part.to_size == (part.size or size.size):
        reading.fault(
            part.node.place, f"'{part.label}' in {size.size}", f"another size than the {part.to_size} before it"
        )
        return False
    return True


def _family_in_force(written: str, size: PipeSize, catalog: Catalog) -> str:
    ends = catalog.pipe_ends[written]
    return written if next(iter(ends.values())).system == size.system else DEFAULT_FAMILY[size.system]


def _family_said(part: PartText, in_force: str, catalog: Catalog) -> str | None:
    """Return the family that a line names, or the one in force where it names none, or that one in part."""
    families = catalog.pipe_ends
    said = family_of(part.made_of, families) or family_of(f"{part.made_of} {part.kind}", families)
    in_part = set(part.made_of.lower().split()) <= set(in_force.lower().split())
    return said or (in_force if in_part else None)


def _ways_of_item(item: CatalogItem, part: PartText, size: PipeSize, family: str) -> list[_Reading]:
    """Return the ways (none, one or two) in which a row can be what the line says."""
    if len(item.ends) != 2:
        return []
    cost = (_FOREIGN_FAMILY if item.family != family else 0) + (0 if item.reef_safe else _UNSAFE_METAL)
    found = []
    for reverse in (False, True) if item.ends[0] != item.ends[1] else (False,):
        ends = item.ends[::-1] if reverse else item.ends
        if (extra := _says_these_ends(ends, part, size)) is not None:
            found.append(_Reading(ends, cost + extra, item, reverse))
    return found


def _says_these_ends(ends: tuple[End, ...], part: PartText, size: PipeSize) -> int | None:
    """Return the cost at which a line may mean these two ends in the run's order; None if it cannot."""
    if part.ends:
        if all(_is_meant(words, end, part, size) for words, end in zip(part.ends, ends, strict=True)):
            return sum(
                _thread_cost(end, size) for words, end in zip(part.ends, ends, strict=True) if words.form is None
            )
        if all(_is_meant(words, end, part, size) for words, end in zip(part.ends, ends[::-1], strict=True)):
            return _TURNED
        return None
    if part.to_size:
        sizes = (part.size or size.size, part.to_size)
        return 0 if tuple(end.size for end in ends) == sizes and not any(end.form.is_thread for end in ends) else None
    native = [end.size == (part.size or size.size) and _same_table(end, part, size) for end in ends]
    threads = [end.form.is_thread for end in ends]
    if part.kind in JOINERS or part.kind in PIPES:
        return 0 if all(native) else None
    if all(threads):
        return (
            sum(_thread_cost(end, size) for end in ends)
            if all(end.size == (part.size or size.size) for end in ends)
            else None
        )
    if not all(at_home or thread for at_home, thread in zip(native, threads, strict=True)):
        return None
    return sum(_thread_cost(end, size) for end in ends)


def _thread_cost(end: End, size: PipeSize) -> int:
    """Return the cost of a thread where none is said; of one that the pipe's own country does not have it is more."""
    if not end.form.is_thread:
        return 0
    return _FOREIGN_END + (end.form.is_npt if size.system is SizeSystem.METRIC else not end.form.is_npt)


def _same_table(end: End, part: PartText, size: PipeSize) -> bool:
    """Return whether an end stands in the run's own size table, or in that of a size stated in front."""
    wanted = size.system if part.size in (None, size.size) else system_beside(part.size or "", size)
    return end.system == wanted


def _is_meant(words: EndWords, end: End, part: PartText, size: PipeSize) -> bool:
    """Return whether an end is the one in these words; a thread's size may be left to its neighbour."""
    if words.size is not None or (words.form is not None and words.form.is_thread):
        return words.fits(end)
    return words.fits(end) and end.size in (part.size, size.size)


def _best_row(ways: Sequence[Sequence[_Reading]]) -> list[_Reading]:
    """Return one way for each place, at the least cost of ways and of joints that do not mate (dynamic programme)."""
    costs: list[list[int]] = [[way.cost for way in ways[0]]]
    came_from: list[list[int]] = []
    for before, here in pairwise(ways):
        totals, origins = [], []
        for way in here:
            steps = [cost + _joint_cost(other, way) for cost, other in zip(costs[-1], before, strict=True)]
            best = min(range(len(steps)), key=steps.__getitem__)
            totals.append(steps[best] + way.cost)
            origins.append(best)
        costs.append(totals)
        came_from.append(origins)
    index = min(range(len(costs[-1])), key=costs[-1].__getitem__)
    chosen = [ways[-1][index]]
    for place in range(len(ways) - 2, -1, -1):
        index = came_from[place][index]
        chosen.append(ways[place][index])
    return chosen[::-1]


def _note_no_row(reading: Reading, part: PartText, size: PipeSize, catalog: Catalog) -> None:
    nominal = part.size or size.size
    system = size.system if nominal == size.size else system_beside(nominal, size)
    where = "" if part.ends else f" in {nominal} {system} size"
    offered = rows_offered(part.kind, part.ends, catalog)
    reading.fault(part.node.place, f"'{part.label}'{where}, which the catalog does not have", f"{part.kind}: {offered}")


def _note_bad_joints(
    reading: Reading, run: RunText, borders: tuple[Border, Border], chosen: Sequence[_Reading], catalog: Catalog
) -> None:
    """Note every two neighbours whose ends do not mate, and every open joint with nothing to join."""
    words = [borders[0].words, *(f"'{part.label}'" if part else "" for part in run.parts), borders[1].words]
    places = [part.node.place if part else run.place for part in run.parts]
    places = [borders[0].place, *places, borders[1].place]
    for index, (first, second) in enumerate(pairwise(chosen)):
        if first.ends and second.ends and not mating(first.ends[1], second.ends[0]):
            found, allowed, suggestion = misfit(
                (words[index], first.ends[1]), (words[index + 1], second.ends[0]), catalog
            )
            at = min(index + 1, len(run.parts))  # the later part; at the last border the part before it
            reading.fault(places[at], found, allowed, suggestion)
    open_joints = [part is not None and part.kind is Kind.OPEN_JOINT for part in run.parts]
    for index, is_open in enumerate(open_joints):
        alone = (index == 0 and not borders[0].is_tee) or (index == len(open_joints) - 1 and not borders[1].is_tee)
        if is_open and (alone or (index > 0 and open_joints[index - 1])):
            reading.fault(
                places[index + 1], "an open joint with nothing to join", "a part or a tee on either side of it"
            )


def _joint_cost(first: _Reading, second: _Reading) -> int:
    if not first.ends or not second.ends:
        return 0
    return 0 if mating(first.ends[1], second.ends[0]) else _APART


def _part(
    reading: Reading, text: PartText, way: _Reading, neighbours: tuple[_Reading, _Reading], catalog: Catalog
) -> Part:
    """Return the part of one line. An open joint takes the two ends that it is to marry."""
    ends = way.ends or tuple(other.ends[side] for other, side in zip(neighbours, (1, 0), strict=True) if other.ends)
    if way.item is not None:
        bores = way.item.end_bores_m[::-1] if way.reverse else way.item.end_bores_m
    else:
        bores = tuple(nominal_bore_m(end, catalog) for end in ends)
    default = Condition.KEEP if text.kind in _KEPT_UNLESS_TOLD else Condition.MAY_CHANGE
    return Part(
        kind=text.kind,
        ends=ends,
        end_bores_m=bores,
        item=way.item,
        reverse=way.reverse,
        length_m=text.length_m,
        name=text.name,
        opening=text.opening,
        least_flow_m3_s=text.least_flow_m3_s,
        stays_open=text.stays_open,
        condition=text.condition or default,
        room_m=text.room_m,
        place=reading.where(text.node.place),
        label=text.label,
        stub=text.closed.stub if text.closed is not None else "",
    )


def nominal_bore_m(end: End, catalog: Catalog) -> float:
    """Return the bore [m] of the usual pipe of an end's nominal size: what water meets in a pump's or device's port."""
    system = SizeSystem.IPS if end.system is SizeSystem.THREAD else end.system
    pipes = [
        item for item in catalog.of_kind(*PIPES) if item.ends[0].size == end.size and item.ends[0].system == system
    ]
    usual = [item for item in pipes if item.family == DEFAULT_FAMILY[system]] or pipes
    if usual:
        return usual[0].bore_m
    # No such pipe in the catalog (a 1/4 in thread, say): any row with that end shows the bore.
    bores = [
        bore
        for item in catalog.items.values()
        for other, bore in zip(item.ends, item.end_bores_m, strict=True)
        if other == end
    ]
    return min(bores, default=0.0)
