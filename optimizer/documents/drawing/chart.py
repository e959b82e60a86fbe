"""The frame that the line charts share: axes with round numbers, a place for every value, words at the lines' ends."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from optimizer.documents.drawing.axes import round_ticks, tick_words
from optimizer.documents.drawing.measure import text_width
from optimizer.documents.drawing.svg import BACK, MARKS, Box, Canvas, Point

TEXT = 12.0
_TOP, _RIGHT, _BOTTOM = 30.0, 16.0, 46.0
_ROW = 17.0  # of the legend


@dataclass(frozen=True)
class Frame:
    """A canvas with axes. `place` turns a pair of values into pixels."""

    canvas: Canvas
    x_ticks: Sequence[float]
    y_ticks: Sequence[float]
    left: float
    right: float
    top: float
    bottom: float
    floor: float  # the value at the bottom
    strokes: list[Box] = field(default_factory=list)  # where lines run, so that words keep off them

    def x(self, value: float) -> float:
        first, last = self.x_ticks[0], self.x_ticks[-1]
        return self.left + (value - first) / (last - first) * (self.right - self.left)

    def y(self, value: float) -> float:
        return self.bottom - (value - self.floor) / (self.y_ticks[-1] - self.floor) * (self.bottom - self.top)

    def place(self, point: Point) -> Point:
        return self.x(point[0]), self.y(point[1])

    def line(self, points: Sequence[Point], role: str) -> None:
        places = [self.place(point) for point in points]
        self.canvas.line(places, role)
        for start, end in pairwise(places):
            steps = 1 + int(math.dist(start, end) // 5)
            for step in range(steps + 1):
                x, y = (a + (b - a) * step / steps for a, b in zip(start, end, strict=True))
                self.strokes.append(Box(x - 2, y - 2, x + 2, y + 2))

    def mark(self, point: Point, role: str) -> None:
        """Draw a round mark; its box keeps words away."""
        x, y = self.place(point)
        self.canvas.circle(x, y, 5, role)
        self.canvas.symbols.append(Box(x - 6, y - 6, x + 6, y + 6, "mark"))

    def note(self, point: Point, words: str, role: str) -> None:
        """Write words beside a point, at the first place around it that is free; on a line where no other is."""
        x, y = self.place(point)
        width = text_width(words, TEXT, bold="bold" in role.split())
        written = (*self.canvas.texts, *self.canvas.symbols)
        place = self._free_place(x, y, width, (*written, *self.strokes)) or self._free_place(x, y, width, written)
        left, baseline = place or (min(x + 10, self.canvas.width - width - 2), max(y - 10, 12))
        self.canvas.text(left, baseline, words, f"{role} halo", size=TEXT)

    def _free_place(self, x: float, y: float, width: float, taken: Sequence[Box]) -> Point | None:
        for across, down in _AROUND:
            left = x + 10 if across > 0 else x - 10 - width if across < 0 else x - width / 2
            baseline = y + down
            box = Box(left - 2, baseline - 10, left + width + 2, baseline + 4)
            inside = box.left >= self.left and box.right <= self.canvas.width - 2
            inside = inside and box.top >= 2 and box.bottom <= self.bottom
            if inside and not any(box.overlaps(other) for other in taken):
                return left, baseline
        return None


_AROUND = tuple(
    (across, down)
    for reach in (0, 16, 32, 48, 64)
    for across, down in (
        (1, 4 - reach),
        (-1, 4 - reach),
        (0, -12 - reach),
        (1, 4 + reach),
        (-1, 4 + reach),
        (0, 20 + reach),
    )
)


def frame(
    width: float,
    height: float,
    x_range: tuple[float, float],
    y_range: tuple[float, float],
    x_words: str,
    y_words: str,
    legend_rows: int = 1,
) -> Frame:
    """Return a chart with grid, tick numbers and axis words; the ranges are widened to round numbers."""
    canvas = Canvas(width, height)
    left_words = [tick_words(tick, ticks) for ticks in [round_ticks(*y_range)] for tick in ticks]
    top = _TOP + _ROW * (legend_rows - 1)
    left = 16 + max(text_width(words, TEXT) for words in left_words)
    room = width - left - _RIGHT
    x_ticks, y_ticks = _fitting_ticks(x_range, room), round_ticks(*y_range)
    drawn = Frame(canvas, x_ticks, y_ticks, left, width - _RIGHT, top, height - _BOTTOM, _floor(y_range, y_ticks))
    for tick, words in zip(y_ticks, left_words, strict=True):
        if tick < drawn.floor:
            continue
        y = drawn.y(tick)
        canvas.line([(left, y), (drawn.right, y)], "grid", BACK)
        canvas.text(left - 7, y + 4, words, "aside", size=TEXT, anchor="end")
    for tick in x_ticks:
        x = drawn.x(tick)
        canvas.line([(x, drawn.bottom), (x, drawn.bottom + 4)], "axis", BACK)
        canvas.text(x, drawn.bottom + 18, tick_words(tick, x_ticks), "aside", size=TEXT, anchor="middle")
    canvas.line([(left, drawn.bottom), (drawn.right, drawn.bottom)], "axis", MARKS)
    canvas.text(2, 14, y_words, "aside", size=TEXT)
    canvas.text(drawn.right, height - 8, x_words, "aside", size=TEXT, anchor="end")
    return drawn


def _floor(y_range: tuple[float, float], ticks: Sequence[float]) -> float:
    """Return where a chart ends below: a little under its lowest value, or at a round number just there."""
    return max(ticks[0], y_range[0] - 0.04 * (ticks[-1] - y_range[0])) if y_range[0] != ticks[0] else ticks[0]


def _fitting_ticks(x_range: tuple[float, float], room: float) -> list[float]:
    """Return as many round numbers as can stand side by side; the last one is centred on the frame's edge."""
    for most in (7, 6, 5, 4, 3):
        ticks = round_ticks(*x_range, most)
        widest = max(text_width(tick_words(tick, ticks), TEXT) for tick in ticks)
        if (widest + 14) * (len(ticks) - 1) <= room:
            return ticks
    return round_ticks(*x_range, 2)


def legend(drawn: Frame, entries: Sequence[tuple[str, str, str]], rows: int = 1) -> None:
    """Write (line role, mark role or nothing, words) entries above the chart, at its right, in `rows` rows."""
    canvas, x, y = drawn.canvas, drawn.right, 14.0
    widest = max(text_width(words, TEXT) for _, _, words in entries)
    for line, mark, words in reversed(entries) if rows == 1 else entries:
        x -= text_width(words, TEXT) if rows == 1 else widest
        canvas.text(x, y, words, "words", size=TEXT)
        canvas.line([(x - 28, y - 4), (x - 5, y - 4)], line)
        if mark:
            canvas.circle(x - 16.5, y - 4, 4, mark)
        x, y = (x - 42, y) if rows == 1 else (drawn.right, y + _ROW)
