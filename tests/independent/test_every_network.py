"""Forks without a valve and rings: the plan costs what the cheapest of all plumbings costs, each solved as a network.

Nothing of the package is used but its answer. Flows of the same plumbing agree with the package's within a ten
thousandth; targets are loosened and tightened by five of them. The cost of the plan lies between the costs found with
looser and with tighter targets, which are nearly always one. A valve that is put in is not gone through.

    python tests/independent/test_every_network.py 0 150   # so many of each kind, every difference printed
"""

from __future__ import annotations

import math
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1])]

import asked
import network_systems
from many_networks import NoFlowsError, least_of_networks
from random_systems import Small

SHARE = 5e-4
FAMILIES: dict[str, tuple[Callable[[int], Small], tuple[int, ...], int]] = {  # how to make one, the quick, how many
    "fork, each branch": (network_systems.fork_each, (5, 7, 13, 60), 50),
    "fork, sum": (network_systems.fork_sum, (2, 3, 4, 5), 50),
    "fork, narrow windows": (network_systems.fork_narrow, (26,), 100),
    "fork, two modes": (network_systems.fork_modes, (3, 14), 50),
    "ring": (network_systems.ring, (6,), 30),
}
QUICK = [(family, seed) for family, (_, seeds, _) in FAMILIES.items() for seed in seeds]
SLOW = [(family, seed) for family, (_, seeds, every) in FAMILIES.items() for seed in range(every) if seed not in seeds]


def difference(small: Small, folder: Path) -> str:
    """Return in what the plan and all plumbings differ; empty where they do not."""
    plan = asked.plan_by_use(small, folder)
    if asked.is_open(plan):  # then its bound alone is proved
        tight = least_of_networks(small, plan.material_cents or 4000.0, -SHARE)
        return "" if (plan.bound_cents or 0) <= tight else f"a plumbing costs {tight}, the bound is {plan.bound_cents}"
    proved = asked.proved_cents(plan)
    limit = 4000.0 if proved is None else proved
    if proved is not None and not asked.adds_a_valve(plan) and least_of_networks(small, limit, SHARE) > proved:
        return f"nothing of all that is gone through is as cheap as {proved}"
    tight = least_of_networks(small, limit, -SHARE)
    if proved is None:
        return f"there is a plan at {tight}" if math.isfinite(tight) else ""
    return "" if proved <= tight else f"another plumbing costs {tight}, the plan {proved}"


@pytest.mark.parametrize(("family", "seed"), QUICK)
def test_no_network_of_all_is_cheaper_than_the_plan(family: str, seed: int, tmp_path: Path) -> None:
    assert not difference(FAMILIES[family][0](seed), tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize(("family", "seed"), SLOW)
def test_no_network_of_all_is_cheaper_than_the_plan_on_many_more(family: str, seed: int, tmp_path: Path) -> None:
    try:
        small = FAMILIES[family][0](seed)
    except NoFlowsError:
        pytest.skip("what flows today is not found, so that no targets come from it")
    assert not difference(small, tmp_path)


def main(first: int, last: int) -> None:
    """Print every difference among the seeds from `first` up to `last` of each family."""
    from optimizer.choices import offers

    offers.SHARES = ()  # type: ignore[assignment]  # pipe is taken whole or left whole, as in the tests
    for family, (make, _, _) in FAMILIES.items():
        for seed in range(first, last):
            with tempfile.TemporaryDirectory() as folder:
                told = difference(make(seed), Path(folder))
            print(f"{family} {seed}: {told or 'no difference'}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
