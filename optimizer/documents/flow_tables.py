"""Flows over pump settings, losses by run and by kind, and the head line, as text and as data."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from optimizer.documents.tables import Block, Heading, Lines, table
from optimizer.documents.words import in_mode
from optimizer.units import show_flow, show_head, show_length
from optimizer.wording.amounts import percent
from optimizer.wording.notes import notes_json, notes_words

if TYPE_CHECKING:
    from optimizer.hydraulics import HeadPoint, LossGroup, NetworkSolution
    from optimizer.model.doubt import Doubt
    from optimizer.model.system import System

Json = dict[str, Any]


def dial_words(system: System) -> list[str]:
    """Return which ranges are wide because nobody said what a pump's dial means."""
    from optimizer.hydraulics.uncertainty import dial_notes

    return list(notes_words(dial_notes((system.network,), bool(system.fitted_readings)), system.units))


def speed_blocks(system: System, solutions: Sequence[tuple[float, NetworkSolution]]) -> list[Block]:
    """Return the flow in every run, one column for each setting of the dials (shares of full).

    A minus runs backwards; the sentences below say so, for words in each cell would make the table too wide.
    """
    titles = ("run", *(percent(setting) for setting, _ in solutions))
    rows = [
        (name, *(one.doubt.words(name, show_flow(one.flows_m3_s[name], system.units)) for _, one in solutions))
        for name in system.network.runs
    ]
    blocks: list[Block] = [
        Heading(f"Flows over the pump's speed: {system.name}"),
        table(titles, rows, right=range(1, len(titles))),
    ]
    where: dict[str, list[str]] = {}
    for setting, one in solutions:
        for text in notes_words(one.warnings, system.units):
            where.setdefault(text, []).append(percent(setting))
    warnings = tuple(f"Note, at {', '.join(settings)}: {text}" for text, settings in where.items())
    return [*blocks, Lines(warnings)] if warnings else blocks


def speed_json(system: System, solutions: Sequence[tuple[float, NetworkSolution]]) -> Json:
    """Return the same as data."""
    return {
        "system": system.name,
        "settings": [
            {
                "setting_share": setting,
                "runs": [
                    {"run": name, "flow_m3_s": solution.flows_m3_s[name], **doubt_json(solution.doubt, name)}
                    for name in system.network.runs
                ],
                "warnings": notes_json(solution.warnings, system.units),
            }
            for setting, solution in solutions
        ],
    }


def doubt_json(doubt: Doubt, run: str) -> Json:
    """Return how far a flow is known, where the end of a pump's curve leaves it open; nothing elsewhere."""
    return {} if doubt.known(run) else {"flow_is": "not known" if run in doubt.unknown else "a least value"}


def group_blocks(system: System, groups: Sequence[LossGroup], by: str, mode: str = "") -> list[Block]:
    """Return what each run, or all parts of each kind, lose together, in the order of the groups."""
    by_run = by == "run"
    titles = (by, "parts", *(("head lost",) if by_run else ()), "share of the lost power")
    rows = [
        (
            group.name,
            str(group.parts),
            *((_head(group.head_loss_m, system.units),) if by_run else ()),
            percent(group.share, 1),
        )
        for group in groups
    ]
    return [
        Heading(f"{in_mode(f'Head losses by {by}', mode)}: {system.name}"),
        table(titles, rows, right=range(1, len(titles))),
    ]


def group_json(system: System, groups: Sequence[LossGroup], by: str) -> Json:
    """Return the same as data."""
    return {
        "system": system.name,
        "by": by,
        "losses": [
            {
                by: group.name,
                "parts": group.parts,
                **({"head_loss_m": _number(group.head_loss_m)} if by == "run" else {}),
                "share_of_all_lost_power": _number(group.share),
            }
            for group in groups
        ],
    }


def head_line_blocks(system: System, run: str, line: Sequence[HeadPoint], mode: str = "") -> list[Block]:
    """Return the head after every part on the way of the water that a run carries."""
    rows = []
    before = line[0].head_m
    for place in line:
        step = "" if place.place == "point" else f"{_signed(place.head_m - before, system.units)}"
        rows.append(
            (
                place.run,
                place.words,
                show_length(place.distance_m, system.units),
                step,
                show_head(place.head_m, system.units),
            )
        )
        before = place.head_m
    titles = ("run", "after", "pipe so far", "gained or lost", "head")
    return [
        Heading(f"{in_mode(f'Head along the flow through run {run!r}', mode)}: {system.name}"),
        table(titles, rows, right=(2, 3, 4)),
    ]


def head_line_json(system: System, run: str, line: Sequence[HeadPoint]) -> Json:
    """Return the same as data."""
    return {
        "system": system.name,
        "along": run,
        "places": [
            {
                "run": place.run,
                "place": place.place,
                "part_index": place.index,
                "after": place.words,
                "distance_m": place.distance_m,
                "head_m": _number(place.head_m),
            }
            for place in line
        ],
    }


def _signed(head_m: float, units: str) -> str:
    return ("+" if head_m > 0 else "") + show_head(head_m, units)


def _head(head_m: float, units: str) -> str:
    return show_head(head_m, units) if math.isfinite(head_m) else "shut"


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
