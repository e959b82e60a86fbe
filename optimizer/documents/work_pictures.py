"""A plan with its cut list → the sketches that the work order is done from."""

from __future__ import annotations

from optimizer.documents.drawing.levels import place_levels
from optimizer.documents.drawing.work_sketch import Sketch
from optimizer.documents.report_facts import ReportFacts, shown_after, shown_now
from optimizer.takeoff.cut_list import CutList, CutPiece
from optimizer.units import show_cut


def sketches(facts: ReportFacts, cuts: CutList) -> list[Sketch]:
    """Return a sketch of every run in which parts come out or go in, in file order."""
    now, after = shown_now(facts.report.system, facts.now, facts.report), shown_after(facts)
    changed = {run for run, _ in (*now.gone, *after.new)}
    up = place_levels(after.network, lambda run, rises: 20.0 * len(run.parts)).up
    pieces = {(piece.run, piece.position - 1): piece for piece in cuts.pieces}
    work = facts.taken.work if facts.taken is not None else ()
    letters = {one.run: {joint.index: joint.letter for joint in one.joints.joints} for one in work}
    return [
        Sketch(
            name,
            now,
            after,
            up[run.start.point] >= up[run.end.point],
            {index: cut_words(piece, facts.units) for (where, index), piece in pieces.items() if where == name},
            letters.get(name, {}),
        )
        for name, run in after.network.runs.items()
        if name in changed
    ]


def cut_words(piece: CutPiece, units: str) -> tuple[str, ...]:
    """Return the mark of a piece, how long it is cut, and how much of it shows."""
    size = piece.item.ends[0].size if piece.item.ends else ""
    return (
        f"mark {piece.mark}: {size} {piece.item.kind.value}".replace("  ", " "),
        f"cut {show_cut(piece.cut_m, units)}",
        f"({show_cut(piece.face_to_face_m, units)} shows)",
    )


def sketch_words(found: list[Sketch]) -> str:
    """Return the sketches in a sentence, for screen readers."""
    told = []
    for one in found:
        out = sum(run == one.run for run, _ in one.now.gone)
        new = sum(run == one.run for run, _ in one.after.new)
        told.append(f"{one.run}: {out} parts come out, {new} are new")
    return f"{'; '.join(told)}. The work order says the same step by step."
