"""The `tanks` and `drains` of a system file → what keeps the floor dry. All of it may be left out.

tanks:
  display: {length: 48 in, width: 24 in, overflow edge: 14 in, rim above edge: 1-1/2 in, return outlet depth: 1 in}
  sump: {free volume: 12 gal, pump reserve: 4 gal}
drains:
  main drain:
    from: display
    mode: full siphon            # or open, or emergency
    size: 1-1/2 in sch 40 PVC
    to: sump                     # or another tank below; the sump where nothing is said
    drop: 8 ft 6 in              # from the water over its mouth to the water that it ends in
    parts: [bulkhead, elbow, pipe 8 ft, gate valve]
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

from optimizer import units
from optimizer.errors import QuantityError
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.circuits import drained_as, openings_of, returns_to, sumps, tees_of
from optimizer.model.network import Network, PointKind
from optimizer.model.tanks import Drain, DrainMode, Tank
from optimizer.read.fit import Border, Machines, fit_run
from optimizer.read.nodes import Entry, Reading, attempt, choice, entries, items_of, nearest, text_of
from optimizer.read.part_text import read_parts
from optimizer.read.run_text import RunText
from optimizer.read.targets import Named
from optimizer.read.words import parse_run_size

_Parse = Callable[[str, str | None], float]
_Parsed = tuple[_Parse, str]  # and what is allowed
_LENGTHS = {"overflow edge": "overflow_edge_m", "rim above edge": "rim_m"}
_DEPTHS = {
    "return outlet depth": "opening_depth_m",
    "siphon break depth": "break_depth_m",
}
_VOLUMES = {
    "free volume": "free_volume_m3",
    "pump reserve": "reserve_m3",
    "overflow box volume": "box_volume_m3",
    "start volume": "start_volume_m3",
    "top-up volume": "top_up_m3",
}
TANK_KEYS = ["area", "length", "width", *_LENGTHS, *_DEPTHS, *_VOLUMES, "teeth", "fed by"]
TANK_KEYS += ["mouths", "siphon breaks", "lines meet"]
_TEETH = re.compile(
    r"(?P<count>\d{1,4})[ ]+(?:gaps?|slots?)[ ]+of[ ]+(?P<wide>.+?),?[ ]+(?P<deep>[^, ]+[ ]*[^, ]*)[ ]+deep"
)
ALSO_TANK = {"weir length": "overflow edge", "freeboard": "rim above edge", "usable water": "pump reserve"}
ALSO_DRAIN = {"fall": "drop", "water depth over the standpipe": "head over lip"}
DRAIN_KEYS = ["from", "to", "mode", "size", "drop", "head over lip", "lip below rim", "parts"]


def read_tanks(
    reading: Reading, entry: Entry | None, network: Network, named: Named, unit_system: str
) -> tuple[Tank, ...]:
    """Return the tanks in file order, each named after a surface."""
    if entry is None:
        return ()
    return tuple(
        _tank(reading, each, network, named, unit_system)
        for each in entries(reading, entry.value, "tanks").values()
        if _is_surface(reading, each, network)
    )


def _is_surface(reading: Reading, entry: Entry, network: Network) -> bool:
    surfaces = _names(network, PointKind.SURFACE)
    if entry.key not in surfaces:
        allowed = f"the name of a surface: {', '.join(surfaces)}"
        reading.fault(entry.place, f"the unknown tank '{entry.key}'", allowed, nearest(entry.key, surfaces))
    return entry.key in surfaces


def _tank(reading: Reading, entry: Entry, network: Network, named: Named, unit_system: str) -> Tank:
    found = entries(reading, entry.value, f"tank '{entry.key}'", TANK_KEYS, ALSO_TANK)

    def take(key: str, parse: _Parse, what: str) -> float | None:
        if key not in found:
            return None
        return attempt(reading, found[key].value, what, lambda text: parse(text, unit_system))

    numbers = {field: take(key, units.parse_tank_length, "a length, such as 1 in") for key, field in _LENGTHS.items()}
    numbers |= {field: take(key, units.parse_depth, "a depth, such as 1 in") for key, field in _DEPTHS.items()}
    numbers |= {field: take(key, units.parse_volume, "a volume, such as 12 gal") for key, field in _VOLUMES.items()}
    area = take("area", units.parse_area, "an area, such as 8 ft2")
    length, width = (take(key, units.parse_tank_length, "a length, such as 48 in") for key in ("length", "width"))
    if ("length" in found) != ("width" in found) or ("area" in found and "length" in found):
        reading.fault(
            entry.place, f"tank '{entry.key}' with half a size", "length and width, or area alone, or neither"
        )
    if length is not None and width is not None:
        area = length * width
    teeth = None
    if "teeth" in found:
        teeth = attempt(reading, found["teeth"].value, _TEETH_WORDS, lambda text: _teeth(text, unit_system))
        if "overflow edge" in found:
            reading.fault(entry.place, f"tank '{entry.key}' with an overflow edge and teeth", "one of the two")
    if teeth is not None:
        numbers |= {"overflow_edge_m": teeth[0], "teeth_depth_m": teeth[1]}
    fed_by = _fed_by(reading, found, network)
    lines = openings_of(network, entry.key)
    allowed = "runs that open into it: " + (", ".join(lines) or "there is none")
    mouths = _depths(reading, found.get("mouths"), entry.key, (lines, allowed, "mouth of"), named, unit_system)
    feeds = tuple(run for line in returns_to(network, entry.key) for run in line)
    allowed = "runs that a pump feeds it by: " + (", ".join(feeds) or "there is none")
    meant = (feeds, allowed, "siphon break in")
    breaks = _depths(reading, found.get("siphon breaks"), entry.key, meant, named, unit_system)
    tees = tees_of(network, entry.key)
    allowed = "tees and crosses of lines that open into it: " + (", ".join(tees) or "there is none")
    told = found.get("lines meet") if named.whole else None
    meets = _depths(reading, told, entry.key, (tees, allowed, "tee"), named, unit_system, _FROM_EDGE)
    where = reading.where(entry.place)
    return Tank(entry.key, area, **numbers, fed_by=fed_by, mouths_m=mouths, breaks_m=breaks, meets_m=meets, place=where)


def _below_edge(text: str, unit_system: str | None) -> float:
    """Return how far below an edge something lies [m], less than 0 where it lies `above`."""
    depth, _, above = str(text).strip().partition(" above")
    if above.strip():
        raise QuantityError(f"'{text}'", "nothing after 'above'")
    depth_m = units.parse_depth(depth, unit_system)
    return -depth_m if depth != str(text).strip() else depth_m


_FROM_EDGE: _Parsed = (_below_edge, "how far below its edge, or above it, such as 2 in, or 6 in above")
_TEETH_WORDS = "teeth, such as 24 gaps of 6 mm, 15 mm deep"


def _teeth(text: str, unit_system: str) -> tuple[float, float]:
    """Return the length of all gaps together and how deep they are [m]."""
    match = _TEETH.fullmatch(text.strip())
    if match is None:
        raise QuantityError(f"'{text}'", _TEETH_WORDS)
    wide, deep = (units.parse_length(match[key], unit_system) for key in ("wide", "deep"))
    if not wide * deep * int(match["count"]) > 0:
        raise QuantityError(f"'{text}'", "at least one gap, wider and deeper than nothing")
    return int(match["count"]) * wide, deep


def _depths(
    reading: Reading,
    entry: Entry | None,
    tank: str,
    known: tuple[Sequence[str], str, str],
    named: Named,
    unit_system: str,
    parse: _Parsed = (units.parse_length, "a length, such as 8 ft 6 in"),
) -> tuple[tuple[str, float], ...]:
    """Return how deep something of a tank's lines lies below its edge [m], by run or tee.

    `known` are those that may be named, what is said of them where another one is, and what of them is meant.
    """
    if entry is None:
        return ()
    lines, allowed, what = known
    depths = []
    for name, each in entries(reading, entry.value, f"{entry.key} of tank '{tank}'").items():
        depth_m = attempt(reading, each.value, parse[1], lambda text: parse[0](text, unit_system))
        run = named.run_of(name) or name
        if run not in lines:
            if named.whole or name not in named.runs:
                reading.fault(each.place, f"the {what} '{name}' in tank '{tank}'", allowed, nearest(name, lines))
        elif depth_m is not None:
            depths.append((run, depth_m))
    return tuple(depths)


def with_falls(network: Network, tanks: Iterable[Tank], drains: Iterable[Drain]) -> Network:
    """Return the plumbing as one of tanks that balance, with what tanks and drains say of where water falls to."""
    outlets = [(outlet, tank.name) for tank in tanks for outlet in tank.fed_by]
    above = replace(network, tanks_balance=True, falls=tuple(outlets))
    lower = [(drained_as(above, drain.tank), drain.to) for drain in drains if drain.to]
    return replace(network, tanks_balance=True, falls=tuple(dict.fromkeys((*outlets, *lower))))


def _fed_by(reading: Reading, found: Mapping[str, Entry], network: Network) -> tuple[str, ...]:
    if "fed by" not in found:
        return ()
    outlets = _names(network, PointKind.OUTLET)
    named = []
    for node in items_of(found["fed by"].value):
        name = text_of(reading, node, "the name of an outlet")
        if name is not None and name not in outlets:
            reading.fault(
                node.place, f"the unknown outlet '{name}'", ", ".join(outlets) or "none", nearest(name, outlets)
            )
        elif name is not None:
            named.append(name)
    return tuple(named)


def read_drains(
    reading: Reading, entry: Entry | None, network: Network, catalog: Catalog, unit_system: str
) -> tuple[Drain, ...]:
    """Return the drains in file order; one whose parts cannot be looked up is left out, its faults noted."""
    if entry is None:
        return ()
    found = (
        _drain(reading, each, network, catalog, unit_system)
        for each in entries(reading, entry.value, "drains").values()
    )
    return tuple(drain for drain in found if drain is not None)


def _drain(reading: Reading, entry: Entry, network: Network, catalog: Catalog, unit_system: str) -> Drain | None:
    found = entries(reading, entry.value, f"drain '{entry.key}'", DRAIN_KEYS, ALSO_DRAIN)
    missing = [key for key in ("from", "mode", "size", "parts") if key not in found]
    if missing:
        if entry.value.pairs is not None:
            words = " and ".join(f"'{key}'" for key in missing)
            reading.fault(
                entry.place, f"drain '{entry.key}' without {words}", "from, mode, size and parts in every drain"
            )
        return None
    tank = _tank_name(reading, found["from"], network)
    mode = choice(reading, found["mode"].value, {str(mode): mode for mode in DrainMode})
    text = _run_text(reading, entry, found, catalog, unit_system)
    lengths = [
        _optional_length(reading, found.get(key), unit_system) for key in ("drop", "head over lip", "lip below rim")
    ]
    to = _lower_tank(reading, found["to"], tank, network) if "to" in found else ""
    if tank is None or mode is None or text is None or to is None:
        return None
    open_water = (Border(tank, entry.place), Border("the sump", entry.place))
    parts = fit_run(reading, text, open_water, Machines({}, {}), catalog)
    where = reading.where(entry.place)
    return Drain(entry.key, tank, mode, parts, lengths[0], lengths[1], where, to, lengths[2]) if parts else None


def _lower_tank(reading: Reading, entry: Entry, tank: str | None, network: Network) -> str | None:
    """Return the tank that a drain ends in, which lies lower; nothing for the one sump."""
    heads = {name: network.points[name].head_m or 0.0 for name in _names(network, PointKind.SURFACE)}
    lower = [name for name in heads if tank is None or heads[name] < heads.get(tank, 0.0)]
    name = text_of(reading, entry.value, "the name of a surface")
    if name is not None and name not in lower:
        allowed = f"a surface that lies lower: {', '.join(lower)}"
        reading.fault(entry.value.place, f"a drain into '{name}'", allowed, nearest(name, lower))
        return None
    return "" if (name,) == sumps(network) else name


def _tank_name(reading: Reading, entry: Entry, network: Network) -> str | None:
    surfaces = _names(network, PointKind.SURFACE)
    name = text_of(reading, entry.value, "the name of a surface")
    if name is not None and name not in surfaces:
        reading.fault(entry.value.place, f"the unknown surface '{name}'", ", ".join(surfaces), nearest(name, surfaces))
        return None
    drawn = sumps(network)
    if name in drawn:
        fed = ", ".join(surface for surface in surfaces if surface not in drawn) or "a tank that is fed"
        reading.fault(entry.value.place, f"a drain from '{name}', which a pump draws from", fed)
        return None
    return name


def _run_text(
    reading: Reading, entry: Entry, found: Mapping[str, Entry], catalog: Catalog, unit_system: str
) -> RunText | None:
    """Return the drain as a run of parts; pumps, devices and open joints have no place in it."""
    what = "a size and a family, such as 1-1/2 in sch 40 PVC"
    size = attempt(reading, found["size"].value, what, lambda text: parse_run_size(text, catalog))
    parts = read_parts(reading, found["parts"].value, unit_system)
    for part in parts:
        if part is not None and part.kind in (Kind.PUMP, Kind.DEVICE, Kind.OPEN_JOINT):
            reading.fault(part.node.place, f"'{part.label}' in a drain", "pipe, fittings and valves: it runs by itself")
            return None
    return None if size is None else RunText(entry.key, entry.place, size[0], size[1], tuple(parts))


def _optional_length(reading: Reading, entry: Entry | None, unit_system: str) -> float | None:
    if entry is None:
        return None
    return attempt(
        reading, entry.value, "a length, such as 8 ft 6 in", lambda text: units.parse_length(text, unit_system)
    )


def _names(network: Network, kind: PointKind) -> list[str]:
    return [name for name, point in network.points.items() if point.kind is kind]
