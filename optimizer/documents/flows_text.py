"""What stands, as it runs today: flows with their band, where each pump works, where the head goes, and the notes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING

from optimizer.documents.balance_text import balance_blocks
from optimizer.documents.flow_tables import dial_words
from optimizer.documents.safety_text import today_blocks
from optimizer.documents.tables import Block, Heading, Lines, table
from optimizer.documents.targets import target_words, targets_of, targets_on_sums
from optimizer.documents.words import flow_span, flow_words, in_mode, pump_setting
from optimizer.errors import NetworkError
from optimizer.units import show_flow, show_head, show_velocity
from optimizer.wording.amounts import percent
from optimizer.wording.notes import notes_words

if TYPE_CHECKING:  # loaded by whoever solved the network
    from optimizer.hydraulics.contradictions import Compared
    from optimizer.hydraulics.losses import PartLoss
    from optimizer.hydraulics.network import NetworkSolution
    from optimizer.model.network import Network, Pump
    from optimizer.model.note import Note
    from optimizer.model.system import System, Target


def flow_blocks(
    system: System,
    solution: NetworkSolution,
    band: Mapping[str, tuple[float, float]] | None = None,
    readings: Sequence[Compared] = (),
    notes: Sequence[Note] = (),
) -> list[Block]:
    """Return the flow in every run, what was asked of it, and where each pump works.

    With `band`, (low, high) by run in m³/s, each flow has beside it between what it lies in 8 of 10 cases. `readings`
    that speak against what is calculated are told, with how far they are off.
    """
    blocks: list[Block] = [
        *unsafe_today(system),
        Heading(f"Flows today: {system.name}"),
        _flow_table(system, solution, band),
    ]
    blocks.append(_pump_table(system, solution))
    blocks += balance_blocks(system, system.network, solution.flows_m3_s)
    dials = dial_words(system) if band else []
    told = notes_words((*solution.warnings, *notes), system.units)
    return blocks + note_lines((*contradictions(system, readings), *told, *dials))


def mode_flow_blocks(
    system: System,
    modes: Sequence[tuple[str, System, NetworkSolution, Mapping[str, tuple[float, float]], Sequence[Note]]],
    readings: Sequence[Compared] = (),
) -> list[Block]:
    """Return the same for every mode: its name, the system as it is run then, its flows, their band, what to note."""
    blocks = unsafe_today(system)
    for name, at, solution, band, notes in modes:
        title = in_mode("Flows today", name)
        blocks += [Heading(f"{title}: {system.name}"), _flow_table(at, solution, band), _pump_table(at, solution)]
        blocks += balance_blocks(at, at.network, solution.flows_m3_s, name)
        told = notes_words((*solution.warnings, *notes), system.units)
        blocks += note_lines((*told, *(dial_words(at) if band else [])))
    return blocks + note_lines(contradictions(system, readings))


def contradictions(system: System, readings: Sequence[Compared]) -> list[str]:
    """Return which readings speak against what is calculated, and by how much."""
    from optimizer.hydraulics.contradictions import contradicting

    return list(notes_words(contradicting(readings), system.units))


def unsafe_today(system: System) -> list[Block]:
    """Return what is unsafe as it stands; nothing where that is not known: no tanks and drains, no flows."""
    if not system.tanks and not system.drains:
        return []
    from optimizer.verify.safety import safety_today

    with suppress(NetworkError):
        return today_blocks(safety_today(system), system.units)
    return []


def loss_blocks(
    system: System, rows: Sequence[PartLoss], limit: int | None = None, warnings: Iterable[str] = (), mode: str = ""
) -> list[Block]:
    """Return where the head goes, in the order of the rows; with `limit` so many rows, and how many were left out."""
    shown = rows if limit is None else rows[:limit]
    lines = (
        (
            row.run,
            row.words + (" *" if row.close_coupled else ""),
            _head(row.head_loss_m, system.units),
            percent(row.share, 1),
            _gain(row, system.units),
        )
        for row in shown
    )
    titles = ("run", "part", "head lost", "share", "flow gain without this loss")
    blocks: list[Block] = [
        Heading(f"{in_mode('Head losses', mode)}: {system.name}"),
        table(titles, lines, right=(2, 3, 4)),
    ]
    if any(row.close_coupled for row in shown):
        blocks.append(
            "* stands closer than five bores to another fitting: the two may lose 0.7 to 1.3 times what is shown."
        )
    if len(shown) < len(rows):
        blocks.append(f"{len(rows) - len(shown)} smaller losses are not shown.")
    return blocks + note_lines(warnings)


def doubt_blocks(solution: NetworkSolution, units: str) -> list[Block]:
    """Return the warnings of a solution in which a pump runs to the end of its curve; nothing of any other."""
    return note_lines(notes_words(solution.warnings, units)) if solution.doubt.pumps else []


def _flow_table(system: System, solution: NetworkSolution, band: Mapping[str, tuple[float, float]] | None) -> Block:
    units = system.units
    rows = []
    for name in system.network.runs:
        flow_m3_s = solution.flows_m3_s.get(name, math.nan)
        speed = solution.velocities_m_s.get(name, math.nan)
        wanted = target_words(system.targets, name, units)
        sure = () if band is None else (flow_span(*band[name], units) if name in band else "",)
        asked = targets_of(system.targets, name)
        shown = solution.doubt.words(name, flow_or_dash(flow_m3_s, units))
        rows.append((name, shown, *sure, wanted, _misses(asked, solution, units), _fast(speed, units)))
    for target in targets_on_sums(system.targets):
        shown = sum_words(target, solution, units)
        wanted = target_words([target], target.run, units)
        sure = () if band is None else ("",)
        rows.append((target.run, shown, *sure, wanted, _misses([target], solution, units), ""))
    if band is None:
        return table(("run", "flow", "target", "shortfall or excess", "highest velocity"), rows, right=(1, 3, 4))
    titles = ("run", "flow", "80 % range", "target", "shortfall or excess", "highest velocity")
    return table(titles, rows, right=(1, 2, 4, 5))


def sum_words(target: Target, solution: NetworkSolution, units: str) -> str:
    """Return what the runs of a target carry together, as far as it is known."""
    carried = flow_or_dash(target.amount_m3_s(solution.flows_m3_s), units)
    return solution.doubt.sums(dict.fromkeys(target.summed, 1.0)).words("", carried)


def pump_points(network: Network, solution: NetworkSolution) -> list[tuple[Pump, float, float]]:
    """Return (pump, flow [m³/s], head [m]) of every pump; not-a-number where a pump stands in no solved run."""
    from optimizer.hydraulics.pumps import pump_head_m

    points = []
    for pump in network.pumps.values():
        flow_m3_s = solution.flows_m3_s.get(pump_run(network, pump.name), math.nan)
        points.append((pump, flow_m3_s, pump_head_m(pump, flow_m3_s) if math.isfinite(flow_m3_s) else math.nan))
    return points


def pump_run(network: Network, pump: str) -> str:
    """Return the name of the run that a pump stands in, or nothing."""
    return next((run.name for run in network.runs.values() for part in run.parts if part.name == pump), "")


def _pump_table(system: System, solution: NetworkSolution) -> Block:
    rows = [
        (
            pump.name,
            pump_setting(pump),
            solution.doubt.words(pump_run(system.network, pump.name), flow_or_dash(flow_m3_s, system.units)),
            "not known" if pump.name in solution.doubt.pumps else _head(head_m, system.units),
        )
        for pump, flow_m3_s, head_m in pump_points(system.network, solution)
    ]
    return table(("pump", "speed", "flow", "head"), rows, right=(1, 2, 3))


def note_lines(warnings: Iterable[str]) -> list[Block]:
    """Return each warning once, on a line of its own."""
    told = tuple(f"Note: {text}" for text in dict.fromkeys(warnings))
    return [Lines(told)] if told else []


def _misses(asked: Sequence[Target], solution: NetworkSolution, units: str) -> str:
    """Return by how much a flow misses what was asked of it, signed, or nothing."""
    for target in asked:
        miss_m3_s = target.miss_m3_s(solution.flows_m3_s)
        if all(map(solution.doubt.known, target.summed)) and miss_m3_s:
            return f"{'+' if miss_m3_s > 0.0 else '-'}{show_flow(abs(miss_m3_s), units)}"
    return ""


def _gain(row: PartLoss, units: str) -> str:
    if not math.isfinite(row.gained_flow_m3_s):
        return "–"
    sign = "+" if row.gained_flow_m3_s >= 0.0 else ""
    return f"{sign}{show_flow(row.gained_flow_m3_s, units)}"


def flow_or_dash(flow_m3_s: float, units: str) -> str:
    """Return a flow in words; a dash where there is none to tell."""
    return flow_words(flow_m3_s, units) if math.isfinite(flow_m3_s) else "–"


def _head(head_m: float, units: str) -> str:
    if math.isinf(head_m):
        return "shut"
    return show_head(head_m, units) if math.isfinite(head_m) else "–"


def _fast(velocity_m_s: float, units: str) -> str:
    return show_velocity(velocity_m_s, units) if math.isfinite(velocity_m_s) else "–"
