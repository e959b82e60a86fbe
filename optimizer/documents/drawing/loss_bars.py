"""The losses by part as bars, the largest first, with what the run would gain if that part lost nothing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from optimizer.documents.drawing.measure import text_width, wrapped
from optimizer.documents.drawing.svg import MARKS, Canvas
from optimizer.documents.words import percent
from optimizer.units import show_flow, show_head

if TYPE_CHECKING:
    from optimizer.hydraulics.losses import PartLoss

_WIDTH, _LEFT, _SIZE = 440.0, 8.0, 12.0
_BAR, _GAP = 14.0, 12.0


def loss_bars(
    losses: Sequence[PartLoss],
    units: str,
    *,
    title: str,
    key: str,
    limit: int = 12,
    role: str = "now-bar",
    alone: bool = False,
) -> str:
    """Return bars of the largest losses, `limit` of them at most; a shut part has no bar, for its loss is endless.

    `role` is "now-bar" or "after-bar".
    """
    shown = _largest(losses, limit)
    told = [f"{loss.words} in {loss.run} loses {show_head(loss.head_loss_m, units)}" for loss in shown]
    text = ("; ".join(told) or "No head is lost: nothing flows") + "."
    return loss_bars_canvas(losses, units, limit, role).svg(title, text, key, alone=alone)


def loss_bars_canvas(losses: Sequence[PartLoss], units: str, limit: int = 12, role: str = "now-bar") -> Canvas:
    """Return the drawn bars."""
    shown = _largest(losses, limit)
    names = [wrapped(f"{loss.run}: {loss.words}", _SIZE, _WIDTH - 2 * _LEFT) for loss in shown]
    tails = [_tail(loss, units) for loss in shown]
    heights = [15.0 * len(lines) + _BAR + _GAP for lines in names]
    canvas = Canvas(_WIDTH, max(30.0, sum(heights) + 8))
    room = _WIDTH - 2 * _LEFT - 10 - max([text_width(tail, _SIZE) for tail in tails], default=0.0)
    longest = max([loss.head_loss_m for loss in shown], default=1.0)
    y = 16.0
    for loss, lines, tail, height in zip(shown, names, tails, heights, strict=True):
        for place, line in enumerate(lines):
            canvas.text(_LEFT, y + 15 * place, line, size=_SIZE)
        top, width = y + 15 * (len(lines) - 1) + 5, max(2.0, loss.head_loss_m / longest * room)
        canvas.rectangle(_LEFT, top, width, _BAR, role, MARKS)
        canvas.text(_LEFT + width + 8, top + 11, tail, "aside", size=_SIZE)
        y += height
    if not shown:
        canvas.text(_LEFT, 18, "No head is lost: nothing flows.", size=_SIZE)
    return canvas


def _largest(losses: Sequence[PartLoss], limit: int) -> list[PartLoss]:
    ended = [loss for loss in losses if math.isfinite(loss.head_loss_m) and loss.head_loss_m > 0.0]
    return sorted(ended, key=lambda loss: -loss.head_loss_m)[:limit]


def _tail(loss: PartLoss, units: str) -> str:
    words = f"{show_head(loss.head_loss_m, units)}, {percent(loss.share)}"
    gained = loss.gained_flow_m3_s
    return f"{words}, +{show_flow(gained, units)} without it" if math.isfinite(gained) and gained > 0.0 else words
