"""What a spoiled file of each kind must end in: an answer, or errors with their places, and never anything else.

Each case takes a seed and a folder to write in, and raises where the program does what it must not.
"""

from __future__ import annotations

import json
import math
import random
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import cache
from pathlib import Path

from mutators import spoiled, spoiled_bytes, spoiled_workbook

from optimizer import pipeline
from optimizer.documents.adapters_text import adapters_blocks
from optimizer.documents.found import check_blocks, check_json, remarks
from optimizer.documents.meters_text import meter_blocks
from optimizer.documents.tables import plain_text
from optimizer.errors import InputError, OptimizerError
from optimizer.joints.ways import ways, why_no_way
from optimizer.model.catalog import Catalog
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog, load_catalog_files
from optimizer.read.named_end import named_end
from optimizer.read.places import data_directory
from optimizer.read.quote import Asked, load_quote
from optimizer.read.systems import load_system

Case = Callable[[int, Path], None]

FILES = sorted(data_directory("examples").rglob("*.yaml"))
CATALOGS = sorted(data_directory("catalogs").glob("*.csv"))
ROWS = 12  # of each shipped catalog are enough to be spoiled
MOST_S = 20.0  # of processor time
MOST_MB = 500.0


@cache
def catalog() -> Catalog:
    return load_catalog()


@cache
def workbook() -> bytes:
    """Return a store's workbook as the program writes it: that of the smallest plan."""
    from optimizer.documents.workbook import workbook_bytes

    system, parts = pipeline.read(data_directory("examples") / "single-return.yaml")
    return workbook_bytes(pipeline.plan(system, parts))


def clean(told: str) -> bool:
    """Return whether a terminal would obey nothing in a message."""
    return all(sign.isprintable() or sign in "\n\u200c\u200d" for sign in told)


def judged(error: OptimizerError, name: str) -> None:
    """Check that an error says where it is and can be printed."""
    assert clean(str(error)), repr(str(error))
    assert str(error).strip()
    if isinstance(error, InputError):
        for fault in error.faults:
            assert name in fault.place, fault
            assert fault.found, fault
            assert fault.allowed, fault


@contextmanager
def in_time() -> Iterator[None]:
    begun = time.process_time()
    yield
    took = time.process_time() - begun
    assert took < MOST_S, f"{took:.0f} s"


def in_bounds() -> None:
    """Check that the whole process has never taken more memory than a file may cost."""
    if sys.platform == "linux":  # elsewhere the unit is another one
        import resource

        assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 < MOST_MB


def _read_system(path: Path, content: bytes) -> None:
    """Read a system file, and solve it where it is one; what is wrong with it otherwise must have its place."""
    path.write_bytes(content)
    with in_time():
        try:
            system = load_system(path, catalog())
        except OptimizerError as error:
            judged(error, path.name)
            return
    _solve(system)


def _solve(system: System) -> None:
    """Tell what was read, and solve it where it can be solved."""
    try:
        told = plain_text(check_blocks(system, catalog())) + "".join(remarks(system, catalog()))
        json.dumps(check_json(system, catalog()), allow_nan=False)
    except InputError as error:  # `buy only from: own lists`, and none is here
        told = str(error)
    assert clean(told), repr(told)
    told = ""
    with in_time():
        try:
            flows = pipeline.flows(system).flows_m3_s
            assert all(math.isfinite(flow) for flow in flows.values())
            if system.measured:
                pipeline.calibrate(system)
        except OptimizerError as error:
            told = str(error)
    assert clean(told), repr(told)


def _read_catalog(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    with in_time():
        try:
            found = load_catalog_files([path.with_name("adapters.csv")], [path])
        except OptimizerError as error:
            judged(error, path.name if not isinstance(error, InputError) else "")
        else:
            assert all(0 <= item.price_cents < 2**40 for item in found.items.values())
            assert all(clean(item.description) for item in found.items.values())


def _read_quote(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    with in_time():
        try:
            quote = load_quote(path, "USD", {"sch40-elbow-100": Asked(2, 99)})
        except OptimizerError as error:
            judged(error, path.name)
        else:
            assert all(0 < price.cents < 2**40 for price in quote.prices.values())
            assert clean("".join(quote.remarks))


def _system_text(rng: random.Random) -> str:
    return rng.choice(FILES).read_text(encoding="utf-8")


def _catalog_text(rng: random.Random) -> str:
    lines = rng.choice(CATALOGS).read_text(encoding="utf-8").splitlines()
    return "\n".join([lines[0], *rng.sample(lines[1:], min(ROWS, len(lines) - 1)), ""])


def system_case(seed: int, folder: Path) -> None:
    _read_system(folder / "spoiled.yaml", spoiled(seed, _system_text(random.Random(seed))))


def reading_case(seed: int, folder: Path) -> None:
    """Spoil what was measured, and the dial and the speed that it is about, in a file that is otherwise right."""
    text = (data_directory("examples") / "measured-return.yaml").read_text(encoding="utf-8")
    key = random.Random(seed).choice(("measured:", "measured:", "pumps:"))
    before, after = text.split(f"\n{key}\n")
    end = "\ntargets:" if key == "measured:" else "\nruns:"
    section, rest = after.split(end)
    changed = spoiled(seed, f"{key}\n{section}")
    _read_system(folder / "spoiled.yaml", before.encode() + b"\n" + changed + end.encode() + rest.encode())


# What the examples have little of, each with the section that is spoiled: rates, tax, continued curves, meters, ends.
MONEY = "currency: EUR\nprices: {USD: 0.92 EUR on 2026-11-01, GBP: 1.15 EUR}\ntax: 19 %, included"
CURVE = """pumps:
  return:
    curve: [0 L/h at 3 m, 500 L/h at 2.8 m, 1000 L/h at 2.2 m]
    continued: [1600 L/h at 1 m, 2000 L/h at 0 m]
    dial: {30 %: 55 %, 100 %: 100 %}
    speeds: 30 % to 100 %
    ports: {in: 1 in BSPP male, out: 3/4 in MPT}"""
LINE = """runs:
  line:
    from: sump
    to: tank
    size: 1 in sch 40 PVC
    parts: [pump return, adapter 3/4 in FPT x 1 in slip, pipe 30 cm, open joint, meter G 3/4 male, open joint, pipe 1 m,
      adapter 1 in hub x 1/2 in hose barb, hose 1 m]"""
REST = """system: Spoiled
units: metric
water: {salinity: 35 g/kg, temperature: 25 degC}
surfaces: {sump: 0 m, tank: 0.4 m}
targets: {line: at least 300 L/h}"""
SECTIONS = (MONEY, CURVE, LINE)


def section_case(seed: int, folder: Path) -> None:
    """Spoil one section of a file: money, the pump's curve, or a line with ends, hose and a meter."""
    chosen = random.Random(seed).choice(SECTIONS)
    texts = [spoiled(seed, each) if each is chosen else each.encode() for each in SECTIONS]
    path = folder / "spoiled.yaml"
    path.write_bytes(b"\n".join([REST.encode(), *texts, b""]))
    with in_time():
        try:
            system, parts = pipeline.read(path)
        except OptimizerError as error:
            judged(error, path.name)
            return
    assert all(0 <= item.price_cents < 2**60 for item in parts.items.values())
    _solve(system)
    if seed % 10 == 0:
        _metered(system, parts)


def _metered(system: System, parts: Catalog) -> None:
    """Show the flow meters that read the lines."""
    with in_time():
        try:
            found = pipeline.metered_lines(system, parts, pipeline.settings_card(system), tuple(system.network.runs))
            blocks = meter_blocks(found, name=system.name, units=system.units, currency=parts.currency, bucket_m3=0.01)
            told = plain_text(blocks)
        except OptimizerError as error:
            told = str(error)
    assert clean(told), repr(told)


ENDS = (
    *("3/4 in NPT male", "1 in slip", "1 in socket", "25 mm socket", "1/2 in barb", "G 1/2 female", "1 in BSPP female"),
    *("3/4 in MPT", "1/2 in hose barb", "1/4 in push-fit", "32 mm socket", "3/4 in GHT female", "1-1/2 in spigot"),
)


def end_case(seed: int, folder: Path) -> None:
    """Spoil the words of an end, and ask for the ways from it to another one."""
    rng = random.Random(seed)
    first, second = rng.sample(ENDS, 2)
    with in_time():
        try:
            start = named_end(spoiled(seed, first).decode("utf-8", "replace"), catalog())
            goal = named_end(second, catalog())
            found = ways(start, goal, catalog())
            why = "" if found else why_no_way(start, goal, catalog())
            told = plain_text(adapters_blocks(start, goal, found, units="metric", currency="USD", why_none=why))
        except OptimizerError as error:
            told = str(error)
            assert told.strip()
    assert clean(told), repr(told)


def catalog_case(seed: int, folder: Path) -> None:
    _beside(folder)
    _read_catalog(folder / "spoiled.csv", spoiled(seed, _catalog_text(random.Random(seed))))


def price_list_case(seed: int, folder: Path) -> None:
    _beside(folder)
    ids = [line.split(",")[0] for line in _catalog_text(random.Random(seed)).splitlines()[1:]]
    text = "item_id,price,currency,price_date\n" + "\n".join(f"{one},1.05,USD,2026-11-01" for one in ids)
    _read_catalog(folder / "spoiled.csv", spoiled(seed, text))


def quote_case(seed: int, folder: Path) -> None:
    _read_quote(folder / "spoiled.xlsx", spoiled_workbook(seed, workbook()))


def bytes_case(seed: int, folder: Path) -> None:
    """Change bytes alone, of a file of any kind."""
    rng = random.Random(seed)
    kind = rng.randrange(3)
    if kind == 0:
        _read_system(folder / "spoiled.yaml", spoiled_bytes(rng, _system_text(rng).encode()))
    elif kind == 1:
        _beside(folder)
        _read_catalog(folder / "spoiled.csv", spoiled_bytes(rng, _catalog_text(rng).encode()))
    else:
        _read_quote(folder / "spoiled.xlsx", spoiled_bytes(rng, workbook()))


def _beside(folder: Path) -> None:
    """Put a catalog that is right beside the spoiled one."""
    whole = folder / "adapters.csv"
    if not whole.exists():
        whole.write_bytes((data_directory("catalogs") / whole.name).read_bytes())


CASES: Mapping[str, Case] = {
    "systems": system_case,
    "readings": reading_case,
    "sections": section_case,
    "ends": end_case,
    "catalogs": catalog_case,
    "price lists": price_list_case,
    "quotes": quote_case,
    "bytes": bytes_case,
}
