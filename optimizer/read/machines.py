"""The `pumps`, `devices`, `surfaces`, `outlets` and `supplies` of a system file → model values."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from itertools import pairwise

from optimizer import units
from optimizer.errors import QuantityError
from optimizer.model.dial import RPM
from optimizer.model.ends import End
from optimizer.model.network import Device, Mounting, Point, PointKind, Pump, Water
from optimizer.read.dials import read_dial
from optimizer.read.nodes import Entry, Node, Reading, attempt, choice, entries, items_of
from optimizer.read.words import parse_end
from optimizer.water import GRAVITY_M_S2, density_kg_m3

SPEED_STEP = 0.05  # `40 % to 100 %` means these steps: what a dial can be set to by eye
_AT = re.compile(r"(?P<first>.+?)[ ]*(?:[ ]at[ ]|@)[ ]*(?P<second>.+)", re.IGNORECASE)
_TO = re.compile(r"(?P<low>.+?)[ ]+to[ ]+(?P<high>.+)", re.IGNORECASE)
_Point = tuple[float, float]
PUMP_KEYS = ("curve", "continued", "speed", "speeds", "ports", "power", "dial", "mounting")
_TEST_C = 20.0  # of the fresh water that makers test with
DEVICE_KEYS = ("loss", "ports", "volume")
SUPPLY_KEYS = ("pressure", "elevation")
WATER_KEYS = ("salinity", "temperature")
_MOUNTINGS = {str(mounting): mounting for mounting in Mounting}


def read_points(reading: Reading, found: dict[str, Entry], unit_system: str, water: Water) -> dict[str, Point]:
    """Return the fixed points: surfaces, outlets and supplies, by name. One name may stand for one of them only."""
    points: dict[str, Point] = {}
    for key, kind in (("surfaces", PointKind.SURFACE), ("outlets", PointKind.OUTLET), ("supplies", PointKind.SUPPLY)):
        if key not in found:
            continue
        for name, entry in entries(reading, found[key].value, key).items():
            if name in points:
                reading.fault(entry.place, f"'{name}', which is a {points[name].kind} already", "a name of its own")
                continue
            points[name] = _read_point(reading, kind, entry, unit_system, water)
    return points


def _read_point(reading: Reading, kind: PointKind, entry: Entry, unit_system: str, water: Water) -> Point:
    if kind is not PointKind.SUPPLY:
        elevation_m = _elevation(reading, entry.value, unit_system)
        return Point(entry.key, kind, elevation_m, elevation_m)
    found = entries(reading, entry.value, f"supply '{entry.key}'", SUPPLY_KEYS)
    elevation_m = _elevation(reading, found["elevation"].value, unit_system) if "elevation" in found else 0.0
    if "pressure" not in found:
        if entry.value.pairs is not None:
            reading.fault(entry.place, f"supply '{entry.key}' without a pressure", "pressure, such as 60 psi or 4 bar")
        return Point(entry.key, kind, elevation_m, elevation_m)
    parse = _with_units(units.parse_pressure, unit_system)
    pressure_pa = attempt(reading, found["pressure"].value, "a pressure, such as 60 psi", parse) or 0.0
    weight = density_kg_m3(water.salinity_g_kg, water.temperature_c) * GRAVITY_M_S2
    return Point(entry.key, kind, elevation_m + pressure_pa / weight, elevation_m)


def _elevation(reading: Reading, node: Node, unit_system: str) -> float:
    what = "a height above the sump's water line, such as 9 ft 4 in"
    return attempt(reading, node, what, _with_units(units.parse_elevation, unit_system)) or 0.0


def _with_units(parse: Callable[[str, str | None], float], unit_system: str) -> Callable[[str], float]:
    return lambda text: parse(text, unit_system)


def read_pumps(reading: Reading, entry: Entry | None, unit_system: str) -> dict[str, Pump]:
    """Return the pumps by name; one that cannot be read in full is left out, its faults noted."""
    if entry is None:
        return {}
    pumps = {
        name: _read_pump(reading, each, unit_system) for name, each in entries(reading, entry.value, "pumps").items()
    }
    return {name: pump for name, pump in pumps.items() if pump is not None}


def _read_pump(reading: Reading, entry: Entry, unit_system: str) -> Pump | None:
    found = entries(reading, entry.value, f"pump '{entry.key}'", PUMP_KEYS)
    _note_missing(reading, entry, found, ["curve", "ports"])
    curve = _pump_curve(reading, found["curve"].value, unit_system) if "curve" in found else None
    stated_m3_s = None
    if curve is not None and "continued" in found:
        stated_m3_s, curve = curve[-1][0], _continued(reading, found["continued"].value, unit_system, curve)
    ports = _ports(reading, found["ports"].value) if "ports" in found else None
    speed = attempt(reading, found["speed"].value, "a speed, such as 80 %", _speed) if "speed" in found else 1.0
    speeds = _speeds(reading, found["speeds"].value) if "speeds" in found else ()
    power_w = None
    if "power" in found:
        power_w = attempt(reading, found["power"].value, "a power, such as 85 W", units.parse_power)
    mounting = choice(reading, found["mounting"].value, _MOUNTINGS) if "mounting" in found else None
    if curve is None or ports is None or speed is None:
        return None
    dial = read_dial(reading, found["dial"].value) if "dial" in found else None
    meant = dial or RPM  # what the file calls speed is what the dial shows
    return Pump(
        entry.key,
        curve,
        meant.speed(speed),
        ports,
        tuple(meant.speed(setting) for setting in speeds),
        power_w,
        reading.where(entry.place),
        dial,
        mounting=mounting or Mounting.IN_WATER,
        stated_m3_s=stated_m3_s,
    )


def read_devices(reading: Reading, entry: Entry | None, unit_system: str) -> dict[str, Device]:
    """Return the devices by name; one that cannot be read in full is left out, its faults noted."""
    if entry is None:
        return {}
    devices = {}
    for name, each in entries(reading, entry.value, "devices").items():
        found = entries(reading, each.value, f"device '{name}'", DEVICE_KEYS)
        _note_missing(reading, each, found, ["loss", "ports"])
        curve = _device_curve(reading, found["loss"].value, unit_system) if "loss" in found else None
        ports = _ports(reading, found["ports"].value) if "ports" in found else None
        if curve is not None and ports is not None:
            devices[name] = Device(name, curve, ports, reading.where(each.place), _volume(reading, found, unit_system))
    return devices


def _volume(reading: Reading, found: dict[str, Entry], unit_system: str) -> float | None:
    if "volume" not in found:
        return None
    parse = _with_units(units.parse_volume, unit_system)
    return attempt(reading, found["volume"].value, "a volume, such as 1.5 gal", parse)


def _note_missing(reading: Reading, entry: Entry, found: dict[str, Entry], keys: Sequence[str]) -> None:
    missing = [key for key in keys if key not in found]
    if missing and entry.value.pairs is not None:
        reading.fault(entry.place, f"'{entry.key}' without {' and '.join(missing)}", ", ".join(keys))


def _ports(reading: Reading, node: Node) -> tuple[End, End] | None:
    """Return (in, out) of `1-1/2 in NPT male`, which stands for both, or of {in: ..., out: ...}."""
    what = "a size and an end, such as 1-1/2 in NPT male, or {in: ..., out: ...}"
    if node.pairs is None:
        both = attempt(reading, node, what, parse_end)
        return (both, both) if both else None
    found = entries(reading, node, "ports", ["in", "out"])
    for key in ("in", "out"):
        if key not in found:
            reading.fault(
                node.place,
                f"ports without '{key}'",
                "both in and out; or one end for both, as of a pump that stands in the water",
            )
    if len(found) < 2:
        return None
    inlet, outlet = (attempt(reading, found[key].value, what, parse_end) for key in ("in", "out"))
    return (inlet, outlet) if inlet and outlet else None


def _speed(text: str) -> float:
    share = 0.0 if text.lower() == "off" else units.parse_fraction(text)
    if not share > 0:
        raise QuantityError(f"'{text}'", "a speed above 0 %, such as 80 %; a pump may be off in a mode (`modes`)")
    return share


def _speeds(reading: Reading, node: Node) -> tuple[float, ...]:
    """Return the settings of [60 %, 80 %, 100 %] or of `40 % to 100 %`, ascending."""
    if node.items is None and (match := _TO.fullmatch(node.text or "")):
        ends = [attempt(reading, Node(node.place, match[key]), "a speed", _speed) for key in ("low", "high")]
        if ends[0] is None or ends[1] is None:
            return ()
        if ends[0] > ends[1]:
            reading.fault(node.place, f"'{node.text}'", "the lower speed first")
            return ()
        steps = int((ends[1] - ends[0]) / SPEED_STEP + 1e-9)
        return tuple(sorted({*(round(ends[0] + SPEED_STEP * step, 9) for step in range(steps + 1)), ends[1]}))
    read = [attempt(reading, item, "a speed, such as 80 %", _speed) for item in items_of(node)]
    return tuple(sorted({speed for speed in read if speed is not None}))


# Up to where a curve is back at its head at no flow such a pump may run at two flows, and may not start at all.
_FALLING = (
    "less head at every higher flow, each flow once; "
    "where it rises first, leave out the points above its head at no flow"
)


def _pump_curve(reading: Reading, node: Node, unit_system: str) -> tuple[_Point, ...] | None:
    """Return (flow_m3_s, head_m), flow rising and head falling, from [flow, head] pairs or `0 gal/h at 23 ft`."""
    points = _curve_points(reading, node, unit_system, flow_first=True)
    if points is None:
        return None
    if len(points) < 2:
        reading.fault(node.place, "a curve of one point", "at least two points, flow rising and head falling")
        return None
    curve = sorted(points, key=lambda entry: entry[1][0])
    for (_, before), (place_node, point) in pairwise(curve):
        if not (point[0] > before[0] and point[1] < before[1]):
            reading.fault(place_node.place, "a curve that does not fall", _FALLING)
            return None
    return tuple(point for _, point in curve)


def _continued(reading: Reading, node: Node, unit_system: str, curve: tuple[_Point, ...]) -> tuple[_Point, ...] | None:
    """Return a pump's curve with the points by which its owner goes on behind the maker's last one."""
    points = _curve_points(reading, node, unit_system, flow_first=True)
    if points is None:
        return None
    whole = [(node, curve[-1]), *sorted(points, key=lambda entry: entry[1][0])]
    for (_, before), (place_node, point) in pairwise(whole):
        if not (point[0] > before[0] and point[1] < before[1]):
            allowed = "points behind the last one of the curve: less head at every higher flow"
            reading.fault(place_node.place, "a curve that is not continued", allowed)
            return None
    return (*curve, *(point for _, point in whole[1:]))


def _device_curve(reading: Reading, node: Node, unit_system: str) -> tuple[_Point, ...] | None:
    """Return (flow_m3_s, head_loss_m), both rising, from `2.1 ft at 300 gal/h` or a list of such."""
    points = _curve_points(reading, node, unit_system, flow_first=False)
    if points is None:
        return None
    curve = sorted(points, key=lambda entry: entry[1][0])
    before = (0.0, 0.0)
    for place_node, point in curve:
        if not (point[0] > before[0] and point[1] >= before[1]):
            reading.fault(
                place_node.place,
                "a loss that does not rise with flow",
                "a flow above 0, more loss at every higher flow",
            )
            return None
        before = point
    return tuple(point for _, point in curve)


def _curve_points(reading: Reading, node: Node, unit_system: str, flow_first: bool) -> list[tuple[Node, _Point]] | None:
    """Return the points of a curve as (flow, head) with the nodes they come from; None if any could not be read."""
    points = [_curve_point(reading, item, unit_system, flow_first) for item in items_of(node)]
    sound = [(item, point) for item, point in zip(items_of(node), points, strict=True) if point is not None]
    return sound if sound and len(sound) == len(points) else None


def _curve_point(reading: Reading, node: Node, unit_system: str, flow_first: bool) -> _Point | None:
    example = "0 gph at 23 ft, or [0 gph, 23 ft]" if flow_first else "2.1 ft at 300 gph"
    if node.items is not None and len(node.items) == 2:
        flow_node, head_node = node.items if flow_first else node.items[::-1]
    elif match := _AT.fullmatch(node.text or ""):
        first, second = Node(node.place, match["first"]), Node(node.place, match["second"])
        # `23 ft at 0 gal/h` says the same of a pump: the units tell which is which.
        flow_node, head_node = (
            (first, second) if re.search(r"/|gp[hm]|lp[hm]", match["first"], re.IGNORECASE) else (second, first)
        )
    else:
        reading.fault(node.place, node.shape, example)
        return None
    flow_m3_s = attempt(reading, flow_node, "a flow", _with_units(units.parse_flow, unit_system))
    head_m = attempt(reading, head_node, "a head or a pressure", lambda text: _head_m(text, unit_system))
    return None if flow_m3_s is None or head_m is None else (flow_m3_s, head_m)


def _head_m(text: str, unit_system: str) -> float:
    """Return a head [m]; one that is told as a pressure was measured with fresh water (common practice, no source)."""
    if units.is_pressure(text):
        return units.parse_pressure(text, unit_system) / (density_kg_m3(0.0, _TEST_C) * GRAVITY_M_S2)
    return units.parse_head(text, unit_system)


def read_water(reading: Reading, entry: Entry | None, unit_system: str) -> Water:
    """Return the water; left out, it is natural sea water of a reef aquarium: 35 g/kg at 25 °C."""
    usual = Water(35.0, 25.0)
    if entry is None:
        return usual
    found = entries(reading, entry.value, "water", WATER_KEYS)
    salinity, temperature = usual.salinity_g_kg, usual.temperature_c
    if "salinity" in found:
        parse = _with_units(units.parse_salinity, unit_system)
        salinity = _or(attempt(reading, found["salinity"].value, "a salinity, such as 35 g/kg", parse), salinity)
    if "temperature" in found:
        parse = _with_units(units.parse_temperature, unit_system)
        temperature = _or(
            attempt(reading, found["temperature"].value, "a temperature, such as 77 °F", parse), temperature
        )
    return Water(salinity, temperature)


def _or(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else value
