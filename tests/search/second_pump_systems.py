"""A small system in which a second pump may be put in, and a small shop for it. Invented, prices and curves too."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from small_trees import full_catalog
from unknown_systems import _read as load

from optimizer.model.catalog import Catalog, Kind
from optimizer.model.ends import End
from optimizer.model.system import System

_KINDS = {
    Kind.PIPE,
    Kind.BUSHING,
    Kind.REDUCING_COUPLING,
    Kind.UNION,
    Kind.SWING_CHECK_VALVE,
    Kind.TEE,
    Kind.COUPLING,
    Kind.CONSUMABLE,
}
_ADAPTERS = {"sch40-adapter-075-socket-npt", "sch40-adapter-100-socket-npt", "sch40-elbow-075", "sch40-elbow-100"}
TWO_SIZES = ("3/4 in", "1 in")


@cache
def shop(sizes: tuple[str, ...] = ("3/4 in",), pumps: tuple[str, ...] = ()) -> Catalog:
    """Return a shop that holds schedule 40 PVC of a few sizes, and pumps of one speed."""
    whole = full_catalog()
    items = {
        key: item
        for key, item in whole.items.items()
        if key in _ADAPTERS
        or key in pumps
        or (item.kind in _KINDS and item.family in ("sch 40 PVC", "cement", "primer", "tape") and _of(sizes, item.ends))
    }
    curves = {key: replace(whole.pumps[key], speeds=()) for key in pumps}
    return replace(whole, items=items, pumps=curves)


def _of(sizes: tuple[str, ...], ends: tuple[End, ...]) -> bool:
    return all(end.size in sizes and not end.form.is_thread for end in ends)


def one_pump(
    second: str,
    least: str = "at least 2300 L/h",
    display: str = "1.2 m",
    mounting: str = "either",
    more: str = "",
) -> System:
    """Return one pump in one line; `second` is the rule, `more` are others."""
    return load(
        f"""
system: One pump, perhaps two
units: metric
surfaces: {{sump: 0 m, display: {display}}}
pumps:
  return:
    curve: [0 L/h at 2.2 m, 1200 L/h at 1.9 m, 2400 L/h at 1.1 m, 3400 L/h at 0 m]
    ports: 3/4 in NPT male
    power: 30 W
    mounting: {mounting}
runs:
  line:
    from: sump
    to: display
    size: 3/4 in sch 40 PVC
    parts: [pump return, adapter NPT female x socket, union, pipe 12 in, elbow, pipe 2 ft]
targets: {{line: {least}}}
rules: {{sizes: [3/4 in, 1 in], velocity limit: 4 m/s, second pump: {second}{more}}}
"""
    )


SERIES = "{how: in series, another like it: 55 USD}"
BESIDE = "{how: side by side, line: [pipe 10 in], another like it: 55 USD}"
EITHER = "{how: either, line: [pipe 10 in], another like it: 55 USD}"
