"""Of the alternatives of a search, the plan that costs least at the till: pipe in sticks, not by the length used."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from optimizer.choices.alternatives import Alternative, pipe_cents, pipe_of
from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.plan import Plan, Status
from optimizer.model.stock import StickRule, sticks_of
from optimizer.model.system import System
from optimizer.program.problem import SizingProblem
from optimizer.program.reduced import reduced_costs
from optimizer.program.till import PipeSold, solve_at_till
from optimizer.search.assemble import plan_of
from optimizer.search.cheapest import Search
from optimizer.search.posing import PosedProblem, at_speed

_ROUNDED_CENTS = (
    50  # shares of a length are rounded up piece by piece, so a till may be so much under what they come to
)


@dataclass(frozen=True)
class _Kept:
    """What is left of a posed problem where only plans up to a cost matter."""

    problem: SizingProblem
    posed: PosedProblem


def cheapest_at_till(
    found: Search, rules: tuple[StickRule, ...], *, solver: str | None = None, time_limit_s: float = 60.0
) -> Plan | None:
    """Return the plan with the pump and speed of a search that costs least at the till; None where there is none.

    It is found among the alternatives that the search weighed by the length of pipe used, so that a cheaper one at the
    till is not ruled out; its status says so, and its bound is that of the search.

    Parameters
    ----------
    found
        A search that found a plan.
    rules
        In which sticks pipe is sold.
    solver, time_limit_s
        As for `find_plan`.

    Raises
    ------
    SolverError
        When no solver answers.
    """
    system, catalog = found.options.system, found.options.catalog
    kept = _kept(found)
    if kept is None:
        return None
    pipe = _pipe_sold(kept.posed, system, catalog, rules)
    chosen = solve_at_till(kept.problem, pipe, solver=solver, time_limit_s=time_limit_s)
    if chosen.cents is None:
        return None
    bound = found.selection.bound_cents
    plan = plan_of(found.options, kept.posed, replace(chosen, bound_cents=bound), found.duty)
    return replace(plan, status=Status.FEASIBLE)


def _kept(found: Search) -> _Kept | None:
    """Return the problem with what can be in a plan within the budget, where money for parts is all that counts."""
    rules = found.options.system.rules
    network = found.options.system.network
    problem = at_speed(found.posed, network, found.flows, found.duty.speed)
    most = math.inf
    if rules.budget_cents is not None and not rules.labour_cents_per_hour:
        most = rules.budget_cents + _ROUNDED_CENTS
    costs = reduced_costs(problem)
    if costs is None:
        return None
    runs, tees = costs.useful(most)
    if not all(runs.values()) or not all(tees.values()):
        return None
    return _Kept(
        replace(
            problem,
            runs={name: tuple(problem.runs[name][k] for k in kept) for name, kept in runs.items()},
            tees={name: tuple(problem.tees[name][k] for k in kept) for name, kept in tees.items()},
        ),
        replace(
            found.posed,
            alternatives={name: tuple(found.posed.alternatives[name][k] for k in kept) for name, kept in runs.items()},
            tees={name: [found.posed.tees[name][k] for k in kept] for name, kept in tees.items()},
        ),
    )


def _pipe_sold(posed: PosedProblem, system: System, catalog: Catalog, rules: tuple[StickRule, ...]) -> PipeSold:
    used = {name: tuple(map(_used_mm, found)) for name, found in posed.alternatives.items()}
    items = {item for lengths in used.values() for each in lengths for item in each}
    owned = system.owned_m if system.rules.pipe_in_sticks else {}
    return PipeSold(
        used,
        {name: tuple(map(_pipe_cents, found)) for name, found in posed.alternatives.items()},
        {key: _sold(catalog.items[key], system, rules) for key in sorted(items)},
        {key: math.floor(1000 * sum(lengths_m)) for key, lengths_m in owned.items()},
    )


def _used_mm(way: Alternative) -> dict[str, int]:
    found: dict[str, int] = {}
    for arc in way.arcs:
        for item, length_m in pipe_of(arc):
            found[item.item_id] = found.get(item.item_id, 0) + math.ceil(1000 * length_m - 1e-6)
    return found


def _pipe_cents(way: Alternative) -> int:
    return sum(pipe_cents(item, length_m) for arc in way.arcs for item, length_m in pipe_of(arc))


def _sold(item: CatalogItem, system: System, rules: tuple[StickRule, ...]) -> tuple[tuple[int, int], ...]:
    """Return the lengths [mm] in which a pipe is bought, with their prices [cents]."""
    if item.kind is not Kind.PIPE or not system.rules.pipe_in_sticks:
        return ((math.floor(1000 * item.sale_length_m), item.price_cents),)
    return tuple(
        (math.floor(1000 * stick.length_m), stick.price_cents) for stick in sticks_of(item, rules, system.rules.store)
    )
