"""Small systems whose flows are not known beforehand, written as an owner would. Invented."""

from __future__ import annotations

import math
import re
import tempfile
from collections.abc import Iterable
from dataclasses import replace
from functools import cache
from pathlib import Path

from flow_cases import choices_of
from small_trees import full_catalog, small_catalog

from optimizer.model.catalog import Catalog, Kind
from optimizer.model.system import Setting, System, Target
from optimizer.read.systems import load_system
from optimizer.search.flow_case import material_of, prepare
from optimizer.search.flow_posing import cents_of, duties_of
from optimizer.search.unknown_pumps import pump_variants
from optimizer.verify.openings import settle

_HEAD = """
system: A small one
units: metric
pumps:
  return:
    curve: [0 L/h at 3.5 m, 1500 L/h at 3.0 m, 3000 L/h at 1.8 m, 4500 L/h at 0 m]
    ports: 3/4 in NPT male
    speed: 80 %
    speeds: [80 %, 100 %]
    power: 45 W
"""
_LINE = """
surfaces: {sump: 0 m, left tank: 1.2 m}
runs:
  line:
    from: sump
    to: left tank
    size: 3/4 in sch 40 PVC
    parts: [pump return, adapter NPT female x socket, pipe 6 in, elbow, pipe 3 ft, elbow, pipe 1 ft]
rules: {sizes: [3/4 in, 1 in]}
"""
_BRANCHES = """
surfaces: {sump: 0 m, left tank: 1.2 m, right tank: 1.4 m}
runs:
  riser:
    from: sump
    to: tee
    size: 3/4 in sch 40 PVC
    parts: [pump return, adapter NPT female x socket, pipe 6 in, elbow, pipe 3 ft]
  left: {from: tee, to: left tank, size: 3/4 in sch 40 PVC, parts: [pipe 2 ft, elbow, pipe 10 in]}
  right: {from: tee branch, to: right tank, size: 3/4 in sch 40 PVC, parts: [pipe 3 ft, elbow, pipe 1 ft]}
rules: {sizes: [3/4 in, 1 in]}
"""


_RING = """
surfaces: {sump: 0 m, left tank: 1.0 m, right tank: 1.1 m}
runs:
  riser:
    from: sump
    to: ring in
    size: 3/4 in sch 40 PVC
    parts: [pump return, adapter NPT female x socket, pipe 6 in, elbow, pipe 3 ft]
  one side: {from: ring in, to: ring left, size: 3/4 in sch 40 PVC, parts: [pipe 3 ft, elbow, pipe 4 ft]}
  other side: {from: ring in branch, to: ring right, size: 3/4 in sch 40 PVC, parts: [pipe 3 ft, elbow, pipe 4 ft]}
  link: {from: ring left, to: ring right, size: 3/4 in sch 40 PVC, parts: [pipe 3 ft]}
  left: {from: ring left branch, to: left tank, size: 3/4 in sch 40 PVC, parts: [pipe 1 ft, elbow, pipe 6 in]}
  right: {from: ring right branch, to: right tank, size: 3/4 in sch 40 PVC, parts: [pipe 1 ft, elbow, pipe 6 in]}
rules: {sizes: [3/4 in, 1 in]}
"""


@cache
def catalog() -> Catalog:
    """Return plain schedule 40 in two sizes, with what joins it to a pump, and the pumps."""
    whole, plain = full_catalog(), small_catalog()
    kept = {key: item for key, item in whole.items.items() if item.kind is Kind.PUMP or key in ADAPTERS}
    return replace(whole, items={**plain.items, **kept})


ADAPTERS = (
    "sch40-adapter-075-socket-npt",
    "sch40-adapter-100-socket-npt",
    "sch40-adapter-075-spigot-npt",
    "sch40-adapter-100-spigot-npt",
)


def cheapest_of_all(system: System, shop: Catalog) -> float:
    """Return the least cost over every pump, way, fitting and speed that stands as a network; infinite when none."""
    best = math.inf
    free = replace(system, rules=replace(system.rules, electricity_cents_per_kwh=0.0))
    for variant in pump_variants(free, shop):  # each pump with all its speeds to choose from
        prepared = prepare(material_of(replace(variant.system, rules=system.rules), shop))
        if prepared is None:
            continue
        case = prepared.case
        for choice in sorted(choices_of(case), key=lambda each: cents_of(case, each)):
            if cents_of(case, choice) >= best:
                break
            settled = settle(duties_of(case, choice), case.conditions)
            if settled is not None and settled.met:
                best = cents_of(case, choice)
    return best


@cache
def _read(text: str) -> System:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "system.yaml"
        path.write_text(text)
        return load_system(path, full_catalog())


def line(targets: str) -> System:
    """Return one run from a pump to a tank, without a valve."""
    return _read(f"{_HEAD}{_LINE}targets:\n{targets}")


def valved_line() -> System:
    """Return the one run with a valve in it, of which nothing is asked."""
    return _read(f"{_HEAD}{_LINE.replace('elbow, pipe 1 ft]', 'elbow, ball valve, pipe 1 ft]')}targets:\n  line: any")


def branches(targets: str) -> System:
    """Return a riser and two branches, none of them with a valve."""
    return _read(f"{_HEAD}{_BRANCHES}targets:\n{targets}")


def even_branches(targets: str) -> System:
    """Return a wide riser whose pump has one speed, and two narrow branches alike, one to a lower tank."""
    branch = "pipe 4 ft, elbow, elbow, pipe 2 ft"
    text = _BRANCHES.replace("pipe 2 ft, elbow, pipe 10 in", branch).replace("pipe 3 ft, elbow, pipe 1 ft", branch)
    text = text.replace("3/4 in", "1 in", 1)
    head = _HEAD.replace("speed: 80 %\n    speeds: [80 %, 100 %]", "speed: 100 %").replace("3/4 in", "1 in")
    return _read(f"{head}{text}targets:\n{targets}")


def branches_and_gravity(targets: str) -> System:
    """Return the same with a gravity line from the right tank down into the left one."""
    down = "  down: {from: right tank, to: left tank, size: 3/4 in sch 40 PVC, parts: [pipe 1 ft, elbow, pipe 1 ft]}\n"
    return _read(f"{_HEAD}{_BRANCHES.replace('rules:', down + 'rules:')}targets:\n{targets}")


def branches_beside_a_loop(targets: str) -> System:
    """Return the branches, and beside them a loop on the sump whose own pump runs near the end of its curve."""
    pump = "  cold: {curve: [0 L/h at 1 m, 900 L/h at 0.4 m, 1000 L/h at 0 m], ports: 3/4 in NPT male}\n"
    parts = "[pump cold, adapter NPT female x socket, pipe 1 m]"
    loop = f"  loop: {{from: sump, to: sump, size: 3/4 in sch 40 PVC, parts: {parts}}}\n"
    rules = "rules: {sizes: [3/4 in, 1 in], velocity limit for new pipe: 10 ft/s}\n"
    text = _HEAD + pump + _BRANCHES[: _BRANCHES.index("rules:")] + loop + rules
    return _read(f"{text}targets:\n{targets}\n  loop: at least 300 L/h")


def ring(targets: str, turned: Iterable[str] = ()) -> System:
    """Return a ring main with two drops, none of its runs with a valve; `turned` runs are written the other way."""
    text = _RING
    for name in turned:
        found = re.search(rf"  {name}: {{from: (.*?), to: (.*?), size: (.*?), parts: \[(.*?)\]}}", text)
        assert found is not None
        start, end, size, parts = found.groups()
        back = ", ".join(reversed(parts.split(", ")))
        text = text.replace(found[0], f"  {name}: {{from: {end}, to: {start}, size: {size}, parts: [{back}]}}")
    return _read(f"{_HEAD}{text}targets:\n{targets}")


def day_and_night() -> System:
    """Return one run that is to carry much by day and less by night."""
    day = Setting("day", {"return": 1.0}, (Target("line", 7.8e-4),))
    night = Setting("night", {"return": 0.8}, (Target("line", 5.2e-4),))
    return replace(line("  line: any"), targets=(), settings=(day, night))
