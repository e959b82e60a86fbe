"""Draw by draw a cheaper plan works or fails: against plans that the test knows all of, and the proof none."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from optimizer.search.certain_proof import Proof

DRAWS, BELOW = 14, 1000


class Known(Proof):
    """A proof that knows by heart which hidden plans, all below, work in a set of draws."""

    def __init__(self, hidden: np.ndarray, may_fail: int) -> None:
        stake: Any = SimpleNamespace(may_fail=may_fail, draws=SimpleNamespace(samples=DRAWS))
        self.stake, self.clock = stake, SimpleNamespace(over=False)  # type: ignore[assignment]
        self.hidden, self.known = hidden, []
        self._below, self._shut, self._needs = BELOW, [], dict.fromkeys(range(DRAWS), 0)

    def _none_works_in_all(self, found: list[int], free: Any, size: Any, below: int) -> bool:
        there = [works for works in self.hidden if works[found].all()]
        self._passed = there[:1]
        if there:
            self.known.append((below - 1, there[0]))  # type: ignore[attr-defined]
        return not there


@pytest.mark.parametrize("seed", range(40))
def test_it_is_proved_where_no_plan_works_often_enough_and_only_there(seed: int) -> None:
    dice = np.random.default_rng(seed)
    hidden = dice.random((int(dice.integers(1, 9)), DRAWS)) < dice.choice([0.7, 0.8, 0.9])
    may_fail = int(dice.integers(1, 4))
    proved = Known(hidden, may_fail)._by_branches(np.arange(DRAWS), np.ones(DRAWS), BELOW)

    serves = bool(((~hidden).sum(axis=1) <= may_fail).any())
    assert not (proved and serves)
    assert proved or serves
