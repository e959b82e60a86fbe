"""Valve positions that meet all rows and let no more run back than the sumps take, nor down than tanks take.

What runs back bends with the flows: over an edge h rises as Q^(2/3), so a limit on the sum of several tanks is no row.
But a tangent to a curve that bends down lies above it: what keeps to the tangents at some flows keeps the sumps dry. So
where the first positions let too much run back, tangents are tried as rows: at the flows that came out, and at those
with valves nearly shut, for what one tank does not get may come to little in another. What comes down into a tank
when pumps stop is no row either: it is told of the positions that came out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from optimizer.choices.wants import Want
from optimizer.hydraulics import Conditions
from optimizer.verify.allowance import Allowance
from optimizer.verify.coming_down import open_to_more
from optimizer.verify.openings import TOLERANCE, Duty, Settled, settle
from optimizer.verify.settings import settings_of, with_openings

_TANGENTS = 3
_ABOVE = 1.02  # of the least flow: room for the valves of other runs
_SMALL = 0.05


def settle_held(
    duties: Sequence[Duty],
    allowances: Sequence[Allowance],
    conditions: Conditions,
    hints_s2_m5: Sequence[Mapping[str, float]] = (),
    spare: float = 0.0,
) -> Settled | None:
    """Return what `settle` does; what runs back too much counts as a miss, as a share of what may.

    Parameters
    ----------
    duties, conditions, hints_s2_m5, spare
        As for `settle`.
    allowances
        What the sumps take in each of them; empty where it does not matter.
    """
    found = settle(duties, conditions, hints_s2_m5, spare)
    if found is None or not allowances:
        return found
    over = _over(duties, allowances, found)
    if found.met and over > TOLERANCE / 2:
        for other in _held_back(duties, allowances, conditions, found):
            if other.met and _over(duties, allowances, other) <= TOLERANCE / 2:
                return other
    return replace(found, miss=max(found.miss, over))


def _held_back(
    duties: Sequence[Duty], allowances: Sequence[Allowance], conditions: Conditions, found: Settled
) -> Iterator[Settled]:
    """Yield valve positions that may let less run back, the least throttled first."""
    valves = list(found.added_s2_m5)
    if valves:
        yield from _along_tangents(duties, allowances, conditions, found)
    for names in [[name] for name in valves] + ([valves] if len(valves) > 1 else []):
        pushed = settle([_pushed(duty, names, found) for duty in duties], conditions)
        if pushed is not None and pushed.met:
            yield from _along_tangents(duties, allowances, conditions, pushed)
            yield pushed


def _along_tangents(
    duties: Sequence[Duty], allowances: Sequence[Allowance], conditions: Conditions, found: Settled
) -> Iterator[Settled]:
    """Yield positions that keep to the tangents at flows, then to those at the flows that came of it, and so on."""
    at = found
    for _ in range(_TANGENTS):
        held = [
            replace(duty, wants=(*duty.wants, *most.tangent_rows(duty.network, at.flows_m3_s[duty.name])))
            for duty, most in zip(duties, allowances, strict=True)
        ]
        after = settle(held, conditions)
        if after is None or not after.met:
            return
        yield after
        at = after


def _pushed(duty: Duty, names: Sequence[str], found: Settled) -> Duty:
    """Return what is asked with some runs held to hardly more than they must carry, or to a small share of that."""
    rows = []
    for name in names:
        least = max([want.low_m3_s for want in duty.wants if dict(want.coefficients) == {name: 1.0}], default=0.0)
        most = max(_ABOVE * least, _SMALL * abs(found.flows_m3_s[duty.name][name]))
        rows.append(Want(f"{name} held back", {name: 1.0}, high_m3_s=most))
    return replace(duty, wants=(*duty.wants, *rows))


def _over(duties: Sequence[Duty], allowances: Sequence[Allowance], found: Settled) -> float:
    """Return by how much too much runs back, or down, in the worst setting, as a share of what may; 0: nowhere."""
    shares = [0.0]
    for duty, most in zip(duties, allowances, strict=True):
        flows = found.flows_m3_s[duty.name]
        shares.append(most.excess_back_m3(duty.network, flows) / max(most.most_back_m3 or 0.0, 1e-6))
        if found.met and open_to_more(duty.network):
            set_so = with_openings(duty.network, settings_of(duty.network, duty.name, found))
            shares.append(most.excess_down(set_so, flows))
    return max(shares)
