"""A question that has no answer with a plan: why, as it is told.

A no is proved, or it is what was found in the time; what a check refused says which plan and for what.

The targets alone, before any plan, may ask for more water than a tank takes, or the tanks above give a sump more than
it holds when the pumps stop, were there no pipe at all: by mass at the tees and the rows of all targets. Then no plan
passes its check, and that is proved without a search.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from optimizer.choices.wants import Want, least_asked, wants_of
from optimizer.errors import NetworkError
from optimizer.hydraulics import solve_network
from optimizer.model.checks import AS_IT_IS, Check
from optimizer.model.circuits import fed_surfaces, sumps
from optimizer.model.note import Note, note
from optimizer.model.plan import Forbidden, Plan, Status
from optimizer.model.system import System
from optimizer.search.checks import Verdicts
from optimizer.search.flow_ranges import MOST_M3_S, Range, by_mass
from optimizer.search.pressure import weak_parts
from optimizer.search.question import Answer, Question
from optimizer.verify.allowance import Allowance, allowance_of, flow_limits_m3_s, lines_of, room_left_m3, sump_room_m3
from optimizer.verify.coming_down import least_down
from optimizer.verify.drain_back import drain_back
from optimizer.verify.into_sumps import starts

_ROOM, _LOOK, _OTHER = note("no other is safe"), note("no safe plan found"), note("none passes every check")
_LITRE = 1e-3
_NEAR_M3_S = 1e-8  # to which a flow is told


def bursting(question: Question) -> Answer:
    """Return that there is no plan, as something that has to stay could burst and the owner does not accept that."""
    weak = tuple(dict.fromkeys(weak_parts(question.system)))
    why = (
        note("could burst what stays", parts=weak),
        note("only accepted", check=str(Check.PRESSURE)),
    )
    plan = Plan(Status.INFEASIBLE, None, None, question.catalog.currency, {}, {}, {}, reasons=why)
    return Answer(replace(plan, forbidden=Forbidden.BY_CHECKS), refused=True)


def out_of_time(question: Question) -> Answer:
    """Return that the time came before any plan."""
    plan = Plan(Status.NO_PLAN_FOUND, None, question.floor_cents, question.catalog.currency, {}, {}, {})
    return Answer(
        replace(plan, reasons=(note("no plan before that", why=question.clock.why_over),)), question.floor_cents
    )


def beyond_drains(question: Question) -> Answer | None:
    """Return that there is no plan, as the targets alone ask for more than some tank takes; None where they do not."""
    over = too_much_asked(question.system)
    if not over:
        return None
    plan = Plan(Status.INFEASIBLE, None, None, question.catalog.currency, {}, {}, {}, reasons=over)
    return Answer(replace(plan, forbidden=Forbidden.BY_CHECKS), refused=True)


def refused(plan: Plan, said: Verdicts, code: str = "cheaper refused") -> Note:
    return note(code, cost=plan.cost_note, why=said.failures)


def refusing(plan: Plan, said: Verdicts, proved: bool, more: tuple[Note, ...] = ()) -> Plan:
    """Return that there is no plan because what was found is refused; `proved`: and because nothing else passes."""
    first = refused(plan, said, "cheapest refused")
    why = (_ROOM if proved else _LOOK) if said.unsafe and not said.missed else _OTHER
    return replace(no_plan(plan, proved, (first, why, *more)), forbidden=Forbidden.BY_CHECKS)


def no_plan(plan: Plan, proved: bool, reasons: tuple[Note, ...]) -> Plan:
    status = Status.INFEASIBLE if proved else Status.NO_PLAN_FOUND
    return Plan(status, None, None, plan.currency, {}, {}, plan.pump_speeds, reasons=reasons)


def too_much_asked(system: System) -> tuple[Note, ...]:
    """Return which tank or sump no plan keeps from running over, in the first setting where that is so; empty: none is.

    What is too much today already, and accepted by the rules, may stay as it is; where accepting one check would do,
    that is said as well.

    Raises
    ------
    PlanError
        When a target names a run that there is not.
    """
    for _, at in system.ways_to_run:
        room_m3, lines = sump_room_m3(at, at.network), lines_of(at, at.network)
        least = Allowance(at, flow_limits_m3_s(at, at.network), room_m3, pumps_move=False, by_lines=lines)
        if _over(at, least) is None and not _may_be_short(at):
            continue
        try:
            over = _too_much(at)
            if over is not None:
                return over, *_accepted(at)
        except NetworkError:  # what flows today is not known, so that what may stay so is not
            continue
    return ()


def _too_much(at: System) -> Note | None:
    """Return what is too much for a tank or the sump where what is accepted may stay as it is; None: nothing is."""
    return _over(at, _as_accepted(at)) or _short(at)


def _may_be_short(at: System) -> bool:
    """Return whether what gathers in all tanks together is more than the smallest reserve of a sump."""
    stated = {tank.name: tank for tank in at.tanks}
    gathers = sum(stated[name].start_volume_m3 or 0.0 for name in fed_surfaces(at.network) if name in stated)
    reserves = [stated[name].reserve_m3 for name in sumps(at.network) if name in stated]
    return any(reserve is not None and reserve < gathers for reserve in reserves)


def _short(at: System) -> Note | None:
    """Return that a sump has less above its pump's intake than gathers in tanks until drains pull: no pipe helps."""
    now = solve_network(at.network).flows_m3_s
    if Check.PUMP_RESERVE in at.rules.accepted or drain_back(at.network, now, at.tanks, at.drains).untold:
        return None
    for start in starts(at, at.network, now):
        if start.gathers_m3 is not None and start.reserve_m3 is not None and start.reserve_m3 < start.gathers_m3:
            return note("more gathers than the sump has", gathers_m3=start.gathers_m3, reserve_m3=start.reserve_m3)
    return None


def _as_accepted(at: System) -> Allowance:
    """Return what tanks and sumps take where what is accepted may stay as it is today."""
    return replace(allowance_of(at, today_counts=True), most_back_m3=room_left_m3(at))


def _accepted(at: System) -> tuple[Note, ...]:
    """Return the one check that would have to be accepted, as it is unsafe today; empty where there is none."""
    for check in AS_IT_IS:
        rules = replace(at.rules, accepted=(*at.rules.accepted, check))
        if _too_much(replace(at, rules=rules)) is None:
            return (note("only accepted", check=str(check)),)
    return ()


def _over(at: System, allowance: Allowance) -> Note | None:
    """Return the first tank whose limit no flows keep that meet the targets of a setting, or what runs back in all."""
    rows = dict(zip(allowance.most_m3_s, allowance.flow_rows(at.network), strict=False))
    lines = {tank: allowance.lines_take_all(at.network, tank) for tank in allowance.by_lines}
    if not rows and not lines and allowance.most_back_m3 is None:
        return None
    wide = dict.fromkeys(at.network.runs, (-MOST_M3_S, MOST_M3_S))
    wants = wants_of(at)
    if by_mass(at.network, wants, wide).empty:
        return None  # no flows meet the targets at all: the search says so
    for tank, row in lines.items():  # a tank that does not run over gives its lines all that comes in
        if by_mass(at.network, (*wants, row), wide).empty:
            return note("more asked than lines may take", tank=tank)
    for tank, row in rows.items():  # ... which so comes into the tank below
        others = (*wants, *lines.values())
        if by_mass(at.network, (*others, row), wide).empty:
            asked_m3_s = _least_m3_s(at, others, row, wide)
            return _more_than(allowance.tightest.get(tank), tank, allowance.most_m3_s[tank], asked_m3_s)
    for tank, counts, most in least_down(at, least_asked(wants)) if _pumps_stay(at) else ():
        most *= allowance.most_down.get(tank, 1.0)
        row = Want(f"down into {tank}", counts, high_m3_s=most)
        if by_mass(at.network, (*wants, *lines.values(), row), wide).empty:
            return note("more asked than may come down", tank=tank, most_m3_s=most)
    if allowance.most_back_m3 is None or _may_run_back(allowance, wants, allowance.most_back_m3):
        return None
    return _runs_back(allowance, wants, allowance.most_back_m3)


def _may_run_back(allowance: Allowance, wants: Sequence[Want], most_m3: float) -> bool:
    """Return whether flows that meet all rows may leave no more than that above the sump, were there no pipe at all."""
    network = allowance.system.network
    wide = dict.fromkeys(network.runs, (-MOST_M3_S, MOST_M3_S))
    held = replace(allowance, most_back_m3=most_m3).back_rows(network, pipe_m3=0.0)
    return not any(row.high_m3_s < 0.0 or by_mass(network, (*wants, row), wide).empty for row in held)


def _runs_back(allowance: Allowance, wants: Sequence[Want], most_m3: float) -> Note:
    """Return that more runs back than may, with how much that is at the least, to the litre."""
    least, most = most_m3, 2.0 * most_m3 + _LITRE
    while not _may_run_back(allowance, wants, most):
        least, most = most, 2.0 * most
    while most - least > _LITRE:
        middle = 0.5 * (least + most)
        least, most = (least, middle) if _may_run_back(allowance, wants, middle) else (middle, most)
    return note("more runs back than the sump takes", least_m3=most, most_m3=most_m3)


def _pumps_stay(at: System) -> bool:
    return not at.rules.other_pumps and at.second_pump is None


def _least_m3_s(at: System, wants: Sequence[Want], row: Want, wide: Mapping[str, Range]) -> float:
    """Return the least of a row that flows which meet all others leave open, of which it asks for less [m³/s]."""
    low, high = row.high_m3_s, MOST_M3_S
    while high - low > _NEAR_M3_S:
        middle = 0.5 * (low + high)
        empty = by_mass(at.network, (*wants, replace(row, high_m3_s=middle)), wide).empty
        low, high = (middle, high) if empty else (low, middle)
    return high


def _more_than(check: Check | None, tank: str, most_m3_s: float, asked_m3_s: float) -> Note:
    flows = {"most_m3_s": most_m3_s, "asked_m3_s": asked_m3_s}
    if check is Check.EMERGENCY_DRAIN:
        return note("more asked than the emergency drain takes", tank=tank, **flows)
    if check is Check.FREEBOARD:
        return note("more asked than the rim leaves room for", tank=tank, **flows)
    return note("more asked than drains take", tank=tank, **flows)
