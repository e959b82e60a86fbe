"""What was asked of flows, in words and as data."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from optimizer.documents.words import flow_span
from optimizer.units import show_flow

if TYPE_CHECKING:
    from optimizer.model.plan import DemandCheck
    from optimizer.model.system import Share, Target

Json = dict[str, Any]


def wanted_words(low_m3_s: float, high_m3_s: float | None, units: str) -> str:
    """Return a target as it was asked for: `at least 1,100 gph`, `250 to 350 gph`, `exactly 300 gph`."""
    if high_m3_s is None:
        return f"at least {show_flow(low_m3_s, units)}" if low_m3_s > 0 else "any flow"
    if low_m3_s <= 0:
        return f"at most {show_flow(high_m3_s, units)}"
    if low_m3_s == high_m3_s:
        return f"exactly {show_flow(low_m3_s, units)}"
    return flow_span(low_m3_s, high_m3_s, units)


def target_words(targets: Sequence[Target], run: str, units: str) -> str:
    """Return what a run, or the sum of that name, was asked to carry, or nothing."""
    return "; ".join(_asked_words(one, units) for one in targets if one.run == run or one.summed == (run,))


def _asked_words(target: Target, units: str) -> str:
    if target.share is None:
        return wanted_words(target.low_m3_s, target.high_m3_s, units)
    return split_words(target.share)


def demanded_words(check: DemandCheck, units: str) -> str:
    """Return what was asked as flows, and of a share also that: `252 to 315 gph (20 to 25 % of riser)`."""
    flows = wanted_words(check.low_m3_s, check.high_m3_s, units)
    return flows if check.share is None else f"{flows} ({split_words(check.share)})"


def asked_as_shares(checks: Sequence[DemandCheck]) -> str:
    """Return which flows are asked for as shares of others, in a sentence, or nothing."""
    told = [f"{check.run} {split_words(check.share)}" for check in checks if check.share is not None]
    return f"Asked for as shares: {'; '.join(told)}." if told else ""


def split_words(share: Share) -> str:
    """Return limits that are shares of what other runs carry: `20 to 25 % of riser`."""
    low, of = f"{100.0 * share.low:.3g}", " + ".join(share.of)
    if share.high is None:
        return f"at least {low} % of {of}"
    high = f"{100.0 * share.high:.3g} % of {of}"
    return f"at most {high}" if share.low <= 0.0 else f"{low} to {high}"


def share_json(share: Share | None) -> Json | None:
    return None if share is None else {"runs": list(share.of), "low": share.low, "high": share.high}


def targets_json(targets: Sequence[Target]) -> list[Json]:
    """Return what was asked, in m³/s; limits that are a share of what other runs carry also as that."""
    return [
        {
            "run": one.run,
            "runs": list(one.summed),
            "low_m3_s": one.low_m3_s,
            "high_m3_s": one.high_m3_s,
            "share_of_runs": share_json(one.share),
        }
        for one in targets
    ]


def targets_of(targets: Sequence[Target], run: str) -> list[Target]:
    """Return what is asked of a run alone, whether by its name or that of a device in it."""
    return [one for one in targets if one.summed == (run,)]


def targets_on_sums(targets: Sequence[Target]) -> list[Target]:
    """Return what is asked of runs together."""
    return [one for one in targets if len(one.summed) > 1]
