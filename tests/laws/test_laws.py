"""What a least cost must do whatever the plumbing is: nothing here knows a right answer, only how two must compare.

A dearer row never makes the least cost fall, a cheaper one never makes it rise; more to choose from never makes it
rise; how a system is written down changes nothing. It is arithmetic: a least value over a larger set is no larger.
"""

from __future__ import annotations

import math
import os
import random
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path

import asked
import pytest
import random_systems
from random_systems import Line, Small

from optimizer.choices import offers

MAKERS: tuple[Callable[[int], Small], ...] = (
    partial(random_systems.single, kept=0.2, missing=3),
    random_systems.tree,
    partial(random_systems.single, valve=True, window=True, missing=2),
    partial(random_systems.tree, kept=0.2),
)
QUICK, ALL = 1, 200
few_and_many = pytest.mark.parametrize(
    "seed", [pytest.param(seed, marks=() if seed < QUICK else pytest.mark.slow) for seed in range(ALL)]
)


def system(seed: int) -> Small:
    """Return one of the random systems, their kinds in turn."""
    return replace(MAKERS[seed % len(MAKERS)](seed), by_the_foot=seed % 3 > 0)


def least(small: Small, folder: Path) -> float:
    """Return the proved cost in cents, endless where it is proved that there is no plan."""
    cents = asked.proved_cents(asked.plan(small, folder))
    return math.inf if cents is None else float(cents)


def with_prices(small: Small, prices: Mapping[str, int]) -> Small:
    return replace(small, prices={**small.prices, **prices})


@few_and_many
def test_a_dearer_row_never_makes_the_plan_cheaper_nor_a_cheaper_one_dearer(seed: int, tmp_path: Path) -> None:
    rng = random.Random(f"prices {seed}")
    small = system(seed)
    found = asked.plan(small, tmp_path)
    before = asked.proved_cents(found)
    if before is None:
        before_cents = math.inf
        keys = list(small.prices)
    else:
        before_cents = float(before)
        keys = sorted(asked.bought(found)) or list(small.prices)
    bought, other = rng.choice(keys), rng.choice(list(small.prices))
    for key in (bought, other):
        dearer = with_prices(small, {key: small.prices[key] + rng.choice((1, 20, 300))})
        assert least(dearer, tmp_path) >= before_cents, f"{key} is dearer"
        cheaper = with_prices(small, {key: max(1, round(small.prices[key] * rng.choice((0.99, 0.7, 0.2))))})
        assert least(cheaper, tmp_path) <= before_cents, f"{key} is cheaper"


@few_and_many
def test_more_to_choose_from_never_makes_the_plan_dearer(seed: int, tmp_path: Path) -> None:
    rng = random.Random(f"more {seed}")
    small = system(seed)
    full = random_systems.prices_of(random.Random(f"whole {seed}"))
    added = {key: cents for key, cents in full.items() if key not in small.prices and rng.random() < 0.7}
    freed = {
        name: replace(line, parts=tuple(p._replace(keep=p.keep and p.row is None) for p in line.parts))
        for name, line in small.lines.items()
    }
    few_cuts = replace(small, extra_rules=f", saw cuts: at most {rng.randint(0, 2)}")
    before = least(small, tmp_path)
    assert least(with_prices(small, added), tmp_path) <= before
    assert least(replace(small, lines=freed), tmp_path) <= before
    assert least(few_cuts, tmp_path) >= before


@few_and_many
def test_how_a_system_is_written_down_changes_nothing(seed: int, tmp_path: Path) -> None:
    small = system(seed)
    before = least(small, tmp_path)
    names = list(small.lines)
    turned = replace(small, lines={name: small.lines[name] for name in reversed(names)})
    # names that sort the other way round
    new = {name: f"{chr(ord('z') - i)} run" for i, name in enumerate(sorted(names))}
    renamed = {new[name]: _renamed(line, new[name]) for name, line in small.lines.items()}
    assert least(turned, tmp_path) == before
    assert least(replace(small, lines=renamed), tmp_path) == before


def _renamed(line: Line, name: str) -> Line:
    return replace(line, name=name)


@few_and_many
def test_a_line_written_from_its_other_end_costs_the_same(seed: int, tmp_path: Path) -> None:
    """Of a line that gives enough whatever is done to it, so that no loss, which has a direction, decides anything."""
    small = replace(random_systems.worn_feed(seed), by_the_foot=seed % 3 > 0)
    feed = small.lines["feed"]
    mirrored = {**small.lines, "feed": replace(feed, parts=feed.parts[::-1])}
    assert least(replace(small, lines=mirrored), tmp_path) == least(small, tmp_path)


@few_and_many
def test_a_pipe_written_as_two_never_costs_more(seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a line whose other pipes stay; with the one place to cut it where the two halves of it meet, and at eighths.

    Whatever can be done to a pipe can be done to its two halves. They cost less only by what is not considered of one
    pipe (`choices.considered`): a piece of it alone that is kept, cut free at both ends.
    """
    small = random_systems.single(seed)
    (line,) = small.lines.values()
    last = max(i for i, part in enumerate(line.parts) if part.kind == "pipe")
    parts = tuple(
        part._replace(keep=part.keep or (part.kind == "pipe" and i != last)) for i, part in enumerate(line.parts)
    )
    small = replace(small, lines={line.name: replace(line, parts=parts)}, by_the_foot=seed % 3 > 0)
    asked_for, catalog = asked.read(small, tmp_path)
    in_two = asked.last_pipe_in_two(asked_for, line.name)
    eighths = [asked.proved_cents(asked.answer(one, catalog)) for one in (asked_for, in_two)]
    monkeypatch.setattr(offers, "SHARES", (0.5,))
    whole = asked.proved_cents(asked.answer(asked_for, catalog))
    monkeypatch.setattr(offers, "SHARES", ())
    found = asked.answer(in_two, catalog)
    halves = asked.proved_cents(found)

    assert halves == whole or (asked.keeps_a_middle_piece(found) and no_more(halves, whole))
    assert no_more(eighths[1], eighths[0])


def no_more(cents: int | None, other: int | None) -> bool:
    """Return whether a cost is no higher than another (None: there is no plan)."""
    return other is None or (cents is not None and cents <= other)


SAY = """
import sys
from pathlib import Path
sys.path[:0] = [{here!r}, {there!r}, {shared!r}]
import asked, test_laws
print(asked.proved_cents(asked.plan(test_laws.system({seed}), Path({folder!r}))))
"""


@pytest.mark.long
@pytest.mark.parametrize("seed", [pytest.param(seed, marks=() if seed < 1 else pytest.mark.slow) for seed in range(20)])
def test_the_seed_of_hashes_changes_nothing(seed: int, tmp_path: Path) -> None:
    here = Path(__file__).parent
    folders = {"here": str(here), "there": str(here.parent / "independent"), "shared": str(here.parent)}
    code = SAY.format(**folders, seed=seed, folder=str(tmp_path))
    paths = os.pathsep.join([str(here.parents[1]), os.environ.get("PYTHONPATH", "")])
    told = [
        subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "PYTHONHASHSEED": hash_seed, "PYTHONPATH": paths},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for hash_seed in ("0", "4711")
    ]
    assert told[0] == told[1]
