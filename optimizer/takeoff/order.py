"""How a catalog item stands on a parts list: its group, its size, ends and standards in words, its place in order."""

from __future__ import annotations

from optimizer.joints.threads import standard_of
from optimizer.model.catalog import CHECKS, JOINERS, PIPES, THROTTLES, CatalogItem, Kind
from optimizer.model.ends import End, SizeSystem, size_rank
from optimizer.units import length_value

PIPE, FITTINGS, VALVES, ADAPTERS, CONSUMABLES = "Pipe", "Fittings", "Valves", "Thread adapters", "Consumables"
GROUPS = (PIPE, FITTINGS, VALVES, ADAPTERS, CONSUMABLES)

_SYSTEMS = tuple(SizeSystem)
_KINDS = {kind: place for place, kind in enumerate(Kind)}
_SAME_LENGTH_M = 1e-6


def group_of(item: CatalogItem) -> str:
    """Return the heading under which a store keeps the item."""
    if item.kind is Kind.CONSUMABLE:
        return CONSUMABLES
    if item.kind in PIPES:
        return PIPE
    if item.kind in THROTTLES | CHECKS:
        return VALVES
    if item.kind in JOINERS and any(end.form.is_thread for end in item.ends):
        return ADAPTERS
    return FITTINGS


def size_words(item: CatalogItem) -> str:
    """Return the nominal size, or all of them when the ends differ: `1 in`, `1-1/2 in × 1 in`."""
    sizes = [end.size for end in item.ends]
    return " × ".join(sizes[:1] if len(set(sizes)) == 1 else sizes)


def ends_words(item: CatalogItem) -> str:
    """Return the forms of the ends in the order of the sizes: `socket × NPT male`."""
    if item.kind in PIPES:
        return "plain" if item.ends else ""
    return " × ".join(end.form.value for end in item.ends)


def standards_words(item: CatalogItem) -> str:
    """Return the item's standard, and those of its threads that it does not name itself."""
    named = [item.standard] if item.standard else []
    for end in item.ends:
        thread = standard_of(end.form)
        if thread and not any(thread in name for name in named):
            named.append(thread)
    return "; ".join(named)


def sale_unit(item: CatalogItem) -> str:
    """Return what one of the quantity is: `each`, `ft`, `m`, `10 ft length`, `0.5 m length`."""
    length_m = item.sale_length_m
    if not length_m > 0:
        return "each"
    if abs(length_m - 1.0) < _SAME_LENGTH_M:
        return "m"
    feet = length_value(length_m, "US")
    if abs(feet - round(feet)) < _SAME_LENGTH_M and round(feet) > 0:
        return "ft" if round(feet) == 1 else f"{round(feet)} ft length"
    return f"{length_m:g} m length"


def stick_words(length_m: float) -> str:
    """Return `10 ft length`, `3 m length`, whatever the file's units: it is what the store writes on the rack."""
    feet = length_value(length_m, "US")
    if abs(feet - round(feet)) < _SAME_LENGTH_M and round(feet) > 0:
        return f"{round(feet)} ft length"
    return f"{length_m:g} m length"


def place_in_list(item: CatalogItem) -> tuple[int, int, tuple[float, ...], int, str, str]:
    """Return the key that sorts a parts list: group, size system, largest size first, kind, words."""
    sized = sorted(item.ends, key=_end_key)
    system = _SYSTEMS.index(sized[0].system) if sized else len(_SYSTEMS)
    sizes = tuple(sorted(-size_rank(end.size) for end in sized if end.system == sized[0].system))
    return GROUPS.index(group_of(item)), system, sizes, _KINDS[item.kind], item.description, item.item_id


def _end_key(end: End) -> int:
    return _SYSTEMS.index(end.system)
