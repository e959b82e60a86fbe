"""One flow before and after the work → a small bar beside its target: the band asked for, what flows now, and after."""

from __future__ import annotations

import math

from optimizer.documents.drawing.svg import BACK, LINES, MARKS, Canvas

WIDTH, HEIGHT = 150.0, 16.0
_LEFT = 2.0
_ROOM = 1.15  # of the largest number: so much is drawn, so that an open band is seen to go on
LEGEND = "Shaded: the target. Upper, hollow bar: the flow now. Lower, solid bar: the flow after the work."


def flow_bar(low: float, high: float | None, now: float, after: float) -> Canvas:
    """Return the bars of one flow, all four in one unit; `high` None: no upper end. A backward flow has no bar."""
    canvas = Canvas(WIDTH, HEIGHT)
    known = [value for value in (low, high or 0.0, now, after) if math.isfinite(value)]
    most = _ROOM * max([*known, 1e-12])

    def across(value: float) -> float:
        return _LEFT + (WIDTH - 2 * _LEFT) * min(1.0, max(0.0, value / most))

    left, right = across(low), WIDTH - _LEFT if high is None else across(high)
    canvas.rectangle(left, 0.0, max(right - left, 1.5), HEIGHT, "band", BACK)
    canvas.line([(left, 0.0), (left, HEIGHT)], "axis", LINES)
    if high is not None:
        canvas.line([(right, 0.0), (right, HEIGHT)], "axis", LINES)
    for value, top, role in ((now, 2.5, "now-bar"), (after, 9.0, "after-bar")):
        if math.isfinite(value) and value > 0.0:
            canvas.rectangle(_LEFT, top, across(value) - _LEFT, 4.0, role, MARKS)
    return canvas
