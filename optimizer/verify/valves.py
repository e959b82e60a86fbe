"""Where the valves of a planned plumbing go, told from the plumbing and the targets alone: positions to try in turn.

On a pumped tree whose demands each have a valve of their own the flows can be chosen (`settings`): windows to their
middle, what is left to demands without an upper end. Anywhere else, and where that does not serve, positions are
sought that bring every row of every setting into its window (`openings`, `held`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace

from optimizer.choices.demands import flows_if_known
from optimizer.choices.scaled import with_margin
from optimizer.choices.velocity import velocity_rule
from optimizer.choices.wants import wants_of
from optimizer.hydraulics import Conditions, solve_network
from optimizer.model.network import Network
from optimizer.model.plan import Plan, ValveSetting
from optimizer.model.system import System
from optimizer.verify.allowance import allowances_of, may_flow
from optimizer.verify.coming_down import down_shares, open_to_more
from optimizer.verify.held import settle_held
from optimizer.verify.openings import TOLERANCE, Duty, Settled, settle, velocity_wants
from optimizer.verify.running import running
from optimizer.verify.settings import SPARE, as_set, balance, settings_of, valve_settings, with_openings


def valve_positions(
    system: System, plan: Plan, duties: Sequence[Duty], conditions: Conditions
) -> Iterator[tuple[ValveSetting, ...]]:
    """Yield positions of all valves, each good for every setting as far as it goes; the first that serves is taken.

    Parameters
    ----------
    system, plan
        What is wanted, and whether the plan has pumps that stand nowhere yet.
    duties
        The planned plumbing with the rows that count, in every setting.
    conditions
        Of all losses.

    Raises
    ------
    NetworkError
        When a plumbing has no solution.
    """
    yield from _as_they_stand(system, duties, conditions)
    if not set(plan.new_pumps) - set(system.network.pumps):
        yield from _on_tree(system, duties[0].network, conditions)
    settled = _settled(system, duties, conditions)
    if settled is not None:
        yield settings_of(duties[0].network, duties[0].name, settled)


def _as_they_stand(
    system: System, duties: Sequence[Duty], conditions: Conditions
) -> Iterator[tuple[ValveSetting, ...]]:
    """Yield the valves as they are set where nothing is built or turned and all is there and safe, with `SPARE`."""
    if system.rules.certainty:
        return
    asked = with_margin(system, max(SPARE, system.rules.margin))
    for (_, at), duty in zip(asked.ways_to_run, duties, strict=True):
        if duty.network != at.network:
            return
        flows = solve_network(duty.network, conditions).flows_m3_s
        met = all(want.miss(flows) <= TOLERANCE / 2 for want in wants_of(at))
        if not met or not _allowed(at, duty.network)(flows) or _comes_down(at, duty.network):
            return
    yield as_set(duties[0].network, flows)


def _on_tree(system: System, planned: Network, conditions: Conditions) -> Iterator[tuple[ValveSetting, ...]]:
    known = flows_if_known(system)
    if known is None:
        return
    rest = set(planned.runs) - set(known.flows_m3_s)  # what is no part of the plan: it is apart from it
    standing = solve_network(planned, conditions).flows_m3_s if rest else {}
    allowed = _allowed(system, planned)
    today = solve_network(system.network, conditions).flows_m3_s
    found = balance(planned, known, conditions, lambda flows: allowed({**standing, **flows}), today)
    if found is None:
        return
    settings = valve_settings(planned, known, found)
    if not open_to_more(planned) or not _comes_down(system, with_openings(planned, settings)):
        yield settings


def _comes_down(system: System, planned: Network) -> bool:
    """Return whether more comes into some tank of a plumbing with its valves set than it takes, when pumps stop."""
    return max(down_shares(system, running(planned)).values(), default=0.0) > 1.0


def _allowed(system: System, planned: Network) -> Callable[[Mapping[str, float]], bool]:
    """Return what says whether drains and sumps take flows [m³/s by run], and nothing runs too fast."""
    dry = may_flow(system, planned)
    rows = velocity_wants(planned, velocity_rule(system))

    def allowed(flows_m3_s: Mapping[str, float]) -> bool:
        there = [row for row in rows if all(name in flows_m3_s for name in row.coefficients)]
        return dry(flows_m3_s) and all(row.miss(flows_m3_s) <= TOLERANCE / 2 for row in there)

    return allowed


def _settled(system: System, duties: Sequence[Duty], conditions: Conditions) -> Settled | None:
    """Return the valves set so that targets are met and drains and sump take what flows, as far as valves can do that.

    Failing that so that the work makes nothing worse than it is; failing that for the targets alone.
    """
    for today_counts in (False, True):
        allowances = allowances_of(system, today_counts=today_counts)
        held = [
            replace(
                duty,
                wants=(*duty.wants, *allowance.flow_rows(duty.network), *allowance.back_rows(duty.network)),
            )
            for duty, allowance in zip(duties, allowances, strict=True)
        ]
        for spare in (SPARE, 0.0):
            found = settle_held(held, allowances, conditions, spare=spare)
            if found is not None and found.met:
                return found
    return settle(duties, conditions)
