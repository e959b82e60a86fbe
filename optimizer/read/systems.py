"""A system file (YAML) → a System: the plumbing, the targets and the rules. All that is wrong is reported in one go.

The keys of the file, in trade words:

    system, note       a name and anything worth noting
    units, currency    US (gal/h, ft, in) or metric (L/h, m, mm); the currency of prices, USD if left out
    prices, tax        what one unit of another currency costs; the tax on what is bought, included or added
    water              salinity and temperature
    surfaces, outlets  name: height above the sump's water line; an outlet opens above the water
    supplies           name: pressure and elevation, for house water
    pumps              name: curve, speed, speeds (what the dial can be set to), ports, power, dial (what it means)
    devices            name: loss at a flow, ports
    tees               name: its sizes, run x run x branch, where the runs that meet there do not say it
    runs               name: from, to, size and parts, in the order of the water
    targets, rules     what each run must carry; what a plan may do
    tanks, drains      what keeps the floor dry: areas, edges and room of tanks, and how water gets back to the sump
    modes              name: pumps at their speeds, and targets of its own, for plumbing that is run in several ways
    pipe               new, grown over, or the roughness of the growth
    measured           readings: run, flow, at (dial setting), valves as they stood, accuracy
    calibration        the factors that the readings gave: loss factor, pump head factor, height shift, dial
    owned              pipe that lies there already: size and family, and its lengths

A bare number is gal/h, ft, psi, degF (US) or L/h, m, bar, degC (metric); a bare pipe length is refused. A sequence or
mapping may be written in either YAML style.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from optimizer import units
from optimizer.model.calibration import with_calibration
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.network import Network, Point, Run, Tee
from optimizer.model.system import System
from optimizer.model.throttling import with_suctions
from optimizer.read.closed_stubs import CLOSERS, stub_points, without_stubs
from optimizer.read.drains import read_drains, read_tanks, with_falls
from optimizer.read.fit import Border, Machines, fit_run
from optimizer.read.joined import RawRun, joined_runs
from optimizer.read.machines import read_devices, read_points, read_pumps, read_water
from optimizer.read.measured import note_missing_valves, read_calibration, read_measured, read_pipe_wall, under_names
from optimizer.read.money import read_money
from optimizer.read.nodes import (
    Entry,
    Node,
    Place,
    Reading,
    attempt,
    choice,
    entries,
    name_of,
    nearest,
    read_tree,
    text_of,
)
from optimizer.read.part_text import PartText, read_parts
from optimizer.read.run_text import PipeSize, RunText, sizes_along
from optimizer.read.second_pump import read_second_pump
from optimizer.read.stores import read_owned
from optimizer.read.targets import Named, devices_in, read_settings, read_targets
from optimizer.read.tees import fit_tees, read_stub_tees, read_tees
from optimizer.read.topology import EndText, Layout, lay_out, note_islands
from optimizer.read.wishes import read_rules
from optimizer.read.words import parse_run_size

KEYS = (
    "system",
    "note",
    "units",
    "currency",
    "prices",
    "tax",
    "mark-up",
    "water",
    "surfaces",
    "outlets",
    "supplies",
    "pumps",
    "devices",
    "tees",
    "runs",
    "targets",
    "modes",
    "rules",
    "pipe",
    "measured",
    "calibration",
    "owned",
    "tanks",
    "drains",
)
ALSO = {"settings": "modes"}
MOST_RUNS, MOST_PARTS = 2_000, 20_000  # far beyond any plumbing: a slip, or a file that is none
POINT_KEYS = ("surfaces", "outlets", "supplies")
RUN_KEYS = ("from", "to", "size", "parts", "note")


def load_system(path: Path, catalog: Catalog, content: bytes | None = None) -> System:
    """Return the system that a file describes, its parts looked up in the catalog.

    Parameters
    ----------
    path
        A UTF-8 YAML file; places in messages show it as it was given.
    catalog
        The rows that parts, tees and sizes are looked up in.
    content
        What counts as the content of the file, such as a text that is not saved yet; None: what it holds.

    Raises
    ------
    InputError
        With every fault of the file, in file order, as `file:line:column`.
    """
    reading, root = read_tree(Path(path), content)
    found = entries(reading, root, "a system file", KEYS, ALSO)
    if root.pairs is None:
        reading.finish()
    _note_missing_keys(reading, root, found)
    unit_system = _units(reading, found)
    name = name_of(reading, found["system"].value, "a name") if "system" in found else None
    all_keys = len(found) == len(root.pairs or ())
    network, runs, told = _read_network(reading, found, unit_system, catalog, all_keys)
    named = Named(runs, devices_in(network.runs), told, whole=not len(reading))
    targets = read_targets(reading, found.get("targets"), named, unit_system)
    money, note = read_money(reading, found), _note(reading, found)
    rules = read_rules(reading, found.get("rules"), catalog, money.currency, unit_system)
    second = read_second_pump(reading, found.get("rules"), network, catalog, money.currency, unit_system)
    pumps = _written(found, "pumps")
    measured = under_names(read_measured(reading, found.get("measured"), runs, pumps, unit_system), told)
    calibration = read_calibration(reading, found.get("calibration"), pumps, unit_system)
    owned = read_owned(reading, found.get("owned"), catalog)
    tanks = read_tanks(reading, found.get("tanks"), network, named, unit_system)
    if not rules.trusts_breaks:
        tanks = tuple(tank.clogged for tank in tanks)
    drains = read_drains(reading, found.get("drains"), network, catalog, unit_system)
    network = with_falls(network, tanks, drains)
    settings = read_settings(reading, found.get("modes"), named, network, pumps, targets, unit_system)
    if not len(reading):
        note_missing_valves(reading, found.get("measured"), {**network.runs, **_under(network.runs, told)})
    reading.finish()
    if calibration is not None:
        network = with_calibration(network, calibration)
    stated = (str(path), note, measured, calibration, settings)
    system = System(
        name or "",
        unit_system,
        money.currency,
        network,
        targets,
        rules,
        *stated,
        owned_m=owned,
        tanks=tanks,
        drains=drains,
        second_pump=second,
        remarks=reading.remarks,
        money=money,
    )
    return system.with_standing


def _note_missing_keys(reading: Reading, root: Node, found: Mapping[str, Entry]) -> None:
    for key in ("system", "units", "runs"):
        if key not in found:
            reading.fault(root.place, f"a system file without '{key}'", "system, units and runs in every file")


def _units(reading: Reading, found: Mapping[str, Entry]) -> str:
    if "units" not in found:
        return units.US  # a stand-in: the missing key is a fault already
    return choice(reading, found["units"].value, {units.US: units.US, units.METRIC: units.METRIC}) or units.US


def _note(reading: Reading, found: Mapping[str, Entry]) -> str:
    return (text_of(reading, found["note"].value, "a text") or "") if "note" in found else ""


def _read_network(
    reading: Reading, found: dict[str, Entry], unit_system: str, catalog: Catalog, all_keys: bool
) -> tuple[Network, dict[str, Place], Mapping[str, str]]:
    """Return the plumbing, the names of all runs, sound or not, and which of them are told under another name.

    Not to be used if there were faults.
    `all_keys` says that every key of the file was known.
    """
    water = read_water(reading, found.get("water"), unit_system)
    points = read_points(reading, found, unit_system, water)
    pumps = read_pumps(reading, found.get("pumps"), unit_system)
    devices = read_devices(reading, found.get("devices"), unit_system)
    written = _read_runs(reading, found, unit_system, catalog)
    stubs = [run for run in written if run.node is not None]
    plumbed = [run for run in written if run.node is None]
    closed: frozenset[str] = frozenset()
    complete = all_keys and _is_complete(found, plumbed, points, len(stubs))
    if complete:
        said = read_stub_tees(reading, found.get("tees"), stub_points(stubs, points))
        plumbed, closed = without_stubs(reading, plumbed, stubs, points, said, catalog)
    raw_runs, told = joined_runs(reading, plumbed, points) if complete else (plumbed, {})
    _note_machines(reading, found, [part for run in raw_runs for part in run.parts], complete)
    layout = _layout(reading, raw_runs, points, found, complete)
    texts = {run.name: text for run in raw_runs if (text := run.text) is not None}
    tees = _tees(reading, found, layout, texts, catalog, closed)
    ends = {run.name: run.ends for run in raw_runs if run.whole}
    machines = Machines(pumps, devices)
    runs = {
        name: _fit(reading, texts[name], ends[name], layout, tees, machines, catalog) for name in texts if name in ends
    }
    sound = {name: run for name, run in runs.items() if run is not None}
    growth_m = read_pipe_wall(reading, found.get("pipe"))
    network = Network(
        layout.points, with_suctions(sound, layout.points), tees, pumps, devices, water, extra_roughness_m=growth_m
    )
    return network, {run.name: run.place for run in written}, told


def _under(runs: Mapping[str, Run], told: Mapping[str, str]) -> dict[str, Run]:
    """Return the runs by the names that are not told."""
    return {name: runs[other] for name, other in told.items() if other in runs}


def _read_runs(reading: Reading, found: Mapping[str, Entry], unit_system: str, catalog: Catalog) -> list[RawRun]:
    if "runs" not in found:
        return []
    runs = entries(reading, found["runs"].value, "runs")
    if not runs and found["runs"].value.pairs is not None:
        reading.fault(found["runs"].place, "no runs", "at least one run")
    if len(runs) > MOST_RUNS:
        reading.fault(found["runs"].place, f"{len(runs):,} runs", f"at most {MOST_RUNS:,}")
        reading.finish()
    read = []
    for entry in runs.values():
        read.append(_read_run(reading, entry, unit_system, catalog))
        if sum(len(run.parts) for run in read) > MOST_PARTS:
            reading.fault(entry.place, f"more than {MOST_PARTS:,} parts", f"at most {MOST_PARTS:,} in a file")
            reading.finish()
    return read


def _read_run(reading: Reading, entry: Entry, unit_system: str, catalog: Catalog) -> RawRun:
    found = entries(reading, entry.value, f"run '{entry.key}'", RUN_KEYS)
    closer = _closer(found)
    missing = [key for key in ("from", "to", "size", "parts") if key not in found and not (closer and key == "to")]
    if missing and entry.value.pairs is not None:
        words = " and ".join(f"'{key}'" for key in missing)
        reading.fault(entry.place, f"run '{entry.key}' without {words}", "from, to, size and parts in every run")
    ends = []
    for key in ("from", "to"):
        text = name_of(reading, found[key].value, "the name of a point") if key in found else None
        if text:
            ends.append(EndText(entry.key, key == "from", text, found[key].value.place))
    size = None
    if "size" in found:
        what = "a size and a family, such as 1 in sch 40 PVC"
        size = attempt(reading, found["size"].value, what, lambda text: parse_run_size(text, catalog))
    listed = found["parts"].value if "parts" in found else None
    if closer is not None and listed is not None and listed.items is not None:
        listed = replace(listed, items=listed.items[:-1])
        parts = read_parts(reading, listed, unit_system) if listed.items else []
    else:
        parts = read_parts(reading, listed, unit_system) if listed is not None else [None]
    node = closer if len(ends) == 1 else None
    return RawRun(entry.key, entry.place, tuple(ends), size, tuple(parts), node=node)


def _closer(found: Mapping[str, Entry]) -> Node | None:
    """Return the cap or plug that a run without `to` ends in."""
    items = found["parts"].value.items if "parts" in found and "to" not in found else None
    last = items[-1] if items else None
    return last if last is not None and (last.text or "").strip().lower() in CLOSERS else None


def _is_complete(
    found: Mapping[str, Entry], runs: Sequence[RawRun], points: Mapping[str, Point], stubs: int = 0
) -> bool:
    """Return whether no run end or point was lost to another fault, so that what seems to be missing really is."""
    named = sum(len(found[key].value.pairs or ()) for key in POINT_KEYS if key in found)
    written = len(found["runs"].value.pairs or ()) if "runs" in found else 0
    whole = all(len(run.ends) == 2 for run in runs)
    return whole and len(runs) + stubs == written and len(points) == named


def _layout(
    reading: Reading,
    runs: Sequence[RawRun],
    points: Mapping[str, Point],
    found: Mapping[str, Entry],
    complete: bool,
) -> Layout:
    faults_before = len(reading)
    layout = lay_out(reading, [end for run in runs for end in run.ends], points, complete)
    if complete and len(reading) == faults_before:
        note_islands(reading, layout, {run.name: run.place for run in runs})
        _note_unused_points(reading, layout, points, found)
    return layout


def _note_unused_points(
    reading: Reading, layout: Layout, points: Mapping[str, Point], found: Mapping[str, Entry]
) -> None:
    """Note declared surfaces, outlets and supplies that no run reaches, nor any drain or outlet that a tank names."""
    used = {end.point for end in layout.ends.values()} | _tanks_named(found)
    for key in POINT_KEYS:
        pairs = (found[key].value.pairs if key in found else None) or ()
        for node, _ in pairs:
            if node.text in points and node.text not in used:
                allowed = "'from' or 'to' of at least one run at every point that is declared"
                reading.fault(node.place, f"'{node.text}', which no run reaches", allowed)


def _tanks_named(found: Mapping[str, Entry]) -> set[str]:
    """Return the tanks that outlets feed, and those that drains run out of or into."""
    tanks, drains = ((found[key].value.pairs if key in found else None) or () for key in ("tanks", "drains"))
    fed = {name.text or "" for name, each in tanks if any(key.text == "fed by" for key, _ in each.pairs or ())}
    ends = {end.text or "" for _, each in drains for key, end in each.pairs or () if key.text in ("from", "to")}
    return fed | ends


def _tees(
    reading: Reading,
    found: Mapping[str, Entry],
    layout: Layout,
    texts: Mapping[str, RunText],
    catalog: Catalog,
    closed: frozenset[str],
) -> dict[str, Tee]:
    """Return the tees at which every run's size is known; the sizes are those at the runs' ends."""
    sizes: dict[tuple[str, bool], PipeSize] = {}
    for name, text in texts.items():
        along = sizes_along(text, catalog)
        sizes |= {
            (name, at_start): size for at_start, size in ((True, along[0]), (False, along[-1])) if size is not None
        }
    known = {key: end for key, end in layout.ends.items() if key in sizes}
    told = read_tees(reading, found.get("tees"), layout, closed)
    unknown = {end.point for key, end in layout.ends.items() if key not in sizes}
    within = {name: point for name, point in layout.points.items() if name not in unknown}
    families = {name: text.family for name, text in texts.items()}
    return fit_tees(reading, Layout(within, known, layout.tee_places), sizes, families, told, catalog)


def _fit(
    reading: Reading,
    text: RunText,
    ends: tuple[EndText, ...],
    layout: Layout,
    tees: Mapping[str, Tee],
    machines: Machines,
    catalog: Catalog,
) -> Run | None:
    """Return a run with its parts looked up; None if that failed."""
    start, end = (_border(each, layout, tees) for each in ends)
    parts = fit_run(reading, text, (start, end), machines, catalog)
    places = [layout.ends.get((text.name, at_start)) for at_start in (True, False)]
    if not parts or places[0] is None or places[1] is None:
        return None
    return Run(text.name, places[0], places[1], text.size, text.family, parts, reading.where(text.place))


def _border(text: EndText, layout: Layout, tees: Mapping[str, Tee]) -> Border:
    """Return what lies beyond one end of a run: the opening of its tee, if there is one."""
    at = layout.ends.get((text.run, text.at_start))
    point = layout.points.get(at.point) if at else None
    if at is None or point is None or point.is_fixed:
        return Border(text.text, text.place, is_tee=point is None)
    item = tees[at.point].item if at.point in tees else None
    order = ["run 1", "run 2", "branch", "branch 2"]
    return Border(f"{point.kind} '{at.point}'", text.place, item.ends[order.index(at.leg)] if item else None, True)


def _written(found: Mapping[str, Entry], key: str) -> dict[str, Place]:
    """Return the names in a section of the file, also of what can not be read."""
    pairs = (found[key].value.pairs if key in found else None) or ()
    return {node.text: node.place for node, _ in pairs if node.text}


def _note_machines(
    reading: Reading, found: Mapping[str, Entry], parts: Sequence[PartText | None], complete: bool
) -> None:
    """Note pumps and devices that are unknown, used twice, or stand in no run: each is one thing in one place.

    Whether one stands in no run can only be said if no run was lost and no line of parts was unreadable or unknown.
    """
    complete = complete and None not in parts
    for key, kind in (("pumps", Kind.PUMP), ("devices", Kind.DEVICE)):
        names = _written(found, key)
        used: set[str] = set()
        for part in parts:
            if part is None or part.kind is not kind:
                continue
            if part.name not in names:
                allowed = ", ".join(names) or f"{kind}s that stand under '{key}'"
                reading.fault(part.node.place, f"the unknown {kind} '{part.name}'", allowed, nearest(part.name, names))
                complete = False
            elif part.name in used:
                reading.fault(part.node.place, f"{kind} '{part.name}' for the second time", f"each {kind} in one place")
            used.add(part.name)
        for name, place in names.items():
            if complete and name not in used:
                reading.fault(
                    place, f"{kind} '{name}', which stands in no run", f"'{kind} {name}' among the parts of a run"
                )
