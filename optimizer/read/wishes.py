"""The `targets` and `rules` of a system file → what each run must carry and what a plan may do."""

from __future__ import annotations

import re
from collections.abc import Mapping

from optimizer import units
from optimizer.errors import QuantityError
from optimizer.model.catalog import Catalog
from optimizer.model.system import Rules, Target
from optimizer.read.nodes import Entry, Node, Place, Reading, attempt, entries, items_of, nearest, yes_or_no
from optimizer.read.words import in_size_order, parse_size, pipe_sizes

_GRAMMAR = "at least 300 gal/h, 250 to 350 gal/h, at most 350 gal/h, exactly 300 gal/h or any"
_ONE_SIDED = re.compile(r"(?P<word>at least|at most|exactly)[ ]+(?P<flow>.+)", re.IGNORECASE)
_WINDOW = re.compile(r"(?P<low>.+?)[ ]+to[ ]+(?P<high>.+)", re.IGNORECASE)


def read_targets(
    reading: Reading, entry: Entry | None, runs: Mapping[str, Place], unit_system: str
) -> tuple[Target, ...]:
    """Return the targets in file order; one on a run that the file does not have is a fault."""
    if entry is None:
        return ()
    targets = []
    for name, each in entries(reading, entry.value, "targets").items():
        if name not in runs:
            reading.fault(
                each.place, f"a target for the unknown run '{name}'", ", ".join(runs) or "no runs", nearest(name, runs)
            )
            continue
        window = attempt(reading, each.value, _GRAMMAR, lambda text: parse_window(text, unit_system))
        if window is not None:
            targets.append(Target(name, *window, reading.where(each.place)))
    return tuple(targets)


def parse_window(text: str, unit_system: str) -> tuple[float, float | None]:
    """Return (low_m3_s, high_m3_s or None) of `at least X`, `X to Y`, `at most Y`, `exactly X` or `any`."""
    if text.lower() == "any":
        return 0.0, None
    if match := _ONE_SIDED.fullmatch(text):
        flow_m3_s = units.parse_flow(match["flow"], unit_system)
        word = match["word"].lower()
        return (0.0 if word == "at most" else flow_m3_s), (None if word == "at least" else flow_m3_s)
    if match := _WINDOW.fullmatch(text):
        high_m3_s = units.parse_flow(match["high"], unit_system)
        low_m3_s = units.parse_flow(_with_unit_of(match["low"], match["high"]), unit_system)
        if low_m3_s > high_m3_s:
            raise QuantityError(f"'{text}'", "the lower flow first", _swapped(match))
        return low_m3_s, high_m3_s
    suggestion = f"'at least {text}'" if re.match(r"\d", text) else None
    raise QuantityError(f"'{text}'", _GRAMMAR, suggestion)


def _with_unit_of(low: str, high: str) -> str:
    """Return `250 gal/h` for the 250 of `250 to 350 gal/h`."""
    unit = re.sub(r"^[\d.,/ -]+", "", high)
    return f"{low} {unit}" if re.fullmatch(r"[\d. ]+", low) else low


def _swapped(match: re.Match[str]) -> str:
    low, high = match["low"], match["high"]
    number, unit = re.fullmatch(r"([\d. ]*)(.*)", high).groups()  # type: ignore[union-attr]
    if re.fullmatch(r"[\d. ]+", low):
        return f"'{number.strip()} to {low} {unit}'".replace(" '", "'")
    return f"'{high} to {low}'"


def read_rules(reading: Reading, entry: Entry | None, catalog: Catalog, unit_system: str) -> Rules:
    """Return the rules; what is left out keeps its default."""
    usual = Rules()
    if entry is None:
        return usual
    found = entries(reading, entry.value, "rules", ["sizes", "velocity limit", "brass allowed", "keep unions"])
    sizes = _sizes(reading, found["sizes"].value, catalog) if "sizes" in found else usual.sizes
    velocity = usual.velocity_limit_m_s
    if "velocity limit" in found:
        parsed = attempt(
            reading,
            found["velocity limit"].value,
            "a speed, such as 5 ft/s",
            lambda text: units.parse_speed(text, unit_system),
        )
        velocity = parsed or velocity
    brass = yes_or_no(reading, found["brass allowed"].value) if "brass allowed" in found else None
    unions = yes_or_no(reading, found["keep unions"].value) if "keep unions" in found else None
    return Rules(
        sizes,
        velocity,
        usual.allow_unsafe_metals if brass is None else brass,
        usual.keep_services if unions is None else unions,
    )


def _sizes(reading: Reading, node: Node, catalog: Catalog) -> tuple[str, ...]:
    """Return the nominal sizes that a plan may use, small to large."""
    known = in_size_order(size for sizes in pipe_sizes(catalog).values() for size in sizes)
    found = []
    for item in items_of(node):
        size = attempt(reading, item, "a nominal size, such as 1-1/4 in", parse_size)
        if size is not None and size not in known:
            reading.fault(item.place, f"the size '{size}', which no pipe has", ", ".join(known), nearest(size, known))
        elif size is not None:
            found.append(size)
    return tuple(in_size_order(found))
