"""Where no plan meets the targets: how far one gets, what stands in the way, which single change would free a plan.

What an owner could allow is a rule, a size, a kept part or the pump, each in words and as a system.
So is the least number of saw cuts with which there is a plan.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

from optimizer.choices.open_joints import open_places
from optimizer.choices.scaled import has_upper_ends, with_margin
from optimizer.choices.wants import wants_of
from optimizer.clock import TimeIsUp, limited
from optimizer.errors import NetworkError, PlanError
from optimizer.hydraulics import conditions_of, element_head_loss_m, pump_head_m, run_elements
from optimizer.joints.closing import tied
from optimizer.model.catalog import PIPES, Catalog, Kind
from optimizer.model.dial import RPM
from optimizer.model.network import Condition, Network, Pump
from optimizer.model.note import Note, money_note, note
from optimizer.model.plan import Forbidden, Plan, Status
from optimizer.model.rules import RULES, Sold
from optimizer.model.system import Setting, System, Target
from optimizer.search.engine import solve
from optimizer.search.question import Answer, Question
from optimizer.search.reach import stays_slow
from optimizer.search.studies.how_far import STEP, BestReach, PlannedReach, best_reach
from optimizer.search.watch import Watch
from optimizer.verify.openings import all_open
from optimizer.verify.reach import best_speeds, is_joined, present_networks

Price = Callable[[Plan], int]
_NO_WAY = "no way to plumb"
_REACH_SHARE = 0.4  # of the time, for how far one gets
_PRESENT_SHARE = 0.25  # ... and of that, or of the time of another study, for how far what stands gets
MORE_CUTS, EVERY_CATALOG = (note("relaxed", rule=key, text=RULES[key].relaxed) for key in ("saw cuts", "buy only from"))


def with_ways_out(system: System, catalog: Catalog, answer: Answer, watch: Watch, price: Price) -> Plan:
    """Return a search that ended without a plan with what can be said beyond the no among its reasons.

    Where it is proved that there is none that is what would free one, else how far a plan gets that is found in more
    time. Where plans exist and a check refuses them the reasons say so already; who stopped the search by hand does
    not wait for more. `price` says what the parts list of a plan comes to [cents].
    """
    if answer.refused or answer.by_hand:
        return answer.plan
    if unjoined := _unjoined(system, catalog, answer):
        return replace(answer.plan, reasons=unjoined)
    reasons, forbidden = list(answer.reasons), answer.plan.forbidden
    try:
        if not answer.reach_told:
            proved, asked = answer.proved_none, with_margin(system.with_promise(margin=0.0), system.rules.margin)
            with watch.part(_REACH_SHARE if proved else 1.0) as part:
                reached = best_reach(asked, catalog, part, present_share(asked, part), 1.0, proved=proved)
            reasons += _reach_notes(asked, reached)
        if answer.proved_none:
            ways = _ways_out(system, catalog, watch, price)
            reasons += ways.told
            forbidden = Forbidden.BY_RULES if ways.by_rule else forbidden
    except KeyboardInterrupt:
        reasons.append(note("ways not looked for"))
    if system.rules.budget_cents is not None and answer.proved_none:
        reasons.append(note("ask for the most flow"))
    return replace(answer.plan, reasons=tuple(reasons), forbidden=forbidden)


def _unjoined(system: System, catalog: Catalog, answer: Answer) -> tuple[Note, ...]:
    """Return the places of a run without any way to plumb it that nothing in any catalog joins, of metal neither."""
    if not any(why.code.startswith(_NO_WAY) for why in answer.reasons):
        return ()
    anything = replace(system, rules=replace(system.rules, allow_unsafe_metals=True, own_lists_only=False))
    places = [place for place in open_places(anything, catalog) if place.least_cents is None]
    return tuple(
        note(
            "nothing joins",
            run=place.run,
            first=str(place.first),
            second=str(place.second),
            where=place.words,
            why=place.why_not,
        )
        for place in places
    )


@dataclass(frozen=True, slots=True)
class _Ways:
    """What the ways out are, and whether a rule is among what frees a plan."""

    told: tuple[Note, ...]
    by_rule: bool


def present_share(system: System, watch: Watch) -> float:
    """Return the multiple of the targets that the plumbing reaches as it stands.

    0 where a joint of it is open, or it is not told within a share of the time that is left.
    """
    if not is_joined(system):
        return 0.0
    try:
        with limited(_PRESENT_SHARE * watch.left_s):
            return min(1.0, best_speeds(system, present_networks(system)).scale)
    except (NetworkError, TimeIsUp):
        return 0.0


def _reach_notes(system: System, reached: BestReach) -> Iterator[Note]:
    kept = note("others as they are") if has_upper_ends(system) or _has_splits(system) else None
    if reached.scale <= 0.0:
        if reached.beyond > 2 * STEP:
            yield note("no smaller share found", kept=kept)
        else:
            yield note("not even that share", share=STEP, kept=kept)
        return
    beyond = 0.0 if math.isinf(reached.beyond) else math.ceil(100 * reached.beyond) / 100
    code = "none considered reaches" if reached.left_out else "none reaches"
    proof = note(code, share=beyond) if beyond else note("more is open")
    yield note("best found reaches", share=math.floor(100 * reached.scale) / 100, kept=kept, proof=proof)
    if reached.best is not None:
        yield _bottleneck(reached.best)


def _has_splits(system: System) -> bool:
    return any(target.share is not None for target in system.all_targets)


def _bottleneck(best: PlannedReach) -> Note:
    """Say what the pumps give there, and which run takes the most of it, its valves open."""
    mode, flows = next(iter(best.reach.flows_m3_s.items()))
    network = best.networks[0]
    lost = _run_losses_m(network, flows)
    worst = max(lost, key=lambda name: lost[name])
    given = tuple(
        _given(network.pumps[part.name], flows[run.name])
        for run in network.runs.values()
        for part in run.parts
        if part.kind is Kind.PUMP
    )
    told = (*given, note("takes the most", run=worst, lost_m=lost[worst]))
    return note("with that plan", mode=note("in that mode", mode=mode) if mode else None, what=told)


def _given(pump: Pump, flow_m3_s: float) -> Note:
    return note("pump gives at", pump=pump.name, head_m=pump_head_m(pump, flow_m3_s), flow_m3_s=flow_m3_s)


def _run_losses_m(network: Network, flows: Mapping[str, float]) -> dict[str, float]:
    conditions = conditions_of(network)
    return {
        run.name: sum(
            abs(element_head_loss_m(element, flows[run.name], conditions))
            for element in run_elements(run, network, conditions)
        )
        for run in all_open(network).runs.values()
    }


def _ways_out(system: System, catalog: Catalog, watch: Watch, price: Price) -> _Ways:
    """Return what each single thing that the owner could allow, or not ask for, would cost."""
    rules = list(relaxations(system, catalog))
    waiting = [*_faster(system), *rules, *_wishes(system)]
    by_rule = False
    ways: list[tuple[int, Note]] = []
    unsettled: list[Note] = []
    left_out: tuple[Note, ...] = ()
    for i, (change, relaxed) in enumerate(waiting):
        if watch.over:
            unsettled += [each for each, _ in waiting[i:]]
            break
        question = Question(relaxed, catalog, watch, f"way out {i + 1} of {len(waiting)}", share=1 / (len(waiting) - i))
        found = _tried(question, (system.rules.most_cuts or 0) + 1 if change == MORE_CUTS else None)
        if found is not None and found.found:
            cents = price(found.plan)
            cost = money_note(cents, found.plan.currency)
            less = None if found.status is Status.OPTIMAL else note("or less")
            by_rule = by_rule or any(change is each for each, _ in rules)
            way = change_for(change, system, catalog, found.plan)
            ways.append((cents, note("would make it possible", change=way, cost=cost, less=less)))
        elif found is None or not found.proved_none:
            unsettled.append(change)
        else:
            left_out = left_out or found.left_out
    said = [way for _, way in sorted(ways, key=lambda each: each[0])]
    if not ways and not unsettled:
        considered = note("among those considered") if left_out else None
        said.append(note("no single one", considered=considered, changes=tuple(change for change, _ in waiting)))
    if unsettled:
        why = watch.why_over if watch.over else note("each too little time")
        said.append(note("not settled", why=why, changes=tuple(unsettled)))
    return _Ways(tuple(said), by_rule)


def _tried(question: Question, least_cuts: int | None) -> Answer | None:
    """Return the answer to a trial, with the fewest cuts where they are what it is about.

    None where it can not be posed: that says something of the trial, and nothing of what was asked.
    """
    try:
        found = solve(question)
        if least_cuts is None or not found.found:
            return found
        return fewest_cuts(question, found, least_cuts)[0]
    except PlanError:
        return None


def _wishes(system: System) -> Iterator[tuple[Note, System]]:
    """Yield what could be asked for less: no upper end, no target, no mode."""
    names = dict.fromkeys(target.run for target in system.all_targets)
    for name in names:
        if any(t.run == name and t.high_m3_s is not None and t.low_m3_s > 0.0 for t in system.all_targets):
            yield note("no maximum", run=name), _changed(system, name, drop=False)
    if len(names) > 1:
        for name in names:
            yield note("no target", run=name), _changed(system, name, drop=True)
    asking = _asking(system)
    for setting in asking if len(asking) > 1 else ():
        kept = tuple(one for one in system.settings if one is not setting)
        yield note("without the mode", mode=setting.name), replace(system, settings=kept)


def _asking(system: System) -> list[Setting]:
    """Return the modes in which something is asked."""
    return [one for one in system.settings if wants_of(replace(system, targets=one.targets))]


def _faster(system: System) -> Iterator[tuple[Note, System]]:
    """Yield each mode in which something is asked with a pump of it at the highest speed of its dial.

    Without modes: a pump that stays slow, as far as the file says, at full speed.
    """
    for name, pump in system.network.pumps.items() if not system.settings else ():
        if stays_slow(pump):
            pumps = {**system.network.pumps, name: replace(pump, speeds=(pump.speed, 1.0))}
            network = replace(system.network, pumps=pumps)
            yield note("faster", pump=name, speed_share=1.0), replace(system, network=network)
    for setting in _asking(system):
        for name, pump in system.network.pumps.items():
            highest = max((pump.speed, *pump.speeds))
            if 0.0 < setting.speeds.get(name, pump.speed) < highest:
                shown = (pump.dial or RPM).setting(highest)
                faster = replace(setting, speeds={**setting.speeds, name: highest})
                changed = tuple(faster if one is setting else one for one in system.settings)
                yield (
                    note("faster in the mode", pump=name, speed_share=shown, mode=setting.name),
                    replace(system, settings=changed),
                )


def _changed(system: System, name: str, drop: bool) -> System:
    def of(targets: tuple[Target, ...]) -> tuple[Target, ...]:
        return tuple(less(t) if t.run == name else t for t in targets)

    def less(target: Target) -> Target:
        return replace(target, high_m3_s=None, low_m3_s=0.0 if drop else target.low_m3_s, share=None)

    settings = tuple(replace(one, targets=of(one.targets)) for one in system.settings)
    return replace(system, targets=of(system.targets), settings=settings)


def change_for(change: Note, system: System, catalog: Catalog, plan: Plan) -> Note:
    """Return what the owner would have to allow for a plan, by the relaxation that it was found under."""
    if change == MORE_CUTS:
        more = plan.cuts - (system.rules.most_cuts or 0)
        return note("more cuts" if more > 1 else "one more cut", more=more, cuts=plan.cuts)
    return (
        note("beyond the lists", change=change, items=_beyond_lists(catalog, plan))
        if change == EVERY_CATALOG
        else change
    )


def _beyond_lists(catalog: Catalog, plan: Plan) -> tuple[str, ...]:
    """Return what a plan buys that the owner's lists have no price for, in the order of the plan."""
    bought = [purchase for run in plan.runs.values() for purchase in run.purchases]
    bought += [purchase for tee in plan.tees.values() for purchase in tee.purchases]
    items = [purchase.item for purchase in (*bought, *plan.consumables)]
    return tuple(dict.fromkeys(item.description for item in items if item.item_id not in catalog.own))


def relaxations(system: System, catalog: Catalog) -> Iterator[tuple[Note, System]]:
    """Yield as a note, and as a system, everything that the rules forbid and an owner could allow."""
    network = system.network
    sold = Sold(
        tuple(dict.fromkeys(item.ends[0].size for item in catalog.of_kind(*PIPES))),
        bool(catalog.pumps),
        _is_held(system),
    )
    for key, row in RULES.items():
        relaxed = None if row.relax is None else row.relax(system.rules, sold)
        if relaxed is not None:
            yield note("relaxed", rule=key, text=row.relaxed), replace(system, rules=relaxed)
    kept = [name for name, run in network.runs.items() if any(_may_be_released(part.condition) for part in run.parts)]
    for name in kept:
        run = network.runs[name]
        parts = tuple(
            replace(part, condition=Condition.MAY_CHANGE)
            if _may_be_released(part.condition) and part.item is not None
            else part
            for part in run.parts
        )
        freed = replace(system, network=network.with_runs({name: replace(run, parts=parts)}))
        yield note("kept parts may change", run=name), freed


def _is_held(system: System) -> bool:
    """Return whether any run that is planned is held at both its ends."""
    network = system.network
    return any(any(tied(network, network.runs[name])) for part in system.planned_parts for name in part)


def _may_be_released(condition: Condition) -> bool:
    return condition is Condition.KEEP


def with_cuts(system: System, most_cuts: int | None) -> System:
    """Return the system with at most so many saw cuts into pipe that stands; None: any number."""
    return replace(system, rules=replace(system.rules, most_cuts=most_cuts))


def fewest_cuts(question: Question, found: Answer, least: int = 0) -> tuple[Answer, bool]:
    """Return the cheapest plan with the fewest cuts, and whether it is proved that no plan has fewer.

    Halves between `least` and the cuts of the best plan so far, until fewer are proved to be too few.

    Parameters
    ----------
    question
        As it was asked for `found`; its share of the time is that of each search.
    found
        A plan for the same system, whatever its cuts.
    least
        With fewer cuts than this there is known to be none.
    """
    best, proved = found, True
    while least < best.plan.cuts:
        middle = (least + best.plan.cuts - 1) // 2
        fewer = None
        if not question.clock.over:
            words = f"at most {middle} cuts"
            fewer = solve(replace(question, system=with_cuts(question.system, middle), words=words))
        if fewer is not None and fewer.found:
            best = fewer
        else:
            proved = proved and fewer is not None and fewer.proved_none
            least = middle + 1
    return best, proved
