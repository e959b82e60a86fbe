"""What goes round by itself and does what is asked of it, modes in which nothing runs → a smaller question.

A ring or a wave pump that takes its water from the surface that it gives it back to shares no water with the rest: no
flow of the rest is another for it, no tank gets or gives more. Where it meets its targets as it stands, to change it
costs money and helps nothing. So the cheapest plan leaves it as it is, and is the cheapest plan of the rest; where the
rest has none, the whole has none. A mode with every pump off that asks for nothing bears on no choice either; that it
is safe is checked with the plan.
"""

from __future__ import annotations

from dataclasses import replace

from optimizer.choices.wants import is_idle, wants_of
from optimizer.errors import NetworkError
from optimizer.hydraulics import solve_network
from optimizer.model.system import System, Target
from optimizer.search.unknown_pumps import counts_electricity
from optimizer.verify.openings import TOLERANCE


def rest_of(system: System) -> System | None:
    """Return the system without idle modes that asks nothing of what goes round and meets its targets as it stands.

    None where there is neither, or nothing else is asked for.
    """
    left = _without_idle_modes(system)
    for part in () if counts_electricity(system) else system.network.parts():  # a pump at another speed may pay
        if _goes_round(system, part) and not system.network.has_work(part):
            smaller = _without_targets(left, frozenset(part))
            if smaller is not None and _meets(system, frozenset(part)):
                left = smaller
    return None if left is system or not left.all_targets else left.with_standing


def _without_idle_modes(system: System) -> System:
    """Return a system without the modes in which every pump is off and nothing is asked for."""
    kept = tuple(each for each in system.settings if not is_idle(system.at(each)))
    return system if len(kept) == len(system.settings) else replace(system, settings=kept)


def _goes_round(system: System, part: tuple[str, ...]) -> bool:
    """Return whether a part takes its water from the one surface that it gives it back to."""
    network = system.network
    ends = [end.point for name in part for end in (network.runs[name].start, network.runs[name].end)]
    return len({point for point in ends if network.points[point].is_fixed}) == 1


def _runs_of(target: Target) -> set[str]:
    return {*target.summed, *(target.share.of if target.share else ())}


def _without_targets(system: System, part: frozenset[str]) -> System | None:
    """Return a system that asks nothing of a part; None where a target speaks of it and of others, or none does."""
    mixed = [target for target in system.all_targets if part & _runs_of(target) and _runs_of(target) - part]
    if mixed or not any(_runs_of(target) <= part for target in system.all_targets):
        return None

    def others(targets: tuple[Target, ...]) -> tuple[Target, ...]:
        return tuple(target for target in targets if not _runs_of(target) <= part)

    settings = tuple(replace(each, targets=others(each.targets)) for each in system.settings)
    return replace(system, targets=others(system.targets), settings=settings)


def _meets(system: System, part: frozenset[str]) -> bool:
    """Return whether a part meets its targets in every setting, its valves and pumps as they are there."""
    for _, there in system.ways_to_run:
        own = replace(there, targets=tuple(target for target in there.targets if _runs_of(target) <= part))
        try:
            flows = solve_network(own.network).flows_m3_s
        except NetworkError:
            return False
        if any(want.miss(flows) > TOLERANCE for want in wants_of(own)):
            return False
    return True
