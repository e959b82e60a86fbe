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
from optimizer.documents.found import check_blocks, check_json, remarks
from optimizer.documents.tables import plain_text
from optimizer.errors import InputError, OptimizerError
from optimizer.model.catalog import Catalog
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog, load_catalog_files
from optimizer.read.places import data_directory
from optimizer.read.quote import Asked, load_quote
from optimizer.read.systems import load_system

Case = Callable[[int, Path], None]

FILES = sorted(data_directory("examples").glob("*.yaml"))
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
    assert clean(plain_text(check_blocks(system, catalog())))
    assert clean("".join(remarks(system, catalog())))
    json.dumps(check_json(system, catalog()), allow_nan=False)
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
    "catalogs": catalog_case,
    "price lists": price_list_case,
    "quotes": quote_case,
    "bytes": bytes_case,
}
