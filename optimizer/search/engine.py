"""A question → its answer: propose the cheapest plan, check it, and where a check refuses it cut it off and go on.

Two engines propose. Where every flow is known beforehand the exact tables and the program do; their plan is proved
the cheapest, and a check that refuses it becomes a limit on the water that the pipe may hold, where that is what it is
refused for. Otherwise, and where such a limit does not settle it, the relaxation over ranges of flow proposes: it has
drains, rims, velocities and every target as rows of its own. This is the one place that knows which of them it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial

from optimizer.choices.considered import ONE_UNION
from optimizer.choices.demands import KnownFlows
from optimizer.choices.for_sale import for_sale
from optimizer.choices.velocity import with_carried
from optimizer.clock import TimeIsUp, limited
from optimizer.errors import FlowsUnknownError
from optimizer.hydraulics import solve_network
from optimizer.joints.closing import share_a_closing
from optimizer.model.catalog import Kind
from optimizer.model.circuits import short_lines
from optimizer.model.note import money_note, note
from optimizer.model.plan import Forbidden, Plan, Status
from optimizer.model.system import System
from optimizer.program.relaxation import FLOW_SOLVERS
from optimizer.search.apart import pieces_of, plan_of_pieces, rest_of
from optimizer.search.assemble import with_charge
from optimizer.search.certainty import with_certainty
from optimizer.search.cheapest import Search, find_plan
from optimizer.search.checks import Verdicts, verdicts, with_straights_kept
from optimizer.search.collection import collection_held
from optimizer.search.finer_valves import with_finer_valves
from optimizer.search.flow_lists import ListTerms, by_list
from optimizer.search.flow_search import STOPPED, TIME_CAME
from optimizer.search.margins import with_margin_kept
from optimizer.search.most_to_spare import with_most_to_spare
from optimizer.search.no_plan import beyond_drains, bursting, no_plan, out_of_time, refused, refusing
from optimizer.search.one_mode import as_for_all, hardest_mode, plan_of_one_mode, serves_in_all
from optimizer.search.pressure import with_weak_gone
from optimizer.search.question import Answer, Question
from optimizer.search.second_pump import with_second_pump
from optimizer.search.unknown_flows import UnknownSearch
from optimizer.search.unknown_pumps import by_list_of_any, counts_electricity, find_any
from optimizer.verify.allowance import Allowance, allowance_of, allowances_of
from optimizer.verify.drain_back import inflow_m3_s

_LIST_SHARE, _LIST_TIME_S = 0.5, 20.0  # of the time left, and at the most, for a cheaper list where flows are not known
_ONE_MODE_SHARE = 0.25  # of the time, for the cheapest plan of the hardest mode, where its flows are not known
_WITHOUT_LIMITS_SHARE = 0.6  # of the time, for a plan without budget and limit of saw cuts
_MENDING_SHARE = 0.1  # of the time, for a plan that costs no more and mends what is unsafe today
_SHARED_UNION = note("one union for two runs", what=ONE_UNION)


def solve(question: Question) -> Answer:
    """Return the cheapest plan that meets every target and passes every check, or how the search for it ended.

    Its notes say which cheaper plan was refused, and why. A second pump is weighed where the owner allows one.

    Raises
    ------
    PlanError
        When no target asks for any flow, a target names a run that there is not, or a valve has nothing to hold to.
    SolverError
        When no solver answers.
    """
    question = replace(question, system=with_carried(question.system))
    rules = question.system.rules
    if rules.finer_valve_cents:
        return with_finer_valves(question, solve)
    if rules.margin:
        return with_margin_kept(question, solve)
    if rules.certainty:
        with limited(question.time_s):
            try:
                return with_certainty(question, solve)
            except TimeIsUp:
                return out_of_time(question)
    borne = with_weak_gone(question.system)
    if borne is None:
        return bursting(question)
    question = replace(question, system=borne)
    with limited(question.time_s):
        try:
            answer = _with_one_pump(question)
        except TimeIsUp:
            answer = out_of_time(question)
        if question.system.second_pump is not None and not (question.first_will_do and answer.found):
            answer = _with_two_pumps(question, answer)
    by_hand = question.clock.by_hand = question.clock.by_hand or answer.by_hand
    answer = replace(answer, by_hand=by_hand)
    return _within_budget(question, _among_own_unions(question, answer))


def _within_budget(question: Question, answer: Answer) -> Answer:
    """Return an answer whose parts list keeps within the budget, or that none was found; by what it uses it may.

    Where the flows are known the search holds lists to the budget itself, with proof.
    """
    budget = question.system.rules.budget_cents
    if budget is None or not answer.found or (answer.plan.cost_cents or 0) <= budget:
        return answer
    if question.first_will_do:  # another plan may
        return solve(replace(question, first_will_do=False))
    over = note("over the budget", cost=answer.plan.cost_note, budget=money_note(budget, answer.plan.currency))
    return replace(answer, plan=no_plan(answer.plan, False, (over, note("budget not proven"))), cents=None)


def _among_own_unions(question: Question, answer: Answer) -> Answer:
    """Return an answer that says where one union for two runs might be cheaper: every run is given one of its own."""
    plan, unions = answer.plan, for_sale(question.system, question.catalog).of_kind(Kind.UNION)
    spare = (plan.material_cents or 0) - min((union.price_cents for union in unions), default=math.inf)
    if _SHARED_UNION in plan.left_out or not plan.found or spare <= 0 or not share_a_closing(question.system.network):
        return answer
    return replace(answer, plan=replace(plan, left_out=(*plan.left_out, _SHARED_UNION)))


def _with_one_pump(question: Question) -> Answer:
    return _at_known_flows(question) or _of_one_mode(question) or _charged(question)


def _charged(question: Question) -> Answer:
    """Return the answer where flows are not known, charged no less than a minimum order.

    The cheapest order without one is the cheapest with it.
    """
    rules, floor = question.system.rules, question.floor_cents
    if not rules.minimum_order_cents:
        return _without_limits(question) or _of_all_flows(question)
    system = replace(question.system, rules=replace(rules, minimum_order_cents=0))
    floor = floor if floor > rules.minimum_order_cents else 0
    answer = _charged(replace(question, system=system, floor_cents=floor))
    plan = with_charge(rules, answer.plan)
    bound = None if answer.bound_cents is None else rules.charged_bound(answer.bound_cents, plan.energy_cents)
    return _below(question, replace(answer, plan=plan, bound_cents=bound, cents=plan.material_cents))


@collection_held()
def _at_known_flows(question: Question) -> Answer | None:
    """Return the answer where every flow is known beforehand."""
    try:
        first = find_plan(
            question.system,
            question.catalog,
            solver=question.clock.solver,
            time_limit_s=question.time_s,
            with_reasons=question.with_reasons,
            progress=question.clock.ending(question.words),
        )
    except FlowsUnknownError:
        return None
    return _below(question, _checked(question, first))


def _of_all_flows(question: Question) -> Answer:
    return _of_the_rest(question) or _of_the_pieces(question) or _over_ranges(question)


def _without_limits(question: Question) -> Answer | None:
    """Return the answer without budget and limit of saw cuts where its plan keeps to both, or no plan does; else None.

    The tables carry what a limit counts along, and count what is used where a list has to be told.
    """
    system, rules = question.system, question.system.rules
    free = replace(system, rules=replace(rules, budget_cents=None, most_cuts=None))
    if free == system or question.first_will_do or system.second_pump is not None:
        return None
    answer = _of_all_flows(replace(question, system=free, share=_WITHOUT_LIMITS_SHARE * question.share))
    plan, budget = answer.plan, rules.budget_cents
    if not answer.found:
        return answer if answer.proved_none else None
    within = budget is None or (plan.cost_cents or 0) <= budget
    if within and (rules.most_cuts is None or plan.cuts <= rules.most_cuts):
        return answer if plan.status is Status.OPTIMAL else None
    least = (answer.bound_cents or 0) - plan.energy_cents
    if budget is None or least <= budget or rules.labour_cents_per_hour or counts_electricity(system):
        return None
    told = [money_note(cents, plan.currency) for cents in (least, budget)]
    none = no_plan(plan, True, (note("all lists over the budget", least=told[0], budget=told[1]),))
    return Answer(replace(none, forbidden=Forbidden.BY_RULES, left_out=plan.left_out))


def _of_one_mode(question: Question) -> Answer | None:
    """Return the answer that the cheapest plan of one of several modes is, or its no; None where that is not all."""
    if not question.system.settings:
        return None
    if (beyond := beyond_drains(question)) is not None:
        return beyond
    plan = plan_of_one_mode(question)
    if plan is not None:
        return _below(question, _answer(plan, told=question.with_reasons))
    system, hardest = question.system, hardest_mode(question.system)
    if hardest is None or question.first_will_do:
        return None
    alone = replace(question, system=hardest, share=_ONE_MODE_SHARE * question.share, with_reasons=False)
    try:
        with limited(alone.time_s):
            answer = _charged(alone)
    except TimeIsUp:
        return None
    plan = answer.plan
    told = any(each.code == "cheaper refused" for each in plan.notes)  # in which mode is told where all are looked at
    if told or not plan.found or not serves_in_all(question, plan):
        return None
    first = replace(answer, plan=as_for_all(system, plan))
    return _below(question, first if plan.status is Status.OPTIMAL else _cheaper(first, _charged(question)))


def _cheaper(first: Answer, other: Answer) -> Answer:
    """Return that of two answers whose list costs less, the first where they cost the same, with the better bound."""
    if other.found and (other.plan.total_cents or 0) < (first.plan.total_cents or 0):
        return other
    bound = min(max(first.bound_cents or 0, other.bound_cents or 0), first.cents or 0)
    status = Status.OPTIMAL if bound == first.cents else first.status
    return replace(first, plan=replace(first.plan, bound_cents=bound, status=status), bound_cents=bound)


def _of_the_rest(question: Question) -> Answer | None:
    """Return the answer of what is left without what goes round by itself and meets its targets; None without such."""
    rest = rest_of(question.system)
    if rest is None:
        return None
    answer = _with_one_pump(replace(question, system=rest))
    if answer.found and verdicts(question.system, answer.plan, question.catalog).failures:
        return None
    return answer


def _of_the_pieces(question: Question) -> Answer | None:
    """Return the answer that is put together of those of pieces which share no water; None where there are none such.

    A piece that has no plan has none in any plan of the whole.
    """
    system, plans = question.system, list[Plan]()
    pieces = pieces_of(system) if system.second_pump is None else ()
    for k, piece in enumerate(pieces):
        share = question.share / (len(pieces) - k)
        answer = solve(replace(question, system=piece, share=share, ceiling_cents=None, floor_cents=0))
        if not answer.found:
            return answer
        plans.append(answer.plan)
    if not plans:
        return None
    plan = plan_of_pieces(system, question.catalog, plans)
    if verdicts(system, plan, question.catalog).failures:
        return None
    return _below(question, _answer(plan))


def _with_two_pumps(question: Question, first: Answer) -> Answer:
    clock = question.clock
    try:
        both = with_second_pump(
            question.system,
            question.catalog,
            first.plan,
            solver=clock.solver,
            time_limit_s=question.time_s,
            progress=clock.telling(question.words),
        )
    except TimeIsUp:
        return _unproved(first)
    if both is first.plan:
        return first
    found = _answer(both)
    return _below(question, replace(found, by_hand=first.by_hand, refused=first.refused, reach_told=first.reach_told))


def _unproved(first: Answer) -> Answer:
    """Return the answer with one pump, where the time came before those with two were looked at."""
    if not first.found:
        return replace(first, plan=no_plan(first.plan, False, (*first.reasons, TIME_CAME)), bound_cents=0)
    notes = (*first.plan.notes, note("second pump left open", why=TIME_CAME))
    return replace(first, plan=replace(first.plan, status=Status.FEASIBLE, bound_cents=0, notes=notes), bound_cents=0)


def _answer(plan: Plan, refused: bool = False, told: bool = False) -> Answer:
    if plan.status is Status.INFEASIBLE:
        return Answer(plan, None, None, refused=refused, reach_told=told)
    return Answer(plan, plan.bound_cents or 0, plan.material_cents, refused=refused, reach_told=told)


def _below(question: Question, answer: Answer) -> Answer:
    """Return an answer, or the no that it is where only plans that cost less are of interest."""
    most = question.ceiling_cents
    if most is None or answer.cents is None or answer.cents < most:
        return answer
    proved = (answer.bound_cents or 0) >= most
    reason = (note("none costs less", cost=money_note(most, question.catalog.currency)),)
    return replace(answer, plan=no_plan(answer.plan, proved, reason), cents=None, bound_cents=answer.bound_cents)


# flows known beforehand


def _checked(question: Question, first: Search) -> Answer:
    """Return the first plan where it passes; else the next one, whose pipe holds no more than the sump has room for."""
    if not first.plan.found:
        return _answer(first.plan, told=question.with_reasons)
    said = verdicts(question.system, first.plan, question.catalog)
    if not said.failures:
        other = first.roomier
        roomy = other is not None and not (then := verdicts(question.system, other, question.catalog)).failures
        return _answer(other if other is not None and roomy and then.lasting <= said.lasting else first.plan)
    try:
        return _next_of_known(question, first, said)
    except TimeIsUp:
        return _answer(refusing(first.plan, said, proved=False, more=(question.clock.why_over,)), refused=True)


def _next_of_known(question: Question, first: Search, said: Verdicts) -> Answer:
    """Return the plan that comes next, or that none passes; the first was refused."""
    if said.misfits:
        return _with_straights_kept(question, first.plan, said)
    if said.stuck and not question.system.closes_alone:
        return _closing_alone(question, first.plan, said)
    if said.unsafe:
        if (beyond := beyond_drains(question)) is not None:
            return beyond
        system, least = question.system, _at_least(question.system, first.flows)
        if _too_much_flow(system, least):
            return _answer(refusing(first.plan, said, proved=True), refused=True)
        most_m3 = allowance_of(system, today_counts=True).most_pipe_m3(_between(system, least))
        if most_m3 is not None:
            return _with_less_water(question, first, said, most_m3)
    return _over_ranges(question, first.plan, said)


def _with_less_water(question: Question, first: Search, said: Verdicts, most_m3: float) -> Answer:
    found = None if most_m3 <= 0.0 else _holding(question, most_m3)
    if found is None or found.status is Status.INFEASIBLE:
        return _answer(refusing(first.plan, said, proved=True), refused=True)
    if found.found and not verdicts(question.system, found, question.catalog).failures:
        dearer = (found.material_cents or 0) > (first.plan.material_cents or 0)  # else there is one as cheap
        return _answer(replace(found, notes=(*found.notes, refused(first.plan, said))) if dearer else found)
    return _over_ranges(question, first.plan, said)


def _holding(question: Question, most_m3: float) -> Plan:
    """Return how the search ends for plans whose runs hold no more water than that."""
    return find_plan(
        question.system,
        question.catalog,
        solver=question.clock.solver,
        time_limit_s=question.time_s,
        with_reasons=False,
        most_volume_m3=most_m3,
        progress=question.clock.ending(question.words),
    ).plan


def _at_least(system: System, flows: KnownFlows) -> dict[str, float]:
    """Return the least flows of what is planned, and what flows in the other runs as they stand [m³/s]."""
    return {**solve_network(system.network).flows_m3_s, **flows.flows_m3_s}


def _between(system: System, least_m3_s: Mapping[str, float]) -> dict[str, tuple[float, float]]:
    """Return between which flows every run is [m³/s]: lines that nothing is asked of run down with what there is."""
    ways = {1: (0.0, math.inf), -1: (-math.inf, 0.0), 0: (-math.inf, math.inf)}
    free = {name: ways[way] for name, way in short_lines(system.network).items() if not least_m3_s[name]}
    return {name: free.get(name, (flow, flow)) for name, flow in least_m3_s.items()}


def _too_much_flow(system: System, least_m3_s: dict[str, float]) -> bool:
    """Return whether the least flows alone are more than drains and rims take: then no plan is safe."""
    network = system.network
    stated = {tank.name: tank for tank in system.tanks}
    return any(
        name in stated and inflow_m3_s(network, least_m3_s, stated[name]) > most
        for name, most in allowance_of(system, today_counts=True).most_m3_s.items()
    )


def _closing_alone(question: Question, cheaper: Plan, said: Verdicts) -> Answer:
    """Return the plan where every held run closes by itself; `cheaper` left that to a union that another run gave up.

    It is not proven the cheapest: one union may serve several runs.
    """
    return _among_fewer(question, replace(question.system, closes_alone=True), cheaper, said)


def _with_straights_kept(question: Question, cheaper: Plan, said: Verdicts) -> Answer:
    """Return the plan that leaves the straights as they are in which the new parts of `cheaper` do not fit.

    It is not proven the cheapest: other new parts might fit there.
    """
    kept = with_straights_kept(question.system, said.misfits)
    if kept == question.system:
        return _answer(refusing(cheaper, said, proved=False), refused=True)
    return _among_fewer(question, kept, cheaper, said)


def _among_fewer(question: Question, system: System, cheaper: Plan, said: Verdicts) -> Answer:
    """Return the cheapest plan for a system that allows less, `cheaper` was refused."""
    answer = solve(replace(question, system=system))
    bound = min(cheaper.bound_cents or 0, answer.bound_cents or 0)
    if not answer.found:
        return replace(answer, plan=refusing(cheaper, said, proved=False, more=answer.reasons), bound_cents=bound)
    plan = replace(answer.plan, bound_cents=bound, notes=(*answer.plan.notes, refused(cheaper, said)))
    status = Status.OPTIMAL if bound == answer.cents and plan.status is Status.OPTIMAL else Status.FEASIBLE
    return replace(answer, plan=replace(plan, status=status), bound_cents=bound, refused=True)


# flows that are not


def _over_ranges(question: Question, cheaper: Plan | None = None, said: Verdicts | None = None) -> Answer:
    """Return the cheapest plan of the search over ranges of flow; `cheaper` was refused before, for what was `said`."""
    clock = question.clock
    search = partial(
        find_any,
        question.system,
        question.catalog,
        solver=clock.solver if cheaper is None or clock.solver in FLOW_SOLVERS else None,
        progress=clock.telling(question.words),
    )
    find = partial(search, cutoff_cents=question.ceiling_cents, any_plan=question.first_will_do)
    time_s, floor = question.time_s, 0  # what no list costs less than says nothing of what is used
    if cheaper is None or said is None:
        if (beyond := beyond_drains(question)) is not None:
            return beyond
        first = find(time_limit_s=time_s, floor_cents=floor)
        if not first.plan.found:
            return _of_search(first)
        said = verdicts(question.system, first.plan, question.catalog)
        if not said.failures:
            listed = _by_list(question, _mending(question, first, said, search), said)
            return _below(question, _of_search(_with_most_to_spare(question, listed)))
        if said.misfits:
            return _with_straights_kept(question, first.plan, said)
        if said.stuck and not question.system.closes_alone:
            return _closing_alone(question, first.plan, said)
        cheaper, floor = first.plan, first.bound_cents or 0
        if first.by_hand:
            plan = refusing(cheaper, said, proved=False, more=(STOPPED,))
            return replace(_of_search(first), plan=plan, cents=None, refused=True)
    # what is refused may be cheaper than the next plan, nothing else is
    held = allowances_of(question.system, today_counts=True)
    left_s = max(0.5 * time_s, question.time_s)
    found = find(time_limit_s=left_s, allowances=held, floor_cents=max(floor, cheaper.bound_cents or 0))
    return _next_best(question, found, cheaper, said, search, held)


def _next_best(
    question: Question,
    found: UnknownSearch,
    cheaper: Plan,
    said: Verdicts,
    search: Callable[..., UnknownSearch],
    held: tuple[Allowance, ...],
) -> Answer:
    """Return the plan that comes next where it passes, or that none was found; `cheaper` was refused.

    `held` is what drains, rims and sumps take, which every plan found keeps to.
    """
    if not found.plan.found:
        proved = found.plan.status is Status.INFEASIBLE
        plan = refusing(cheaper, said, proved, () if proved else found.plan.reasons)
        return replace(_of_search(found), plan=replace(plan, left_out=found.plan.left_out), refused=True)
    still = verdicts(question.system, found.plan, question.catalog)
    if still.failures:
        more = (*still.failures, note("next is refused as well"))
        plan = refusing(cheaper, said, proved=False, more=more)
        return replace(_of_search(found), plan=plan, cents=None, refused=True)
    found = _mending(question, found, still, search)
    dearer = (found.cents or 0) > (cheaper.material_cents or 0)  # else it is other settings that keep it dry
    found = _by_list(question, found, still, held)
    if dearer:
        found = replace(found, plan=replace(found.plan, notes=(*found.plan.notes, refused(cheaper, said))))
    return _of_search(found)


def _of_search(found: UnknownSearch) -> Answer:
    return Answer(found.plan, found.bound_cents, found.cents, found.by_hand)


def _by_list(
    question: Question, found: UnknownSearch, said: Verdicts, held: tuple[Allowance, ...] = ()
) -> UnknownSearch:
    """Return the plan with the cheapest list where there is one that passes as well; else the one found.

    Only plans that keep to what drains, rims and sumps take are looked at, where that is told.
    """
    system, clock, catalog = question.system, question.clock, question.catalog
    proved = found.plan.status is Status.OPTIMAL and not question.first_will_do
    if not proved:
        return found
    time_s = min(_LIST_TIME_S, _LIST_SHARE * question.time_s)
    solver = clock.solver if clock.solver in FLOW_SOLVERS else None
    terms: ListTerms = {"solver": solver, "time_limit_s": time_s, "allowances": held}
    other = by_list_of_any(system, catalog, found, question.ceiling_cents, **terms)
    if other.choice == found.choice and other.case is found.case:
        return other
    then = verdicts(system, other.plan, question.catalog)
    return found if then.failures or then.lasting > said.lasting else other


def _with_most_to_spare(question: Question, found: UnknownSearch) -> UnknownSearch:
    """Return a plan of the same cost with more margin where there is one."""
    clock, solver = question.clock, question.clock.solver if question.clock.solver in FLOW_SOLVERS else None

    def find(system: System, below_cents: int, time_s: float) -> UnknownSearch:
        other = find_any(
            system,
            question.catalog,
            solver=solver,
            time_limit_s=time_s,
            cutoff_cents=below_cents,
            progress=clock.telling(question.words),
        )
        return by_list(system, question.catalog, other, below_cents, solver=solver, time_limit_s=time_s)

    lasting = verdicts(question.system, found.plan, question.catalog).lasting
    return with_most_to_spare(question, found, lasting, find)


def _mending(
    question: Question, found: UnknownSearch, said: Verdicts, search: Callable[..., UnknownSearch]
) -> UnknownSearch:
    """Return a plan of the same cost that takes away what is unsafe today as well, where there is one: it is free."""
    if question.first_will_do or found.cents is None or not said.lasting:
        return found
    other = search(
        time_limit_s=_MENDING_SHARE * question.time_s,
        allowances=allowances_of(question.system, today_counts=False),
        floor_cents=found.cents,
        cutoff_cents=found.cents + 1,
        any_plan=True,
    )
    if not other.plan.found:
        return found
    then = verdicts(question.system, other.plan, question.catalog)
    if then.failures or then.lasting >= said.lasting:
        return found
    plan = found.plan
    same = replace(other.plan, status=plan.status, bound_cents=plan.bound_cents, notes=plan.notes)
    return replace(found, plan=same)
