"""The `rules` of a system file → what a plan may do."""

from __future__ import annotations

from optimizer import units
from optimizer.model.catalog import Catalog
from optimizer.model.system import Rules
from optimizer.read.nodes import Entry, Node, Reading, attempt, entries, items_of, nearest, yes_or_no
from optimizer.read.words import in_size_order, parse_size, pipe_sizes


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
