"""Whoever is asked, the cheapest plan costs the same (plan, compare, explain, frontier, report, price), or all refuse.

What is compared is what the commands print. With unchanged prices `price` finds what `plan` found.
"""

from __future__ import annotations

import json
import re
from functools import partial
from pathlib import Path

import pytest
import random_systems
from click.testing import CliRunner, Result
from random_systems import Small

from optimizer.cli import main

MAKERS = {
    "line": random_systems.single,
    "line with parts that stay": partial(random_systems.single, kept=0.25),
    "line with a window": partial(random_systems.single, valve=True, window=True),
    "tree": random_systems.tree,
    "gravity line": random_systems.gravity,
}
QUICK = {
    "line": (1,),
    "line with parts that stay": (1, 2),  # the first is refused by all
    "line with a window": (0,),
}
ALL = 20  # of each
STEPS = ("--step", 0)  # every efficient plan; in steps of a percent the plan itself must not be left out


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def said(*words: object) -> dict[str, object]:
    """Return what a command prints as data; with `no` the reasons where there is no plan."""
    result = run(*words, "--json")
    assert result.exit_code in (0, 1), result.output
    return {**json.loads(result.stdout), "exit": result.exit_code}


def compare_all(small: Small, folder: Path, *, steps: tuple[object, ...] = STEPS, documents: bool = True) -> None:
    system, prices = small.write(folder)
    lists = ("--catalog", prices)
    plan = said("plan", system, *lists)
    if plan["exit"] == 1:
        others_refuse(plan, system, lists)
        return
    cost = plan["total_cents"]
    ways = said("compare", system, *lists)["ways"]
    assert ways[0]["cost_cents"] == cost  # type: ignore[index]
    assert said("explain", system, *lists)["cost_cents"] == cost
    plans = said("frontier", system, *lists, *steps)["plans"]
    assert next(each["cost_cents"] for each in plans if each["meets_targets"]) == cost  # type: ignore[union-attr]
    if documents:
        documents_agree(cost, system, lists, folder)


def documents_agree(cost: object, system: Path, lists: tuple[object, ...], folder: Path) -> None:
    """Check that the page names the cost, and that the store's workbook with no price written in finds it again."""
    assert isinstance(cost, int)
    workbook, page = folder / "list.xlsx", folder / "page.html"
    if cost:
        assert run("plan", system, *lists, "-o", workbook).exit_code == 0
        assert said("price", system, workbook, *lists)["cheapest_total_cents"] == cost
    assert run("report", system, *lists, "-o", page).exit_code == 0
    words = re.sub(r"<[^>]+>", " ", page.read_text(encoding="utf-8"))
    assert f"${cost / 100:.2f}" in words


def others_refuse(plan: dict[str, object], system: Path, lists: tuple[object, ...]) -> None:
    """Check that every command says no where `plan` does, and gives its reasons."""
    explained = said("explain", system, *lists)
    assert explained["exit"] == 1
    assert all(reason in plan["reasons"] for reason in explained["reasons"])  # type: ignore[operator, union-attr]
    ways = said("compare", system, *lists)["ways"]
    assert all(way["reach"] is None or way["reach"] < 1.0 for way in ways)  # type: ignore[union-attr]
    plans = said("frontier", system, *lists)["plans"]
    assert not any(each["meets_targets"] for each in plans)  # type: ignore[union-attr]
    reported = run("report", system, *lists, "-o", system.with_suffix(".html"))
    assert reported.exit_code == 1
    assert plan["reasons"][0]["text"] in reported.output  # type: ignore[index]


@pytest.mark.parametrize(
    ("family", "seed"),
    [
        pytest.param(family, seed, marks=() if family == "line" else pytest.mark.long)
        for family in QUICK
        for seed in QUICK[family]
    ],
)
def test_every_command_names_the_same_cost(family: str, seed: int, tmp_path: Path) -> None:
    compare_all(MAKERS[family](seed), tmp_path, steps=(), documents=family == "line" and seed == 1)


@pytest.mark.slow
@pytest.mark.parametrize(("family", "seed"), [(family, seed) for family in MAKERS for seed in range(ALL)])
def test_every_command_names_the_same_cost_on_a_hundred(family: str, seed: int, tmp_path: Path) -> None:
    compare_all(MAKERS[family](seed), tmp_path)
