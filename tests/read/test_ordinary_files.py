"""What is no ordinary file is refused wherever a file is read: nobody waits for a pipe, nothing reads a device."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from optimizer import pipeline
from optimizer.errors import InputError
from optimizer.read.catalogs import load_catalog, load_catalog_files
from optimizer.read.places import data_directory
from optimizer.read.quote import load_quote
from optimizer.read.systems import load_system

ADAPTERS = data_directory("catalogs") / "adapters.csv"


def prepared(path: Path) -> None:
    """Read a system as a command does: its money first."""
    pipeline.read(path)


READERS: dict[str, Callable[[Path], object]] = {
    "a system": lambda path: load_system(path, load_catalog()),
    "a system with its money": prepared,
    "a price list": lambda path: load_catalog_files([ADAPTERS], [path]),
    "a quote": lambda path: load_quote(path, "USD", {}),
}
everywhere = pytest.mark.parametrize("read", READERS.values(), ids=READERS)


@everywhere
def test_a_folder_is_refused(read: Callable[[Path], object], tmp_path: Path) -> None:
    with pytest.raises(InputError, match="found a folder; allowed: "):
        read(tmp_path)


@everywhere
@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no such pipes")
def test_a_pipe_is_refused_and_not_waited_for(read: Callable[[Path], object], tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(InputError, match="found a pipe, not a file; allowed: "):
        read(pipe)


@everywhere
@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="there is no such device")
def test_a_device_is_refused(read: Callable[[Path], object]) -> None:
    with pytest.raises(InputError, match="found a device, not a file; allowed: "):
        read(Path("/dev/zero"))


def test_a_file_that_is_larger_than_any_system_is_not_read_into_memory(tmp_path: Path) -> None:
    large = tmp_path / "large.yaml"
    with large.open("wb") as file:
        file.truncate(20_000_000_000)  # a hole: it takes no room on the disk
    with pytest.raises(InputError, match="found a file of more than 1,000 kB; allowed: "):
        pipeline.read(large)


@everywhere
def test_no_file_at_all_is_said_to_be_none(read: Callable[[Path], object], tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"gone: found [Nn]o such file"):
        read(tmp_path / "gone")
