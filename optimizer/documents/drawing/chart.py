"""The frame that the line charts share: axes with round numbers, a place for every value, words at the lines' ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from optimizer.documents.drawing.axes import round_ticks, tick_words
from optimizer.documents.drawing.measure import text_width
from optimizer.documents.drawing.svg import BACK, MARKS, Box, Canvas, Point

TEXT = 12.0
_TOP, _RIGHT, _BOTTOM = 30.0, 16.0, 46.0


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

    def x(self, value: float) -> float:
        first, last = self.x_ticks[0], self.x_ticks[-1]
        return self.left + (value - first) / (last - first) * (self.right - self.left)

    def y(self, value: float) -> float:
        first, last = self.y_ticks[0], self.y_ticks[-1]
        return self.bottom - (value - first) / (last - first) * (self.bottom - self.top)

    def place(self, point: Point) -> Point:
        return self.x(point[0]), self.y(point[1])

    def line(self, points: Sequence[Point], role: str) -> None:
        self.canvas.line([self.place(point) for point in points], role)

    def mark(self, point: Point, role: str) -> None:
        """Draw a round mark; its box keeps words away."""
        x, y = self.place(point)
        self.canvas.circle(x, y, 5, role)
        self.canvas.symbols.append(Box(x - 6, y - 6, x + 6, y + 6, "mark"))

    def note(self, point: Point, words: str, role: str) -> None:
        """Write words beside a point of the chart, at the first place around it where nothing else is written."""
        x, y = self.place(point)
        width = text_width(words, TEXT, bold="bold" in role.split())
        for across, down in _AROUND:
            left = x + 10 if across > 0 else x - 10 - width if across < 0 else x - width / 2
            baseline = y + down
            box = Box(left - 2, baseline - 10, left + width + 2, baseline + 4)
            inside = box.left >= self.left and box.right <= self.canvas.width - 2
            inside = inside and box.top >= 2 and box.bottom <= self.bottom
            if inside and not any(box.overlaps(other) for other in (*self.canvas.texts, *self.canvas.symbols)):
                self.canvas.text(left, baseline, words, f"{role} halo", size=TEXT)
                return
        self.canvas.text(min(x + 10, self.canvas.width - width - 2), max(y - 10, 12), words, f"{role} halo", size=TEXT)


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
) -> Frame:
    """Return a chart with grid, tick numbers and axis words; the ranges are widened to round numbers."""
    canvas = Canvas(width, height)
    left_words = [tick_words(tick, ticks) for ticks in [round_ticks(*y_range)] for tick in ticks]
    left = 16 + max(text_width(words, TEXT) for words in left_words)
    room = width - left - _RIGHT
    x_ticks, y_ticks = _fitting_ticks(x_range, room), round_ticks(*y_range)
    drawn = Frame(canvas, x_ticks, y_ticks, left, width - _RIGHT, _TOP, height - _BOTTOM)
    for tick, words in zip(y_ticks, left_words, strict=True):
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


def _fitting_ticks(x_range: tuple[float, float], room: float) -> list[float]:
    """Return as many round numbers as can stand side by side; the last one is centred on the frame's edge."""
    for most in (7, 6, 5, 4, 3):
        ticks = round_ticks(*x_range, most)
        widest = max(text_width(tick_words(tick, ticks), TEXT) for tick in ticks)
        if (widest + 14) * (len(ticks) - 1) <= room:
            return ticks
    return round_ticks(*x_range, 2)


def legend_row(drawn: Frame, entries: Sequence[tuple[str, str, str]]) -> None:
    """Write (line role, mark role or nothing, words) entries in a row above the chart, at its right."""
    canvas, x = drawn.canvas, drawn.right
    for line, mark, words in reversed(entries):
        x -= text_width(words, TEXT)
        canvas.text(x, 14, words, "words", size=TEXT)
        canvas.line([(x - 28, 10), (x - 5, 10)], line)
        if mark:
            canvas.circle(x - 16.5, 10, 4, mark)
        x -= 42
