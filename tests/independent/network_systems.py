"""Random small plumbings whose flows the network alone tells: forks without a valve, and rings. All invented."""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import replace

from many_networks import flows_now_l_h, flows_of_one_l_h
from random_systems import Line, Small, old, parts_between, prices_of

KEPT = 0.65  # of all parts stay, so that every plumbing can be gone through
NARROW = 0.015  # a window reaches so far to both sides
LINKS = ("elbow", "45 elbow", "coupling")


def _parts(rng: random.Random, pipe_m: tuple[float, float]) -> tuple[object, ...]:
    return parts_between(rng, rng.randint(0, 1), False, KEPT, pipe_m, LINKS)


def _side(rng: random.Random) -> tuple[object, ...]:
    return (*_parts(rng, (0.3, 1.5)), old("union", keep=True), old("pipe", length_m=round(rng.uniform(0.2, 0.6), 3)))


def _small(name: str, rng: random.Random, lines: Mapping[str, Line], heights: Mapping[str, float]) -> Small:
    """Return a system with a pump that is strong enough, tees of one size and little for sale."""
    prices = prices_of(rng, missing=8)
    del prices["sch40-tee-100x100x075"]
    tees = {
        line.start.split()[0]: "sch40-tee-075" for line in lines.values() if line.start.startswith(("split", "join"))
    }
    pump = rng.uniform(2.2, 4.0), rng.uniform(3500.0, 5500.0)
    return Small(name, heights, lines, pump, prices, tees)


def fork(seed: int) -> Small:
    """Return a riser and two branches without a valve into two tanks, nothing asked for yet."""
    rng = random.Random(f"fork {seed}")
    riser = (old("pump"), old("adapter", keep=True), *_parts(rng, (0.2, 1.2)))
    lines = {"riser": Line("riser", "sump", "split", riser)}
    for i in (1, 2):
        start = "split branch" if i == 1 else "split"
        lines[f"branch {i}"] = Line(f"branch {i}", start, f"tank {i}", _parts(rng, (0.3, 2.0)))
    heights = {"sump": 0.0, "tank 1": rng.uniform(0.5, 0.9), "tank 2": rng.uniform(0.5, 0.9)}
    return _small(f"fork {seed}", rng, lines, heights)


def fork_each(seed: int) -> Small:
    """Return a fork with a least flow for each branch, and a most for one of them or for both."""
    rng, base = random.Random(f"each {seed}"), fork(seed)
    now = flows_now_l_h(base)
    lines = dict(base.lines)
    for i in (1, 2):
        low = now[f"branch {i}"] * rng.uniform(0.88, 1.04)
        high = rng.choice((None, low * rng.uniform(1.15, 1.6)))
        lines[f"branch {i}"] = replace(lines[f"branch {i}"], low_l_h=low, high_l_h=high)
    return replace(base, name=f"fork each {seed}", lines=lines)


def fork_sum(seed: int) -> Small:
    """Return a fork with a target on the sum of its branches, with an upper end or without, and at times on one too."""
    rng, base = random.Random(f"sum {seed}"), fork(seed)
    now = flows_now_l_h(base)
    low = sum(now[f"branch {i}"] for i in (1, 2)) * rng.uniform(0.97, 1.15)
    more = {"branch 1 + branch 2": (low, rng.choice((None, 1.15 * low)))}
    lines = dict(base.lines)
    if rng.random() < 0.4:
        lines["branch 1"] = replace(lines["branch 1"], low_l_h=now["branch 1"] * rng.uniform(0.8, 1.0))
    return replace(base, name=f"fork sum {seed}", lines=lines, more_targets=more)


def fork_narrow(seed: int) -> Small:
    """Return a fork with a narrow window for each branch, about what flows in one of its plumbings."""
    rng, base = random.Random(f"narrow {seed}"), fork(seed + 1000)
    flows = flows_of_one_l_h(base, 2500.0, rng.randrange)
    lines = dict(base.lines)
    for i in (1, 2):
        low, high = ((1.0 + aside) * flows[f"branch {i}"] for aside in (-NARROW, NARROW))
        lines[f"branch {i}"] = replace(lines[f"branch {i}"], low_l_h=low, high_l_h=high)
    return replace(base, name=f"fork narrow {seed}", lines=lines)


def fork_modes(seed: int) -> Small:
    """Return a fork whose pump runs slower at night, with a least flow for each branch in both modes."""
    rng, base = random.Random(f"modes {seed}"), fork(seed)
    slow = rng.randrange(80, 96, 5) / 100
    modes = {}
    for mode, speed in (("day", 1.0), ("night", slow)):
        now = flows_now_l_h(base, speed)
        modes[mode] = speed, {f"branch {i}": now[f"branch {i}"] * rng.uniform(0.9, 1.08) for i in (1, 2)}
    return replace(base, name=f"fork modes {seed}", modes=modes)


def ring(seed: int) -> Small:
    """Return a riser, two sides of a ring and what goes on from it to the tank, with a least flow there.

    Each side has a union that stays: held at both ends, it could not be put together again without one.
    """
    rng = random.Random(f"ring {seed}")
    riser = (old("pump"), old("adapter", keep=True), *_parts(rng, (0.2, 0.8)))
    lines = {
        "riser": Line("riser", "sump", "split", riser),
        "side 1": Line("side 1", "split", "join", _side(rng)),
        "side 2": Line("side 2", "split branch", "join branch", _side(rng)),
        "outlet": Line("outlet", "join", "display", _parts(rng, (0.2, 1.0))),
    }
    base = _small(f"ring {seed}", rng, lines, {"sump": 0.0, "display": rng.uniform(0.4, 0.9)})
    now = flows_now_l_h(base)
    low = now["outlet"] * rng.uniform(0.96, 1.03)
    lines["outlet"] = replace(lines["outlet"], low_l_h=low, high_l_h=rng.choice((None, 1.2 * low)))
    if rng.random() < 0.4:
        lines["side 2"] = replace(lines["side 2"], low_l_h=now["side 2"] * rng.uniform(0.8, 1.02))
    return replace(base, lines=lines)
