"""A cut list for a terminal, and as plain dictionaries for other programs."""

from __future__ import annotations

from typing import Any

from optimizer.takeoff.cut_list import CutList
from optimizer.wording.notes import note_json

Json = dict[str, Any]


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
