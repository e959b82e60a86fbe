"""Where no plan meets the targets and flows are not known: how far one gets, what stands in the way, what frees it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

from optimizer.choices.scaled import all_targets, has_upper_ends
from optimizer.errors import NetworkError
from optimizer.hydraulics import conditions_of, part_head_loss_m, pump_head_m
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.network import Network
from optimizer.model.plan import Plan, Status
from optimizer.model.system import System, Target
from optimizer.search.free import change_in_words, relaxations
from optimizer.search.unknown_reach import STEP, BestReach, PlannedReach, best_reach
from optimizer.search.watch import Watch
from optimizer.units import show_flow, show_head
from optimizer.verify.openings import all_open
from optimizer.verify.reach import best_speeds, present_networks

Price = Callable[[Plan], int]
_REACH_SHARE = 0.4  # of the time, for how far one gets


def with_ways_out(system: System, catalog: Catalog, found: Plan, watch: Watch, price: Price) -> Plan:
    """Return a plan that is proved to be none with what can be said beyond the no among its reasons.

    `price` says what the parts list of a plan comes to [cents].
    """
    reasons = list(found.reasons)
    try:
        with watch.part(_REACH_SHARE) as part:
            reached = best_reach(system, catalog, part, present_share(system), 1.0, proved=True)
        reasons += _reach_words(system, reached)
        reasons += _ways_out(system, catalog, watch, price)
    except KeyboardInterrupt:
        reasons.append("what would free it was not looked for: it was stopped by hand")
    return replace(found, reasons=tuple(reasons))


def with_how_far(system: System, catalog: Catalog, found: Plan, watch: Watch) -> Plan:
    """Return what ended without a plan and without a proof, with how far a plan gets that is found in more time."""
    reached = best_reach(system, catalog, watch, present_share(system), 1.0, proved=False)
    return replace(found, reasons=(*found.reasons, *_reach_words(system, reached)))


def present_share(system: System) -> float:
    """Return the multiple of the targets that the plumbing reaches as it stands; 0 where it has no steady flow."""
    try:
        return min(1.0, best_speeds(system, present_networks(system)).scale)
    except NetworkError:
        return 0.0


def _reach_words(system: System, reached: BestReach) -> Iterator[str]:
    kept = ", upper ends and splits as they are" if has_upper_ends(system) or _has_splits(system) else ""
    if reached.scale <= 0.0:
        yield (
            f"nor was one found in the time for any smaller share of the least flows{kept}"
            if reached.beyond > 2 * STEP
            else f"not even {100 * STEP:.0f} % of the least flows is within reach{kept}: these are what can not be kept"
        )
        return
    beyond = 0 if math.isinf(reached.beyond) else math.ceil(100 * reached.beyond)
    proved = (
        f"that none {'of those weighed ' if reached.left_out else ''}reaches {beyond} % is proved"
        if beyond
        else "whether one reaches more is open"
    )
    yield (
        f"the best plan that was found reaches {math.floor(100 * reached.scale)} % of every least flow{kept}; {proved}"
    )
    if reached.best is not None:
        yield from _bottleneck(system, reached.best)


def _has_splits(system: System) -> bool:
    return any(target.share is not None for target in all_targets(system))


def _bottleneck(system: System, best: PlannedReach) -> Iterator[str]:
    """Say what the pumps give there, and which run takes the most of it, its valves open."""
    mode, flows = next(iter(best.reach.flows_m3_s.items()))
    network = best.networks[0]
    lost = _run_losses_m(network, flows)
    worst = max(lost, key=lambda name: lost[name])
    given = [
        f"pump {part.name!r} gives {show_head(pump_head_m(network.pumps[part.name], flows[run.name]), system.units)} "
        f"at {show_flow(flows[run.name], system.units)}"
        for run in network.runs.values()
        for part in run.parts
        if part.kind is Kind.PUMP
    ]
    where = f" in setting {mode!r}" if mode else ""
    head = show_head(lost[worst], system.units)
    yield f"with that plan{where} {', '.join([*given, f'run {worst!r} takes the most of it, {head}'])}"


def _run_losses_m(network: Network, flows: Mapping[str, float]) -> dict[str, float]:
    conditions = conditions_of(network)
    return {
        run.name: sum(
            abs(part_head_loss_m(part, flows[run.name], conditions)) for part in run.parts if part.kind is not Kind.PUMP
        )
        for run in all_open(network).runs.values()
    }


def _ways_out(system: System, catalog: Catalog, watch: Watch, price: Price) -> Iterator[str]:
    """Yield what each single thing that the owner could allow, or not ask for, would cost."""
    waiting = [*relaxations(system, catalog), *_wishes(system)]
    ways: list[tuple[int, str]] = []
    unsettled = []
    left_out = ""
    for i, (words, relaxed) in enumerate(waiting):
        if watch.over:
            unsettled += [words for words, _ in waiting[i:]]
            break
        found = watch.find(relaxed, catalog, f"with {words}", share=1 / (len(waiting) - i)).plan
        if found.found:
            words = change_in_words(words, system, catalog, found)
            cents = price(found)
            cost = f"{cents / 100:.2f} {found.currency}"
            less = "" if found.status is Status.OPTIMAL else ", or less"
            ways.append((cents, f"what would free it: {words}; the parts would then cost {cost}{less}"))
        elif found.status is not Status.INFEASIBLE:
            unsettled.append(words)
        else:
            left_out = left_out or found.left_out
    yield from (words for _, words in sorted(ways))
    if not ways and not unsettled:
        plans = ", among the plans that were weighed" if left_out else ""
        yield f"no single one of these would free it{plans}: {'; '.join(words for words, _ in waiting)}"
    if unsettled:
        why = watch.why_over if watch.over else "each had too little time"
        yield f"whether these would free it was not settled, {why}: {'; '.join(unsettled)}"


def _wishes(system: System) -> Iterator[tuple[str, System]]:
    """Yield what could be asked for less: no upper end, no target, no setting."""
    names = dict.fromkeys(target.run for target in all_targets(system))
    for name in names:
        if any(t.run == name and t.high_m3_s is not None and t.low_m3_s > 0.0 for t in all_targets(system)):
            yield f"no upper end for {name!r}", _changed(system, name, drop=False)
    if len(names) > 1:
        for name in names:
            yield f"no target for {name!r}", _changed(system, name, drop=True)
    if len(system.settings) > 1:
        for setting in system.settings:
            kept = tuple(one for one in system.settings if one is not setting)
            yield f"without the setting {setting.name!r}", replace(system, settings=kept)


def _changed(system: System, name: str, drop: bool) -> System:
    def of(targets: tuple[Target, ...]) -> tuple[Target, ...]:
        if drop:
            return tuple(target for target in targets if target.run != name)
        return tuple(replace(t, high_m3_s=None) if t.run == name else t for t in targets)

    settings = tuple(replace(one, targets=of(one.targets)) for one in system.settings)
    return replace(system, targets=of(system.targets), settings=settings)
