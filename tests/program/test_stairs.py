"""Staircases of need and cost against a look at every pair."""

from __future__ import annotations

import random

import numpy as np
import pytest

from optimizer.program.merge import stairs


@pytest.mark.parametrize("seed", range(50))
def test_what_is_kept_is_what_no_other_beats_and_of_the_same_one(seed: int) -> None:
    dice = random.Random(seed)
    pairs = [(dice.randint(-5, 9), dice.randint(0, 9)) for _ in range(dice.randint(0, 40))]
    need, cents = np.array([a for a, _ in pairs], dtype=np.int64), np.array([b for _, b in pairs], dtype=np.int64)

    kept = [pairs[k] for k in stairs(need, cents).tolist()]

    beaten = [any(o != p and o[0] <= p[0] and o[1] <= p[1] for o in pairs) for p in pairs]
    assert kept == sorted({pair for pair, worse in zip(pairs, beaten, strict=True) if not worse})
