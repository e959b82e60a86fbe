"""Random trees whose lines are of two sizes and may be bought in no other. Invented, prices too."""

from __future__ import annotations

import random
from dataclasses import replace

from own_losses import tee_dividing_m
from own_pieces import Piece
from own_shelf import all_rows
from random_systems import (
    LARGE,
    M3_S_PER_L_H,
    SMALL,
    Line,
    Small,
    old,
    parts_between,
    prices_of,
    pump_through,
    run_loss_m,
    tree,
)

TEE = "sch40-tee-100x100x075"
ADAPTER = "sch40-adapter-100x075-socket-npt"


def mixed_tree(seed: int) -> Small:
    """Return a riser and a branch of the larger size, a branch of the smaller one, and a tee that may have to go.

    The tee that would fit is often not for sale, so that one with an opening larger than its line comes in question.
    """
    rng = random.Random(f"mixed sizes {seed}")
    riser = (
        old("pump"),
        Piece(all_rows()[ADAPTER], "adapter", turned=True, keep=True),
        *parts_between(rng, rng.randint(0, 1), False, 0.3, (0.2, 1.5), ("elbow",), LARGE),
    )
    lines, heights, losses, flows = {}, {"sump": 0.0}, {}, {}
    for i, size in ((1, SMALL), (2, LARGE)):
        parts = parts_between(rng, rng.randint(0, 1), True, 0.3, (0.2, 1.2), ("elbow", "45 elbow"), size)
        flows[i] = rng.uniform(450.0, 1000.0) * i
        heights[f"tank {i}"] = rng.uniform(0.3, 1.2)
        start = "split branch" if i == 1 else "split"
        lines[f"branch {i}"] = Line(f"branch {i}", start, f"tank {i}", parts, flows[i], size=size)
        losses[i] = run_loss_m(parts, flows[i]) + heights[f"tank {i}"]
    total = sum(flows.values())
    through, aside = tee_dividing_m(all_rows()[TEE], (flows[2] * M3_S_PER_L_H, flows[1] * M3_S_PER_L_H), True, False)
    at_tee = max(losses[1] + aside, losses[2] + through)
    loss = run_loss_m(riser, total, False)
    lift = min(heights["tank 1"], heights["tank 2"])
    head = lift + (at_tee - lift + loss) * rng.uniform(0.93, 1.15)
    lines = {"riser": Line("riser", "sump", "split", riser, size=LARGE), **lines}
    prices = prices_of(rng)
    if rng.random() < 0.6:
        del prices[TEE]
    new = rng.random() < 0.6
    small = Small(
        f"mixed sizes {seed}", heights, lines, pump_through(head, total, rng), prices, {"split": TEE}, own_sizes=True
    )
    return replace(small, new_tees=new)


def own_size_tree(seed: int) -> Small:
    """Return one of the trees of one size, where no other may be bought and the tee must go every other time."""
    return replace(tree(seed, kept=0.2), name=f"own sizes {seed}", own_sizes=True, new_tees=seed % 2 == 0)
