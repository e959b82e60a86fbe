"""The targets alone, before any plan → whether they ask for more water into a tank than goes out of it.

Whatever is bought, what the targets ask for flows: by mass at the tees and the rows of all targets. Where that is more
than a tank takes, no plan passes its check, and that is proved without a search.
"""

from __future__ import annotations

from dataclasses import replace

from optimizer.choices.wants import Want, least_asked, wants_of
from optimizer.errors import NetworkError
from optimizer.model.checks import AS_IT_IS, Check
from optimizer.model.note import Note, note
from optimizer.model.system import System
from optimizer.search.flow_ranges import MOST_M3_S, by_mass
from optimizer.verify.allowance import Allowance, allowance_of, flow_limits_m3_s, lines_of
from optimizer.verify.coming_down import least_down


def too_much_asked(system: System) -> tuple[Note, ...]:
    """Return which tank no plan can keep from running over, in the first setting where that is so; empty: none is.

    What is too much today already, and accepted by the rules, may stay as it is; where accepting one check would do,
    that is said as well.

    Raises
    ------
    PlanError
        When a target names a run that there is not.
    """
    for _, at in system.ways_to_run:
        least = Allowance(
            at, flow_limits_m3_s(at, at.network), None, pumps_move=False, by_lines=lines_of(at, at.network)
        )
        if _over(at, least) is None:
            continue
        try:
            over = _over(at, allowance_of(at, today_counts=True))
            if over is not None:
                return over, *_accepted(at)
        except NetworkError:  # what flows today is not known, so that what may stay so is not
            continue
    return ()


def _accepted(at: System) -> tuple[Note, ...]:
    """Return the one check that would have to be accepted, as it is unsafe today; empty where there is none."""
    for check in AS_IT_IS:
        rules = replace(at.rules, accepted=(*at.rules.accepted, check))
        if _over(at, allowance_of(replace(at, rules=rules), today_counts=True)) is None:
            return (note("only accepted", check=str(check)),)
    return ()


def _over(at: System, allowance: Allowance) -> Note | None:
    """Return the first tank whose limit no flows keep that meet the targets of a setting."""
    rows = dict(zip(allowance.most_m3_s, allowance.flow_rows(at.network), strict=False))
    lines = {tank: allowance.lines_take_all(at.network, tank) for tank in allowance.by_lines}
    if not rows and not lines:
        return None
    wide = dict.fromkeys(at.network.runs, (-MOST_M3_S, MOST_M3_S))
    wants = wants_of(at)
    if by_mass(at.network, wants, wide).empty:
        return None  # no flows meet the targets at all: the search says so
    for tank, row in lines.items():  # a tank that does not run over gives its lines all that comes in
        if by_mass(at.network, (*wants, row), wide).empty:
            return note("more asked than lines may take", tank=tank)
    for tank, row in rows.items():  # ... which so comes into the tank below
        if by_mass(at.network, (*wants, *lines.values(), row), wide).empty:
            return _more_than(allowance.tightest.get(tank), tank, allowance.most_m3_s[tank])
    for tank, counts, most in least_down(at, least_asked(wants)) if _pumps_stay(at) else ():
        most *= allowance.most_down.get(tank, 1.0)
        row = Want(f"down into {tank}", counts, high_m3_s=most)
        if by_mass(at.network, (*wants, *lines.values(), row), wide).empty:
            return note("more asked than may come down", tank=tank, most_m3_s=most)
    return None


def _pumps_stay(at: System) -> bool:
    return not at.rules.other_pumps and at.second_pump is None


def _more_than(check: Check | None, tank: str, most_m3_s: float) -> Note:
    if check is Check.EMERGENCY_DRAIN:
        return note("more asked than the emergency drain takes", tank=tank, most_m3_s=most_m3_s)
    if check is Check.FREEBOARD:
        return note("more asked than the rim leaves room for", tank=tank, most_m3_s=most_m3_s)
    return note("more asked than drains take", tank=tank, most_m3_s=most_m3_s)
