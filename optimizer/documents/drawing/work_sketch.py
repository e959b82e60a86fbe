"""Runs that change → sheets for the workbench: each run now with what comes out, and beside it as it is to become.

Pieces of pipe bear the marks of the cut list. Long stretches that stay are drawn as one line.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from math import ceil

from optimizer.documents.drawing.labels import Shown, part_words
from optimizer.documents.drawing.measure import text_width, wrapped
from optimizer.documents.drawing.schematic import draw_badge, part_role, widens
from optimizer.documents.drawing.svg import Canvas
from optimizer.documents.drawing.symbols import Spot, draw_symbol, symbol_height

SKETCH_PX = 378.0
_LANE_PX = SKETCH_PX / 2
_PIPE_X, _TEXT_X, _TEXT_ROOM = 30.0, 55.0, _LANE_PX - 63.0
_NAME, _SIZE, _STEP = 14.0, 12.0, 13.5
_HEAD, _END, _GAP = 38.0, 26.0, 18.0  # above a lane, for the point at either end, between two shelves
_LETTER_X, _LETTER = 46.5, 10.5
_NEAR = 2  # so many parts beside a change are drawn though they stay
_FOLD = 3  # so many or more in a row that stay are told in one line,
_SHORT = 10  # unless the run has no more parts than this


@dataclass(frozen=True)
class Sketch:
    """A run now and after the work.

    `cut_words` are the mark and length of each new piece of pipe, by part index; `letters` those of the joints that are
    made, by the index of the part behind each, in the order of the water.
    """

    run: str
    now: Shown
    after: Shown
    down: bool  # the run leads downwards, so that its first part is drawn on top
    cut_words: Mapping[int, tuple[str, ...]]
    letters: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Row:
    """A part, or with index None a stretch that stays."""

    index: int | None
    lines: tuple[str, ...]
    height: float


def sketch_canvas(sketch: Sketch) -> Canvas:
    """Return a run now and after the work, `SKETCH_PX` wide, without its name: that stands above it."""
    canvas = Canvas(SKETCH_PX, _height(sketch))
    _draw(canvas, sketch, 0.0, 0.0)
    return canvas


def _height(sketch: Sketch) -> float:
    highest = max(sum(row.height for row in rows) for rows in _both(sketch))
    return _HEAD + 2 * _END + highest + _GAP


def _both(sketch: Sketch) -> tuple[list[_Row], list[_Row]]:
    """Return the rows of both lanes from top to bottom."""
    lanes = _rows(sketch.now, sketch.run, {}), _rows(sketch.after, sketch.run, sketch.cut_words)
    return lanes if sketch.down else (lanes[0][::-1], lanes[1][::-1])


def _rows(shown: Shown, name: str, cut_words: Mapping[int, tuple[str, ...]]) -> list[_Row]:
    run = shown.network.runs[name]
    changed = [index for run_name, index in (*shown.new, *shown.gone) if run_name == name]
    near = [any(abs(index - other) <= _NEAR for other in changed) for index in range(len(run.parts))]
    rows: list[_Row] = []
    for is_near, group in groupby(range(len(run.parts)), key=lambda index: near[index]):
        indices = list(group)
        if not is_near and len(indices) >= _FOLD and len(run.parts) > _SHORT:
            rows.append(_Row(None, (f"{len(indices)} parts stay as they are",), 30.0))
            continue
        rows += [_part_row(shown, name, index, cut_words.get(index, ())) for index in indices]
    return rows


def _part_row(shown: Shown, name: str, index: int, cut_words: tuple[str, ...]) -> _Row:
    run = shown.network.runs[name]
    words = [line for text in cut_words or (part_words(shown, run, index),) for line in _lines(text)]
    return _Row(index, tuple(words), max(symbol_height(run.parts[index].kind) + 4, ceil(_STEP * len(words) + 6)))


def _lines(text: str) -> list[str]:
    return wrapped(text, _SIZE, _TEXT_ROOM)


def _draw(canvas: Canvas, sketch: Sketch, left: float, top: float) -> None:
    out = any(run == sketch.run for run, _ in sketch.now.gone) or sketch.now.gone_tees & _ends(sketch)
    titles = ("now: X comes out" if out else "now: nothing comes out", "after: N is new")
    for place, (shown, rows) in enumerate(zip((sketch.now, sketch.after), _both(sketch), strict=True)):
        x = left + place * _LANE_PX
        canvas.text(x + 10, top + 16, titles[place], "aside", size=_SIZE)
        _draw_lane(canvas, sketch, shown, rows, x, top + _HEAD)
        if place == 1:
            _draw_letters(canvas, sketch, rows, x, top + _HEAD + _END)


def _draw_letters(canvas: Canvas, sketch: Sketch, rows: Sequence[_Row], left: float, top: float) -> None:
    """Write the letter of each joint that is made beside the pipe, between the two parts that it joins."""
    y, last = top, len(sketch.after.network.runs[sketch.run].parts)
    for row in rows:
        if row.index is not None:
            upper, lower = (row.index, row.index + 1) if sketch.down else (row.index + 1, row.index)
            ends = [(upper, y)] if upper == 0 or upper == last else []
            for joint, at in (*ends, (lower, y + row.height)):
                if joint in sketch.letters:
                    canvas.text(
                        left + _LETTER_X,
                        at + 4,
                        sketch.letters[joint],
                        "words bold halo",
                        size=_LETTER,
                        anchor="middle",
                    )
        y += row.height


def _draw_lane(canvas: Canvas, sketch: Sketch, shown: Shown, rows: Sequence[_Row], left: float, top: float) -> None:
    run, x = shown.network.runs[sketch.run], left + _PIPE_X
    ends = (run.start.point, run.end.point) if sketch.down else (run.end.point, run.start.point)
    bottom = top + 2 * _END + sum(row.height for row in rows)
    for point, y, line in ((ends[0], top + 4, (top, top + _END)), (ends[1], bottom, (bottom - _END, bottom))):
        canvas.text(left + _TEXT_X, y, _short(point, _TEXT_ROOM), "aside", size=_SIZE)
        canvas.line([(x, line[0]), (x, line[1])], "pipe")
        canvas.line([(x - 8, y - 4), (x + 8, y - 4)], "axis")
        if point in shown.new_tees | shown.gone_tees:
            draw_badge(canvas, left + 10, y - 4, new=point in shown.new_tees)
    y = top + _END
    for row in rows:
        _draw_row(canvas, sketch, shown, row, left, y)
        y += row.height


def _ends(sketch: Sketch) -> set[str]:
    run = sketch.now.network.runs[sketch.run]
    return {run.start.point, run.end.point}


def _draw_row(canvas: Canvas, sketch: Sketch, shown: Shown, row: _Row, left: float, top: float) -> None:
    x, middle = left + _PIPE_X, top + row.height / 2
    role = part_role(shown, sketch.run, row.index)
    canvas.line([(x, top), (x, top + row.height)], role if row.index is not None else "axis")
    style = "aside halo"
    if row.index is not None:
        part, place = shown.network.runs[sketch.run].parts[row.index], (sketch.run, row.index)
        draw_symbol(canvas, part.kind, Spot(x, middle, sketch.down != widens(part), role))
        style = "words halo"
        if place in shown.new or place in shown.gone:
            draw_badge(canvas, left + 10, middle, new=place in shown.new)
    y = middle - _STEP / 2 * (len(row.lines) - 1) + 4
    for line in row.lines:
        bold = " bold" if line.startswith("mark ") else ""
        canvas.text(left + _TEXT_X, y, line, style + bold, size=_SIZE)
        y += _STEP


def _short(words: str, room: float) -> str:
    """Return the words on one line, with an ellipsis where they do not fit."""
    if text_width(words, _NAME, bold=True) <= room:
        return words
    return f"{wrapped(words, _NAME, room - text_width('…', _NAME), bold=True)[0]}…"
