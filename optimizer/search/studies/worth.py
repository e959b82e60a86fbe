"""What each change of a plan buys, and at what price of which part another plan would win.

Told from the plan alone. A change is left out, the network solved with the valves where the plan puts them, and again
with the valves set for what is left. A part's price is raised until a search finds a cheaper plan; the price at which
that plan would cost the same is tried next, until a search proves that there is no cheaper one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from optimizer.choices.velocity import velocity_rule
from optimizer.errors import NetworkError
from optimizer.hydraulics import conditions_of, solve_network
from optimizer.model.catalog import PIPES, Catalog, CatalogItem, Kind
from optimizer.model.network import Condition, Network, Part
from optimizer.model.note import Note
from optimizer.model.plan import Plan, RunPlan, Status, planned_networks
from optimizer.model.system import System, Target
from optimizer.search.assemble import changes_of
from optimizer.search.checks import cut_apart
from optimizer.search.engine import solve
from optimizer.search.question import Answer, Question
from optimizer.search.watch import Watch
from optimizer.units import show_flow
from optimizer.verify.check import verify_plan
from optimizer.verify.openings import velocity_wants
from optimizer.verify.reach import best_speeds, reach_of
from optimizer.verify.running import running
from optimizer.verify.safety import failing_checks, in_setting
from optimizer.verify.settings import with_openings

_PLAN_SHARE = 0.5  # of the time, for the plan itself
_STEPS = 8  # plans that are looked at for one price
_LEAST = 1e-3  # a miss by less than this share of its flow is none


@dataclass(frozen=True, slots=True)
class ChangeWorth:
    """One change along a run, and what is reached if it alone is left out (None: it can not be left out alone).

    Where the velocity limits cannot be kept without it, it is told what flows all the same. `as_set` says which flow is
    missed then, or runs too fast, if the valves are left where the plan puts them (empty: all is met); `unsafe` has the
    checks that fail then and do not with the whole plan.
    """

    run: str
    change: tuple[Note, ...]
    reach_without: float | None
    as_set: str = ""
    unsafe: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class PriceLimit:
    """Up to what price [cents] of a bought part the plan stays the cheapest; None when no plan takes fewer of it.

    Not `settled`: another plan wins at that price at the latest (None: whether one does was not found out).
    """

    item: CatalogItem
    price_cents: int
    turns_at_cents: int | None
    settled: bool = True


@dataclass(frozen=True, slots=True)
class Explanation:
    """A plan, what multiple of the targets it reaches, and what there is to say of its changes and prices."""

    plan: Plan
    reach: float = 0.0
    worths: tuple[ChangeWorth, ...] = ()
    limits: tuple[PriceLimit, ...] = ()


@dataclass(frozen=True)
class _Change:
    """One place of a run: planned parts from `first` up to `last` in place of the old ones.

    `pipe` is the place of the kept piece of a pipe that is sawn there, None where none is, and `off_m` what it is
    shorter by than the pipe that stood there.
    """

    run: str
    first: int
    last: int
    gone: tuple[Part, ...]
    pipe: int | None
    off_m: float
    at_new_tee: bool


def explain(system: System, catalog: Catalog, watch: Watch) -> Explanation:
    """Return the cheapest plan, what each change of it buys, and when another plan would be cheaper.

    Raises
    ------
    PlanError, SolverError
        As `solve`.
    """
    with watch.part(_PLAN_SHARE) as part:
        found = solve(Question(system, catalog, part, "cheapest plan", with_reasons=True))
    if not found.found:
        return Explanation(found.plan)
    there = cut_apart(system, found.plan)
    worths = change_worths(there, found.plan)
    return Explanation(found.plan, reach_with(there, found.plan), worths, price_limits(system, catalog, found, watch))


def reach_with(system: System, plan: Plan) -> float:
    """Return what multiple of all least flows the whole plan reaches."""
    return max(1.0, reach_of(system, planned_networks(system, plan)).scale)


def change_worths(system: System, plan: Plan) -> tuple[ChangeWorth, ...]:
    """Return every change of a plan with what is left when only that one is not made."""
    return tuple(_worths(system, plan))


def _worths(system: System, plan: Plan) -> Iterator[ChangeWorth]:
    planned = planned_networks(system, plan)
    valves = verify_plan(system, plan).valves
    unsafe = _unsafe(system, [with_openings(network, valves) for network in planned])
    for name, run_plan in plan.runs.items():
        for change in _changes(system.network, plan, run_plan):
            fresh = [part for part in run_plan.parts[change.first : change.last] if not part.existing]
            told = changes_of(list(change.gone), fresh)
            if _must_be_made(change):
                yield ChangeWorth(name, told, None)
                continue
            left_out = [_without(system, network, change) for network in planned]
            as_set = [_without(system, with_openings(network, valves), change) for network in planned]
            changed_pump = any(part.kind is Kind.PUMP for part in fresh)
            then = tuple(check for check in _unsafe(system, as_set) if check not in unsafe)
            yield ChangeWorth(name, told, _reach(system, left_out, changed_pump), _missed(system, as_set), then)


def _changes(network: Network, plan: Plan, run_plan: RunPlan) -> Iterator[_Change]:
    """Yield the stretches between parts that stay, or a tee."""
    run = network.runs[run_plan.run]
    old, new = run.parts, run_plan.parts
    stood = _places(old, new)
    kept = [(i, at) for i, at in enumerate(stood) if at is not None]
    for (left, old_left), (right, old_right) in pairwise([(-1, -1), *kept, (len(new), len(old))]):
        gone = old[old_left + 1 : old_right]
        if right > left + 1 or gone:
            ends = [run.start.point] * (left == -1) + [run.end.point] * (right == len(new))
            new_tee = any(end in plan.tees and not plan.tees[end].tee.existing for end in ends)
            pipe, off_m = _sawn_at(old, new, [(i, at) for i, at in kept if i in (left, right)], stood)
            yield _Change(run.name, left + 1, right, gone, pipe, off_m, new_tee)


def _sawn_at(
    old: Sequence[Part], new: Sequence[Part], beside: Sequence[tuple[int, int]], stood: Sequence[int | None]
) -> tuple[int | None, float]:
    """Return the piece of a sawn pipe beside a change, and by how much its pieces are shorter than that pipe [m]."""
    for index, at in beside:
        if _cut_from(new[index], old[at]):
            stays_m = sum(part.length_m for part, place in zip(new, stood, strict=True) if place == at)
            return index, max(0.0, old[at].length_m - stays_m)
    return None, 0.0


def _places(old: Sequence[Part], new: Sequence[Part]) -> list[int | None]:
    """Return where each planned part stood, None for a new one; both pieces of a sawn pipe stood in one place."""
    found: list[int | None] = []
    at = 0
    for part in new:
        if not part.existing:
            found.append(None)
            continue
        place = next(i for i in range(at, len(old)) if old[i] is part or old[i] == part or _cut_from(part, old[i]))
        found.append(place)
        at = place if _cut_from(part, old[place]) else place + 1
    return found


def _cut_from(piece: Part, pipe: Part) -> bool:
    shorter = pipe.kind in PIPES and piece.length_m < pipe.length_m
    return shorter and replace(pipe, length_m=piece.length_m) == piece


def _must_be_made(change: _Change) -> bool:
    """Return whether leaving a change out would leave no plumbing: a gap, a part that goes, another tee."""
    stays = [part for part in change.gone if part.kind is not Kind.OPEN_JOINT]
    gap = len(stays) < len(change.gone) or any(part.condition is Condition.MUST_GO for part in stays)
    return gap or change.at_new_tee or not (stays or change.pipe is not None)


def _without(system: System, network: Network, change: _Change) -> Network:
    """Return the planned plumbing with the old parts of one place in it, the old pump with them."""
    run = network.runs[change.run]
    whole = [
        replace(part, length_m=part.length_m + change.off_m) if i == change.pipe else part
        for i, part in enumerate(run.parts)
    ]
    parts = (*whole[: change.first], *change.gone, *whole[change.last :])
    back = {part.name for part in change.gone if part.kind is Kind.PUMP}
    pumps = {name: system.network.pumps[name] if name in back else pump for name, pump in network.pumps.items()}
    return replace(network.with_runs({run.name: replace(run, parts=parts)}), pumps=pumps)


def _reach(system: System, networks: Sequence[Network], changed_pump: bool) -> float:
    reach = best_speeds if changed_pump else reach_of
    try:
        return reach(system, networks).scale or reach(system, networks, velocity_counts=False).scale
    except NetworkError:
        return 0.0


def _missed(system: System, networks: Sequence[Network]) -> str:
    """Return in words which target is missed the most by the flows as they then are, else where they are too fast."""
    worst, words = _LEAST, ""
    for (name, at), network in zip(system.ways_to_run, networks, strict=True):
        try:
            flows = solve_network(network, conditions_of(network)).flows_m3_s
        except NetworkError:
            return "no steady flow"
        for target in at.targets:
            flow = sum(flows[run] for run in target.summed)
            miss = _miss(target, flow, sum(flows[run] for run in target.share.of) if target.share else 0.0)
            if miss > worst:
                where = f", {name}" if name else ""
                worst, words = miss, f"{target.run}{where}: {show_flow(flow, system.units)}"
        for want in velocity_wants(network, velocity_rule(system), name):
            if not words and want.miss(flows) > _LEAST:
                (run,) = want.coefficients
                words = f"{run}{f', {name}' if name else ''}: {show_flow(flows[run], system.units)}, too fast"
    return words


def _unsafe(system: System, networks: Sequence[Network]) -> tuple[Note, ...]:
    """Return the checks of tanks, drains and sumps that fail as the valves stand, each with its mode."""
    found = []
    for (name, at), network in zip(system.ways_to_run, networks, strict=True):
        try:
            checks = failing_checks(at, running(network))
        except NetworkError:
            continue  # said of the flows
        found += [in_setting(check.title, name) if name else check.title for check in checks]
    return tuple(found)


def _miss(target: Target, flow_m3_s: float, whole_m3_s: float) -> float:
    """Return by what share of its limit a flow is out of it."""
    low, high = target.low_m3_s, target.high_m3_s
    if target.share is not None:
        low = target.share.low * whole_m3_s
        high = None if target.share.high is None else target.share.high * whole_m3_s
    short = (low - flow_m3_s) / low if low > 0.0 else 0.0
    over = 0.0 if high is None else (flow_m3_s - high) / max(high, 1e-9)
    return max(short, over)


def bought_counts(plan: Plan) -> Counter[str]:
    """Return how many of each part a plan buys, by catalog id; pipe goes by the length and is left out."""
    purchases = [purchase for run in plan.runs.values() for purchase in run.purchases]
    purchases += [purchase for tee in plan.tees.values() for purchase in tee.purchases]
    return Counter(key for p in purchases if p.item.kind not in PIPES for key in [p.item.item_id] * p.quantity)


def price_limits(system: System, catalog: Catalog, found: Answer, watch: Watch) -> tuple[PriceLimit, ...]:
    """Return for every part bought up to what price the plan stays the cheapest, as far as the time goes."""
    counts = bought_counts(found.plan)
    items = [(catalog.items[key], count) for key, count in counts.items() if key in catalog.items]
    items.sort(key=lambda pair: -pair[0].price_cents * pair[1])
    out = []
    for i, (item, count) in enumerate(items):
        with watch.part(1.0 / (len(items) - i)) as part:
            out.append(_limit(system, catalog, found, item, count, part))
    return tuple(out)


def _limit(system: System, catalog: Catalog, found: Answer, item: CatalogItem, count: int, watch: Watch) -> PriceLimit:
    """Walk down from a price at which the part is left out, to the one at which the plan first changes.

    Every plan that is found on the way has a price of the part at which it costs as much as the present plan: above it
    the present plan is not the cheapest. What the last search proves is that below it no other plan is cheaper.
    """
    assert found.cents is not None
    system = system.with_budget(None)  # what costs too much at another price is still what would be bought
    price, turned = item.price_cents + found.cents + 1, False
    for _ in range(_STEPS):
        if watch.over:
            break
        dearer = replace(catalog, items={**catalog.items, item.item_id: replace(item, price_cents=price)})
        there = found.cents + count * (price - item.price_cents)
        ceiling = there if turned else None
        words, floor = f"without {item.description}", found.bound_cents or 0
        other = solve(Question(system, dearer, watch, words, 0.5, ceiling_cents=ceiling, floor_cents=floor))
        used = bought_counts(other.plan)[item.item_id]
        cheaper = other.found and other.cents is not None and other.cents < there and used < count
        if not cheaper:
            proved = other.status in (Status.INFEASIBLE, Status.OPTIMAL)
            return PriceLimit(item, item.price_cents, price if turned else None, settled=proved)
        assert other.cents is not None
        price -= -(-(there - other.cents) // (count - used))  # rounded up: there the other plan is no cheaper
        turned = True
    return PriceLimit(item, item.price_cents, price if turned else None, settled=False)
