"""Where pumps and devices must come out again: between which of them a joint that comes apart has to be left."""

from __future__ import annotations

from collections.abc import Iterator

from optimizer.joints.mating import comes_off
from optimizer.model.catalog import SEPARABLE, Kind
from optimizer.model.kinds import MACHINES
from optimizer.model.network import Part


def segments_of(parts: tuple[Part, ...]) -> list[int]:
    """Return for each position how many pumps and devices stand before it."""
    count, out = 0, [0]
    for part in parts:
        count += part.kind in (Kind.PUMP, Kind.DEVICE)
        out.append(count)
    return out


def separable_needed(parts: tuple[Part, ...], open_joints: bool) -> list[bool]:
    """Return for each stretch between pumps, devices and run ends whether a separable joint must be left in it.

    One is needed where one stands today or, with `open_joints`, the stretch is not connected yet, beside pumps or
    devices that are cemented in: a port that is a thread, a barb or the like comes off by itself.
    """
    segments = segments_of(parts)
    last = segments[-1]
    needed = [False] * (last + 1)
    if last == 0:
        return needed
    for position, part in enumerate(parts):
        if part.kind in SEPARABLE:
            needed[segments[position]] = True
        if open_joints and part.kind is Kind.OPEN_JOINT:
            ports = [parts[at].ends[side] for at, side in _ports(parts, position)]
            needed[segments[position]] |= not any(comes_off(port) for port in ports)
    return needed


def _ports(parts: tuple[Part, ...], position: int) -> Iterator[tuple[int, int]]:
    """Yield the machines next to a position, before and behind, each with which of its two ends looks towards it."""
    before = next((at for at in range(position - 1, -1, -1) if parts[at].kind in MACHINES), None)
    behind = next((at for at in range(position + 1, len(parts)) if parts[at].kind in MACHINES), None)
    if before is not None:
        yield before, -1
    if behind is not None:
        yield behind, 0
