"""The targets of a system as rows over run flows: what a plan must keep to, whatever kind of target it was."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from optimizer.errors import PlanError
from optimizer.model.system import System, Target


@dataclass(frozen=True, slots=True)
class Want:
    """low <= sum of coefficient × flow of run <= high [m³/s].

    `scale_m3_s` is the flow against which a miss is judged: a miss of a hundredth of it is one percent.
    """

    name: str
    coefficients: Mapping[str, float]
    low_m3_s: float = -math.inf
    high_m3_s: float = math.inf

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
