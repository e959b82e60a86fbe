"""A plan in which a valve stands nearly shut → another within a price that holds the flow with its valve further open.

Such a valve is noisy, drifts and clogs (common practice, no source). Tried are valves that are set by turns, smaller
valves in the same line, and a smaller line; each is a question of its own, and the cheapest answer counts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from optimizer.model.catalog import PIPES, THROTTLES, Catalog, Kind
from optimizer.model.kinds import MACHINES
from optimizer.model.network import Condition, Part, Run
from optimizer.model.note import Note, note
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System
from optimizer.model.throttling import valve_to_set
from optimizer.search.checks import cut_apart
from optimizer.search.question import Answer, Question
from optimizer.verify.check import verify_plan

LEAST_OPEN = 0.1  # of its travel; common practice, no source
_ROTARY = frozenset({Kind.BALL_VALVE, Kind.TRUE_UNION_BALL_VALVE})
_SHARE = 0.3  # of the time left, for one way


def with_finer_valves(question: Question, plain: Callable[[Question], Answer]) -> Answer:
    """Return the answer to a question without the rule, or the cheapest one within its price with no valve so far shut.

    `plain` solves without the rule.
    """
    rules = question.system.rules
    free = replace(question, system=replace(question.system, rules=replace(rules, finer_valve_cents=0)))
    first = plain(free)
    if not first.found or first.cents is None:
        return first
    shut = _nearly_shut(free.system, first.plan)
    if not shut:
        return first
    most, best = first.cents + rules.finer_valve_cents, None
    for system, catalog in _other_ways(free.system, question.catalog, tuple(shut)):
        if question.clock.over:
            break
        asked = replace(free, system=system, catalog=catalog, ceiling_cents=most + 1, share=_SHARE, with_reasons=False)
        found = plain(asked)
        if found.found and found.cents is not None and not _nearly_shut(free.system, found.plan):
            best, most = found, found.cents - 1
    return _kept(first, shut) if best is None else _taken(first, best, shut)


def _nearly_shut(system: System, plan: Plan) -> dict[str, float]:
    """Return the openings of valves that stand open less than a tenth of their travel, by run."""
    checked = verify_plan(cut_apart(system, plan), plan)
    return {valve.run: valve.opening for valve in checked.valves if 0.0 < valve.opening < LEAST_OPEN}


def _valves(shut: dict[str, float]) -> tuple[Note, ...]:
    return tuple(note("valve open", run=run, opening_share=opening) for run, opening in shut.items())


def _kept(first: Answer, shut: dict[str, float]) -> Answer:
    said = note("no finer valve", valves=_valves(shut))
    return replace(first, plan=replace(first.plan, notes=(*first.plan.notes, said)))


def _taken(first: Answer, best: Answer, shut: dict[str, float]) -> Answer:
    said = note("finer valves", cost=first.plan.cost_note, valves=_valves(shut))
    bound = min(first.bound_cents or 0, best.cents or 0)
    status = Status.OPTIMAL if bound == best.cents else Status.FEASIBLE
    plan = replace(best.plan, status=status, bound_cents=bound, notes=(*best.plan.notes, said))
    return replace(best, plan=plan, bound_cents=bound)


def _other_ways(system: System, catalog: Catalog, runs: tuple[str, ...]) -> Iterator[tuple[System, Catalog]]:
    """Yield (system, catalog) of each way: valves set by turns, smaller valves, a smaller line."""
    network = system.network
    known = [network.runs[name] for name in runs if name in network.runs]
    by_turns = replace(catalog, items={key: row for key, row in catalog.items.items() if row.kind not in _ROTARY})
    yield replace(system, network=network.with_runs({run.name: _valve_out(run) for run in known})), by_turns
    for run in known:
        names = list(dict.fromkeys(item.ends[0].size for item in catalog.pipes_known(run.family)))
        smaller = names[: names.index(run.size)][-2:] if run.size in names else []
        if smaller and system.rules.resize:
            yield _with_smaller_valve(system, run, smaller), _without_valves(catalog, set(names) - set(smaller))
        for size in reversed(smaller):
            yield replace(system, network=network.with_runs({run.name: _rebuilt(run, size)})), catalog


def _with_smaller_valve(system: System, run: Run, smaller: list[str]) -> System:
    rules = replace(system.rules, sizes=tuple(dict.fromkeys((*smaller, *(system.rules.sizes or (run.size,))))))
    return replace(system, network=system.network.with_runs({run.name: _valve_out(run)}), rules=rules)


def _without_valves(catalog: Catalog, sizes: set[str]) -> Catalog:
    """Return a catalog without the valves of some sizes."""
    return replace(
        catalog,
        items={
            key: row
            for key, row in catalog.items.items()
            if row.kind not in THROTTLES or not {end.size for end in row.ends} & sizes
        },
    )


def _valve_out(run: Run) -> Run:
    index = valve_to_set(run)
    return _taken_out(run, lambda i, part: i == index)


def _rebuilt(run: Run, size: str) -> Run:
    """Return a run of a smaller size, all that may change in it to be taken out."""
    wide = _taken_out(run, lambda i, part: part.kind not in MACHINES and any(end.size != size for end in part.ends))
    return replace(wide, size=size) if any(part.kind in PIPES for part in run.parts) else run


def _taken_out(run: Run, goes: Callable[[int, Part], bool]) -> Run:
    parts = tuple(
        replace(part, condition=Condition.MUST_GO) if part.condition is Condition.MAY_CHANGE and goes(i, part) else part
        for i, part in enumerate(run.parts)
    )
    return replace(run, parts=parts)
