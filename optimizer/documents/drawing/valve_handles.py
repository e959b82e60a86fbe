"""A valve and how far it is open → its handle as it stands on the pipe, or the turns of its wheel."""

from __future__ import annotations

import math

from optimizer.documents.drawing.svg import BACK, LINES, MARKS, WORDS, Canvas
from optimizer.model.kinds import Kind

WIDTH, HEIGHT = 58.0, 46.0
_TURNED = frozenset({Kind.BALL_VALVE, Kind.TRUE_UNION_BALL_VALVE})  # by a quarter turn of a handle


def handle_picture(kind: Kind, opening: float) -> Canvas:
    """Return a ball valve seen from above its handle (along the pipe: open), or the share of a wheel's turns."""
    canvas = Canvas(WIDTH, HEIGHT)
    middle = HEIGHT / 2
    canvas.rectangle(0.0, middle - 6.0, WIDTH, 12.0, "band", BACK)
    for y in (middle - 6.0, middle + 6.0):
        canvas.line([(0.0, y), (WIDTH, y)], "axis", LINES)
    return _handle(canvas, opening) if kind in _TURNED else _wheel(canvas, opening)


def _handle(canvas: Canvas, opening: float) -> Canvas:
    x, y = WIDTH / 2, HEIGHT / 2
    closed = math.radians(90.0 * (1.0 - min(1.0, max(0.0, opening))))
    canvas.circle(x, y, 8.0, "shape", MARKS)
    tip = (x + 21.0 * math.cos(closed), y - 21.0 * math.sin(closed))
    canvas.line([(x, y), tip], "new-pipe", WORDS)
    canvas.circle(x, y, 2.5, "solid", WORDS)
    return canvas


def _wheel(canvas: Canvas, opening: float) -> Canvas:
    x, y, radius = 23.0, HEIGHT / 2, 17.0
    canvas.circle(x, y, radius, "shape", MARKS)
    for turn in range(3):
        angle = math.radians(60.0 * turn)
        across, down = radius * math.cos(angle), radius * math.sin(angle)
        canvas.line([(x - across, y - down), (x + across, y + down)], "axis", WORDS)
    canvas.rectangle(46.0, 4.0, 7.0, HEIGHT - 8.0, "paper", MARKS)  # how much of its turns it is open
    high = (HEIGHT - 8.0) * min(1.0, max(0.0, opening))
    canvas.rectangle(46.0, HEIGHT - 4.0 - high, 7.0, high, "after-bar", WORDS)
    frame = [(46.0, 4.0), (53.0, 4.0), (53.0, HEIGHT - 4.0), (46.0, HEIGHT - 4.0), (46.0, 4.0)]
    canvas.line(frame, "axis", WORDS)
    return canvas
