"""A cut list for a terminal, and as plain dictionaries for other programs."""

from __future__ import annotations

from typing import Any

from optimizer.documents.tables import Block, Heading, Lines, table
from optimizer.takeoff.cut_list import CutList
from optimizer.units import show_length
from optimizer.wording.amounts import money
from optimizer.wording.notes import note_json, note_words
from optimizer.wording.work import MEASURE

Json = dict[str, Any]


def cut_blocks(cuts: CutList, units: str) -> list[Block]:
    """Return every piece with its cut length, then stick by stick what is cut from it and what is left."""
    blocks: list[Block] = [Heading("Cut list")]
    if not cuts.pieces:
        return [*blocks, "No pipe is cut."]
    pieces = (
        (
            one.mark,
            f"{one.run}, part {one.position}",
            one.item.description,
            show_length(one.face_to_face_m, units),
            show_length(one.cut_m, units),
            f"{one.after} → {one.before}",
        )
        for one in cuts.pieces
    )
    sticks = (
        (
            pipes.item.description,
            f"{show_length(stick.length_m, units)}{', owned' if stick.owned else ''}",
            ", ".join(pipes.marks(stick.cuts)),
            show_length(stick.offcut_m, units),
            money(stick.price_cents, cuts.currency),
        )
        for pipes in cuts.pipes
        for stick in pipes.plan.sticks
    )
    kerf = f"{MEASURE} A saw cut takes {show_length(cuts.kerf_m, units)}."
    notes = [kerf, *(f"Note: {note_words(note, units)}." for note in cuts.notes)]
    return [
        *blocks,
        table(("mark", "where", "pipe", "face to face", "cut length", "between"), pieces, right=(3, 4)),
        table(("pipe", "length", "cut these marks", "left over", "price"), sticks, right=(3, 4)),
        Lines(tuple(notes)),
    ]


def cut_json(cuts: CutList, units: str) -> Json:
    """Return the cut list with lengths in metres and money in whole cents."""
    return {
        "kerf_m": cuts.kerf_m,
        "currency": cuts.currency,
        "pieces": [
            {
                "mark": one.mark,
                "run": one.run,
                "part_index": one.position - 1,
                "item_id": one.item.item_id,
                "face_to_face_m": one.face_to_face_m,
                "added_m": one.added_m,
                "cut_m": one.cut_m,
                "after": one.after,
                "before": one.before,
            }
            for one in cuts.pieces
        ],
        "sticks": [
            {
                "item_id": pipes.item.item_id,
                "length_m": stick.length_m,
                "owned": stick.owned,
                "price_cents": stick.price_cents,
                "marks": list(pipes.marks(stick.cuts)),
                "saw_m": stick.saw_m,
                "offcut_m": stick.offcut_m,
            }
            for pipes in cuts.pipes
            for stick in pipes.plan.sticks
        ],
        "proved_cheapest": all(pipes.plan.proved for pipes in cuts.pipes),
        "notes": [note_json(note, units) for note in cuts.notes],
    }
