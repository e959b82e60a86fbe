"""The targets of a system as rows over run flows: what a plan must keep to, whatever kind of target it was."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from optimizer.errors import PlanError
from optimizer.model.circuits import falling_lines, inflow_coefficients, short_lines
from optimizer.model.network import Network
from optimizer.model.system import System, Target


@dataclass(frozen=True, slots=True)
class Want:
    """low <= sum of coefficient × flow of run <= high [m³/s].

    `scale_m3_s` is the flow against which a miss is judged: a miss of a hundredth of it is one percent. Runs of gravity
    lines that are `in_full` count with what they could carry, which they do carry wherever more than that comes.
    """

    name: str
    coefficients: Mapping[str, float]
    low_m3_s: float = -math.inf
    high_m3_s: float = math.inf
    in_full: frozenset[str] = frozenset()

    def amount_m3_s(self, flows_m3_s: Mapping[str, float]) -> float:
        return sum(factor * flows_m3_s[run] for run, factor in self.coefficients.items())

    def miss(self, flows_m3_s: Mapping[str, float]) -> float:
        """Return by how much the row is missed, as a share of the flows in it; 0 when it is met."""
        amount = self.amount_m3_s(flows_m3_s)
        over = max(self.low_m3_s - amount, amount - self.high_m3_s, 0.0)
        return over / max(self.scale_m3_s(flows_m3_s), 1e-9)

    def scale_m3_s(self, flows_m3_s: Mapping[str, float]) -> float:
        """Return the flow against which a miss is judged."""
        limits = [abs(limit) for limit in (self.low_m3_s, self.high_m3_s) if math.isfinite(limit)]
        most = max(limits, default=0.0)
        return most if most > 0.0 else sum(abs(f * flows_m3_s[run]) for run, f in self.coefficients.items()) / 2


def wants_of(system: System) -> tuple[Want, ...]:
    """Return the rows of a system's targets (those of `system.targets`; see `System.at` for a setting's own).

    Raises
    ------
    PlanError
        When a target names a run that there is not.
    """
    rows: list[Want] = []
    for target in system.targets:
        names = [*target.summed, *(target.share.of if target.share else ())]
        missing = [name for name in names if name not in system.network.runs]
        if missing:
            raise PlanError(f"a target for run {missing[0]!r}; the runs are {', '.join(system.network.runs)}")
        rows += _rows(target)
    return tuple(rows)


def is_idle(at: System) -> bool:
    """Return whether nothing runs in a setting (see `System.at`) and nothing is asked: every pump is off."""
    return not any(pump.speed > 0.0 for pump in at.network.pumps.values()) and not wants_of(at)


def _rows(target: Target) -> list[Want]:
    summed = dict.fromkeys(target.summed, 1.0)
    high = math.inf if target.high_m3_s is None else target.high_m3_s
    rows = [Want(target.run, summed, target.low_m3_s if target.low_m3_s > 0.0 else -math.inf, high)]
    if target.low_m3_s == 0.0 and target.high_m3_s == 0.0:
        rows = [Want(target.run, summed, 0.0, 0.0)]
    if target.share is None:
        return rows if math.isfinite(rows[0].low_m3_s) or math.isfinite(rows[0].high_m3_s) else []
    share = target.share
    if share.low > 0.0:
        rows.append(Want(target.run, _less(summed, share.of, share.low), low_m3_s=0.0))
    if share.high is not None:
        rows.append(Want(target.run, _less(summed, share.of, share.high), high_m3_s=0.0))
    return [row for row in rows if math.isfinite(row.low_m3_s) or math.isfinite(row.high_m3_s)]


def _less(summed: Mapping[str, float], of: tuple[str, ...], share: float) -> dict[str, float]:
    out = dict(summed)
    for run in of:
        out[run] = out.get(run, 0.0) - share
    return out


def at_full_flows(network: Network, wants: Sequence[Want]) -> tuple[Want, ...]:
    """Return rows that the full flows keep wherever what lines carry keeps these, and what their tanks have to get.

    The flow that heads give a gravity line is its full one; what it carries is that or less, down to nothing. So a row
    is right that counts it in full towards a minimum where it adds, and not at all where it takes away. A line whose
    tank surely gets more than it may carry runs full.
    """
    if not short_lines(network):
        return tuple(wants)
    short = may_be_short(network, wants)
    return (*(row for want in wants for row in _weaker(want, short)), *_of_tanks(network, wants))


def _weaker(want: Want, short: Mapping[str, int]) -> Iterator[Want]:
    if want.in_full:  # what comes out of other tanks by its weight may be less: it is not counted
        counts = {run: c for run, c in want.coefficients.items() if run in want.in_full or run not in short}
        yield replace(want, coefficients=counts)
        return
    parts = {run: count * short.get(run, 1) for run, count in want.coefficients.items()}
    if not short.keys() & parts.keys():
        yield want
    elif all(parts.values()):
        adds = {run: c for run, c in want.coefficients.items() if run not in short or parts[run] > 0.0}
        takes = {run: c for run, c in want.coefficients.items() if run not in short or parts[run] < 0.0}
        if adds and math.isfinite(want.low_m3_s):
            yield replace(want, coefficients=adds, high_m3_s=math.inf)
        if takes and math.isfinite(want.high_m3_s):
            yield replace(want, coefficients=takes, low_m3_s=-math.inf)


def may_be_short(network: Network, wants: Sequence[Want]) -> dict[str, int]:
    """Return the lines of `short_lines` that may carry less than their heads give where rows are kept."""
    full = _surely_full(network, wants)
    return {run: way for run, way in short_lines(network).items() if run not in full}


def _surely_full(network: Network, wants: Sequence[Want]) -> set[str]:
    """Return the lines out of tanks that get more, wherever the rows are kept, than all their lines together may carry.

    Were one of them short, they would carry all that comes into the tank.
    """
    short = short_lines(network)
    lines: dict[str, set[str]] = {}
    for top, circuit in falling_lines(network):
        lines.setdefault(top, set()).update(run.name for run in circuit.runs)
    found: set[str] = set()
    for top, own in lines.items():
        counts = {run: c for run, c in inflow_coefficients(network, top).items() if run not in own}
        comes = {run for run, c in counts.items() if c > 0.0}
        least_in = _least_sum(comes, wants) - _most_sum(counts.keys() - comes, wants)
        if all(short.get(run) == 1 for run in own) and _most_sum(own, wants) < least_in:
            found |= own
    return found


def _most_sum(runs: Collection[str], wants: Sequence[Want]) -> float:
    """Return the most that rows about the sum of some of these runs let all of them carry [m³/s]."""
    each: dict[str, float] = {}
    for want in filter(_is_of_one, wants):
        (run,) = want.coefficients
        each[run] = min(each.get(run, math.inf), want.high_m3_s)
    sums = [(frozenset(want.coefficients), want.high_m3_s) for want in wants if _is_sum(want)]
    return (
        min(
            (
                high + sum(each.get(run, math.inf) for run in set(runs) - some)
                for some, high in sums
                if some <= set(runs)
            ),
            default=math.inf,
        )
        if runs
        else 0.0
    )


def _least_sum(runs: Collection[str], wants: Sequence[Want]) -> float:
    """Return the least that rows about the sum of some of these runs ask of all of them [m³/s]."""
    turned = [replace(want, low_m3_s=-want.high_m3_s, high_m3_s=-want.low_m3_s) for want in wants if _is_sum(want)]
    return -_most_sum(runs, turned)


def _of_tanks(network: Network, wants: Sequence[Want]) -> Iterator[Want]:
    """Yield what has to come into tanks so that their lines carry what is asked of them."""
    short, least = short_lines(network), least_asked(wants)
    lines: dict[str, set[str]] = {}
    for top, circuit in falling_lines(network):
        lines.setdefault(top, set()).update(run.name for run in circuit.runs)
    for top, own in lines.items():
        asked = sum(least.get(run, 0.0) for run in own if short.get(run, 0) > 0)
        counts = {run: c for run, c in inflow_coefficients(network, top).items() if run not in own}
        if asked > 0.0 and all(c * short.get(run, 1) > 0.0 for run, c in counts.items() if run in short):
            yield Want(f"water into {top}", counts, asked)


def least_asked(wants: Sequence[Want]) -> dict[str, float]:
    """Return what is asked at the least of runs by themselves [m³/s]."""
    found: dict[str, float] = {}
    for want in wants:
        if _is_of_one(want) and want.low_m3_s > 0.0:
            (run,) = want.coefficients
            found[run] = max(found.get(run, 0.0), want.low_m3_s)
    return found


def _is_of_one(want: Want) -> bool:
    """Return whether a row is about the flow of one run along its direction."""
    return list(want.coefficients.values()) == [1.0]


def _is_sum(want: Want) -> bool:
    """Return whether a row is about the sum of the flows of some runs, as they carry them."""
    return set(want.coefficients.values()) == {1.0} and not want.in_full
