"""A folder, or a list of files → jobs, one for each system, read as they are wanted."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

from optimizer import __version__
from optimizer.errors import InputError, OptimizerError
from optimizer.many.answer import Job, Lists
from optimizer.read.ordinary import first_bytes
from optimizer.read.places import data_directory

ENDINGS = (".yaml", ".yml")
MOST_BYTES = 1_000_001  # one more than the reader takes
MOST_LISTED = 100_000_000  # bytes of a list: a million paths


def systems(place: Path) -> list[tuple[str, Path]]:
    """Return (name, file) of each system of a folder, those in its folders too, or of a list of files, by name.

    Parameters
    ----------
    place
        A folder, or a text file with the path of a system on each line, from the folder of that file on.

    Raises
    ------
    OptimizerError
        Where there is neither, it holds no system, or a line of a list is there twice.
    """
    if place.is_dir():
        found = [path for path in place.rglob("*") if path.suffix.lower() in ENDINGS and path.is_file()]
        named = sorted((path.relative_to(place).as_posix(), path) for path in found)
        if not named:
            raise OptimizerError(f"{place}: holds no system, which is a file that ends in .yaml or .yml")
        return named
    allowed = "a folder, or a list with a file on each line"
    try:
        content = first_bytes(place, MOST_LISTED, allowed)
        lines = content.decode("utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "it is no text"
        raise OptimizerError(f"{place}: cannot be read, {why}; give {allowed}") from error
    if len(content) > MOST_LISTED:
        raise OptimizerError(f"{place}: holds more than {MOST_LISTED / 1e6:.0f} MB; give {allowed}")
    names = [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]
    twice = sorted({name for name in names if names.count(name) > 1}) if len(set(names)) < len(names) else []
    if twice:
        raise OptimizerError(f"{place}: '{twice[0]}' is listed more than once")
    if not names:
        raise OptimizerError(f"{place}: lists no file")
    return sorted((name, place.parent / name) for name in names)


def lists_of(paths: Sequence[Path]) -> Lists:
    """Return the bytes of the owner's lists, once it is clear that they can be read; InputError with every fault."""
    from optimizer.read.catalogs import load_catalog

    try:
        load_catalog(list(paths))
    except InputError as error:
        if not all(" currenc" in str(fault) for fault in error.faults):  # each system has rates of its own
            raise
    return tuple((path.name, path.read_bytes(), _sources_beside(path)) for path in paths)


def _sources_beside(path: Path) -> bytes:
    """Return the bytes of the file of sources that a list may name its own in; nothing where there is none."""
    sources = path.parent / "sources.toml"
    return sources.read_bytes() if sources.is_file() else b""


def jobs(named: Sequence[tuple[str, Path]], like: Job) -> Iterator[Job]:
    """Yield a job for each file, with its bytes; one that can not be read has why."""
    for name, path in named:
        content, fault = None, ""
        try:
            content = first_bytes(path, MOST_BYTES - 1, "a text file")
        except (OSError, ValueError) as error:  # a zero byte in a name
            fault = f"a file that cannot be read: {getattr(error, 'strerror', None) or error}"
        except InputError as error:
            fault = error.faults[0].found
        yield keyed(replace(like, name=name, content=content, fault=fault))


def keyed(job: Job) -> Job:
    """Return a job with the key of all that its answer depends on."""
    told = hashlib.sha256(shelf_key())
    for one in (job.name, job.what, f"{job.time_limit_s:.17g}", str(job.papers), job.fault):
        told.update(one.encode("utf-8", "surrogateescape") + b"\0")
    for content in (job.content or b"", *[part for name, *parts in job.lists for part in (name.encode(), *parts)]):
        told.update(hashlib.sha256(content).digest())
    return replace(job, key=told.hexdigest()[:32])


@cache
def shelf_key() -> bytes:
    """Return a digest of the program's version and the shipped catalogs."""
    told = hashlib.sha256(__version__.encode())
    for path in sorted(data_directory("catalogs").iterdir()):
        if path.is_file():
            told.update(path.name.encode() + b"\0" + hashlib.sha256(path.read_bytes()).digest())
    return told.digest()
