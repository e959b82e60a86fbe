"""A few of many draws that tell of every plan looked at how often it works."""

from __future__ import annotations

import numpy as np

from optimizer.search.plan_sample import balanced, spread


def test_each_class_has_draws_about_as_hard_and_its_middle_first() -> None:
    hard = np.random.default_rng(1).normal(size=1000)
    classes = spread(hard, 20)
    ranks = np.argsort(np.argsort(hard))[classes]
    assert classes.shape == (20, 50)
    assert [(row.min(), row.max()) for row in ranks] == [(50 * k, 50 * k + 49) for k in range(20)]
    assert (ranks[:, 0] == 50 * np.arange(20) + 25).all()


def test_plans_work_in_so_many_of_the_few_as_they_should_and_each_class_gives_one() -> None:
    dice = np.random.default_rng(2)
    hard = dice.normal(size=4000)
    slacks = [hard + shift + 0.3 * dice.normal(size=4000) for shift in (0.5, 0.8, 0.9, 1.0, 1.3)]
    works = [slack >= 0.0 for slack in slacks]
    counts = [int(100 * one.mean()) for one in works]
    classes = spread(hard, 100)
    picked = balanced(classes, works, counts)

    middles = [int(one[classes[:, 0]].sum()) for one in works]
    told = [int(one[picked].sum()) for one in works]
    assert all((draw == row).any() for draw, row in zip(picked, classes, strict=True))
    assert sum(abs(a - b) for a, b in zip(told, counts, strict=True)) <= 1
    assert sum(abs(a - b) for a, b in zip(middles, counts, strict=True)) > 1  # taken as they come they tell it worse


def test_without_plans_the_middles_are_taken() -> None:
    classes = spread(np.arange(200.0), 10)
    assert (balanced(classes, [], []) == classes[:, 0]).all()
