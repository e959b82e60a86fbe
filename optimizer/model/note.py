"""What a person must know of the work and of what it leaves, as data: `documents` words it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Note:
    """A code, and what its sentence needs.

    `run` is what it is about, empty for all; `names` are parts, points or sizes in trade words; `length_m` is a length,
    of what differs above 0 where the new is longer [m]; `share` is by how much a flow changes.
    """

    code: str
    run: str = ""
    names: tuple[str, ...] = ()
    length_m: float = 0.0
    share: float = 0.0
