"""The water of every tank as a table, where there are more of them than one above a sump."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from optimizer.documents.tables import Block, Heading, table
from optimizer.documents.words import flow_words, in_mode
from optimizer.units import show_flow

if TYPE_CHECKING:
    from optimizer.model.network import Network
    from optimizer.model.outcome import PlanReport
    from optimizer.model.system import System
    from optimizer.verify.balance import Balance

_FEW = 2  # a tank and its sump: what comes up goes down
_HOLDS = 1e-6  # of what comes: a sump whose water rises or falls by less holds its level


def balance_blocks(system: System, network: Network, flows_m3_s: Mapping[str, float], mode: str = "") -> list[Block]:
    """Return what comes into every tank and what goes out of it; nothing for one tank above a sump."""
    from optimizer.verify.balance import balances

    rows = balances(system, network, flows_m3_s)
    if len(rows) <= _FEW:
        return []
    titles = ("tank", "comes in", "runs take", "drains take", "into")
    return [
        Heading(in_mode("Water of every tank", mode)),
        table(titles, [_row(one, system.units) for one in rows], right=(1, 2, 3)),
    ]


def plan_balance_blocks(report: PlanReport) -> list[Block]:
    """Return the same of a plan, after the work, in every mode."""
    from optimizer.model.plan import planned_networks

    networks: Sequence[Network] = planned_networks(report.system, report.plan)
    settings = report.verification.settings
    return [
        block
        for network, one in zip(networks, settings, strict=False)
        for block in balance_blocks(report.system, network, one.flows_m3_s, one.name)
    ]


def _row(one: Balance, units: str) -> tuple[str, str, str, str, str]:
    comes, runs = show_flow(one.comes_m3_s, units), show_flow(one.runs_m3_s, units)
    holds = abs(one.left_m3_s) <= _HOLDS * max(one.comes_m3_s, one.runs_m3_s)
    if not one.is_sump and (holds or one.left_m3_s > 0.0):
        return one.tank, comes, runs, flow_words(max(one.left_m3_s, 0.0), units), one.to if one.left_m3_s > 0.0 else "–"
    if holds:
        return one.tank, comes, runs, "–", "holds its level"
    moves = "rises" if one.left_m3_s > 0.0 else "falls"
    return one.tank, comes, runs, "–", f"{moves} by {show_flow(abs(one.left_m3_s), units)}"
