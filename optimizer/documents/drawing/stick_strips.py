"""The lengths of pipe that are bought → one strip each, to scale, with the cuts and the mark of every piece."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from optimizer.documents.drawing.measure import text_width, wrapped
from optimizer.documents.drawing.svg import BACK, LINES, Canvas
from optimizer.takeoff.cut_list import CutList, PipeCuts
from optimizer.takeoff.cutting import Stick
from optimizer.units import show_cut, show_length

WIDTH = 700.0
_STRIP, _STEP = 20.0, 50.0
_SIZE = 11.0
_LINE = 14.0  # of what stands above a length
_LEAST_PX = 40.0  # a longest length is drawn over the whole width, one shorter than this is still seen


@dataclass(frozen=True, slots=True)
class _Piece:
    words: tuple[str, ...]  # the longest that fits is written
    length_m: float
    left_over: bool = False


def strip_canvas(cuts: CutList, units: str) -> Canvas | None:
    """Return the strips of every length of pipe, longest scale the longest of them; None where no pipe is cut."""
    lengths = [stick.length_m for pipes in cuts.pipes for stick in pipes.plan.sticks]
    if not lengths:
        return None
    titles = [_title(pipes, stick, units) for pipes in cuts.pipes for stick in pipes.plan.sticks]
    canvas = Canvas(WIDTH, sum(_STEP + _LINE * (len(lines) - 1) for lines in titles))
    px_per_m = (WIDTH - 2.0) / max(lengths)
    top, told = 0.0, iter(titles)
    for pipes in cuts.pipes:
        for stick in pipes.plan.sticks:
            pieces = [_piece(pipes.pieces[place].mark, pipes.pieces[place].cut_m, units) for place in stick.cuts]
            left = show_cut(stick.offcut_m, units)
            rest = _Piece((f"left over {left}", left), stick.offcut_m, left_over=True)
            for line in next(told):
                canvas.text(1.0, top + 12.0, line, "words", size=_SIZE)
                top += _LINE
            top -= _LINE
            _strip(canvas, [*pieces, rest], top + 17.0, max(stick.length_m * px_per_m, _LEAST_PX))
            top += _STEP
    return canvas


def _title(pipes: PipeCuts, stick: Stick, units: str) -> list[str]:
    """Return what a length is and what is cut from it, in lines of the picture's width."""
    owned = ", your own" if stick.owned else ""
    cut = [pipes.pieces[place] for place in stick.cuts]
    marks = ", ".join(f"mark {one.mark}: {piece_words(one.cut_m, units)}" for one in cut)
    told = f"{pipes.item.description}, {show_length(stick.length_m, units)} length{owned} → {marks}"
    return wrapped(told, _SIZE, WIDTH - 4.0)


def told(cuts: CutList, units: str) -> str:
    """Return the strips in sentences, for screen readers."""
    lines = []
    for pipes in cuts.pipes:
        for stick in pipes.plan.sticks:
            marks = ", ".join(
                f"{pipes.pieces[place].mark} at {show_length(pipes.pieces[place].cut_m, units)}" for place in stick.cuts
            )
            length, left = show_length(stick.length_m, units), show_length(stick.offcut_m, units)
            lines.append(f"{length} of {pipes.item.description}: cut marks {marks}; {left} is left over.")
    return " ".join(lines)


def piece_words(cut_m: float, units: str) -> str:
    """Return the length of a piece at the saw, in whole millimetres too: `4 ft 8-5/8 in (1439 mm)`."""
    millimetres, shown = f"{1000 * cut_m:.0f} mm", show_cut(cut_m, units)
    return shown if shown == millimetres else f"{shown} ({millimetres})"


def _piece(mark: str, cut_m: float, units: str) -> _Piece:
    length = show_cut(cut_m, units)
    return _Piece((f"mark {mark}: {length}", f"{mark}: {length}", mark), cut_m)


def _strip(canvas: Canvas, pieces: Sequence[_Piece], top: float, wide_px: float) -> None:
    """Draw one length: pieces in the order of the saw, what is left over hatched by a lighter shade."""
    whole_m = sum(piece.length_m for piece in pieces)
    x = 1.0
    for piece in pieces:
        wide = wide_px * piece.length_m / whole_m
        if piece.length_m <= 0.0:
            continue
        canvas.rectangle(x, top, wide, _STRIP, "rest" if piece.left_over else "band", BACK)
        canvas.line([(x, top - 3.0), (x, top + _STRIP + 3.0)], "axis", LINES)
        role = "aside" if piece.left_over else "words bold"
        words = next((one for one in piece.words if text_width(one, _SIZE, bold=True) <= wide - 6.0), "")
        if words:
            canvas.text(x + wide / 2, top + 14.0, words, role, size=_SIZE, anchor="middle")
        elif not piece.left_over:  # too short for its mark: that stands below it, for above it is told what is cut
            canvas.text(x + wide / 2, top + _STRIP + 11.0, piece.words[-1], role, size=_SIZE, anchor="middle")
        x += wide
    canvas.line([(1.0, top), (x, top), (x, top + _STRIP), (1.0, top + _STRIP), (1.0, top)], "axis", LINES)
