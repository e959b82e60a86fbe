"""A run's choice graph → the same without steps that are in no plan below a cost, at losses that no plan undercuts."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from optimizer.choices.alternatives import AlternativeTable
from optimizer.choices.graph import ChoiceGraph
from optimizer.program.problem import LOSS_UNIT_M
from optimizer.program.through import Rest


def useful_steps(table: AlternativeTable, rest: Rest, most: float) -> set[int]:
    """Return the steps (by id) that some way has whose plan costs less than the most [thousandths of a cent].

    The table has been asked for its alternatives before.
    """
    so_far, to_go = table.so_far(), table.to_go()
    losses, cents = np.array([*rest.losses, math.inf]), np.array([*rest.cents[: len(rest.losses)], math.inf])
    kept: set[int] = set()
    for node, arcs in enumerate(table.graph.arcs):
        if not so_far[node]:
            continue
        before = np.array([one[:2] for one in so_far[node]], dtype=float)
        for arc in arcs:
            if not to_go[arc.head]:
                continue
            loss = table.arc_loss(arc)
            if math.isinf(loss):
                continue
            after = np.array([one[:2] for one in to_go[arc.head]], dtype=float)
            units = (before[:, 0][:, None] + after[:, 0][None, :] + loss) / LOSS_UNIT_M - 1e-6
            ahead = cents[np.minimum(np.searchsorted(losses, units, side="left"), len(cents) - 1)]
            whole = before[:, 1][:, None] + after[:, 1][None, :] + table.price(arc)[0] + ahead
            if float(whole.min()) < most:
                kept.add(id(arc))
    return kept


def with_arcs(graph: ChoiceGraph, kept: set[int]) -> ChoiceGraph:
    return replace(graph, arcs=[[arc for arc in arcs if id(arc) in kept] for arcs in graph.arcs])
