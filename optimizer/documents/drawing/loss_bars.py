"""The losses by part as bars, the largest first, with what the run would gain if that part lost nothing.

What a valve takes because it is set so stands apart: it is not lost, it divides the flow.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

from optimizer.documents.drawing.measure import text_width, wrapped
from optimizer.documents.drawing.svg import MARKS, Canvas
from optimizer.units import show_flow, show_head
from optimizer.wording.amounts import percent

if TYPE_CHECKING:
    from optimizer.hydraulics.losses import PartLoss

_WIDTH, _LEFT, _SIZE = 440.0, 8.0, 12.0
_BAR, _GAP, _HEADING = 14.0, 12.0, 24.0
LOST, THROTTLED = "Lost", "Throttled on purpose: valves that are partly shut"

Valves = Collection[tuple[str, int]]  # run and part index


def loss_bars(
    losses: Sequence[PartLoss],
    units: str,
    *,
    title: str,
    key: str,
    limit: int = 12,
    role: str = "now-bar",
    throttled: Valves = (),
    alone: bool = False,
) -> str:
    """Return bars of the largest losses, `limit` of them at most; a shut part has no bar, for its loss is endless.

    `role` is "now-bar" or "after-bar". The valves in `throttled` stand apart, half as many of them at most: what they
    take is set, not lost.
    """
    told = []
    for heading, group in _groups(losses, limit, throttled):
        each = (f"{loss.words} in {loss.run} takes {show_head(loss.head_loss_m, units)}" for loss in group)
        told.append(f"{heading}: {'; '.join(each)}.")
    text = " ".join(told) or "No head is lost: nothing flows."
    return loss_bars_canvas(losses, units, limit, role, throttled).svg(title, text, key, alone=alone)


def loss_bars_canvas(
    losses: Sequence[PartLoss], units: str, limit: int = 12, role: str = "now-bar", throttled: Valves = ()
) -> Canvas:
    """Return the drawn bars, what is lost on top and what is throttled on purpose below."""
    groups = _groups(losses, limit, throttled)
    shown = [loss for _, group in groups for loss in group]
    room = _WIDTH - 2 * _LEFT - 10 - max([text_width(_tail(loss, units), _SIZE) for loss in shown], default=0.0)
    scale = room / max([loss.head_loss_m for loss in shown], default=1.0)
    titled = bool(throttled) and any(heading == THROTTLED for heading, _ in groups)
    height = sum(_height(loss) for loss in shown) + _HEADING * len(groups) * titled
    canvas = Canvas(_WIDTH, max(30.0, height + 8))
    y = 16.0
    for heading, group in groups:
        if titled:
            canvas.text(_LEFT, y, heading, "words bold", size=_SIZE)
            y += _HEADING
        for loss in group:
            _draw(canvas, loss, y, scale, units, "trim-bar" if heading == THROTTLED else role)
            y += _height(loss)
    if not shown:
        canvas.text(_LEFT, 18, "No head is lost: nothing flows.", size=_SIZE)
    return canvas


def _draw(canvas: Canvas, loss: PartLoss, y: float, scale: float, units: str, role: str) -> None:
    lines = _name(loss)
    for place, line in enumerate(lines):
        canvas.text(_LEFT, y + 15 * place, line, size=_SIZE)
    top, width = y + 15 * (len(lines) - 1) + 5, max(2.0, loss.head_loss_m * scale)
    canvas.rectangle(_LEFT, top, width, _BAR, role, MARKS)
    canvas.text(_LEFT + width + 8, top + 11, _tail(loss, units), "aside", size=_SIZE)


def _name(loss: PartLoss) -> list[str]:
    return wrapped(f"{loss.run}: {loss.words}", _SIZE, _WIDTH - 2 * _LEFT)


def _height(loss: PartLoss) -> float:
    return 15.0 * len(_name(loss)) + _BAR + _GAP


def _groups(losses: Sequence[PartLoss], limit: int, throttled: Valves) -> list[tuple[str, list[PartLoss]]]:
    """Return what is lost and what is throttled on purpose, each the largest first; empty groups are left out."""
    set_so = [loss for loss in losses if loss.index is not None and (loss.run, loss.index) in throttled]
    lost = [loss for loss in losses if loss not in set_so]
    groups = ((LOST, _largest(lost, limit)), (THROTTLED, _largest(set_so, max(1, limit // 2))))
    return [(heading, group) for heading, group in groups if group]


def _largest(losses: Sequence[PartLoss], limit: int) -> list[PartLoss]:
    ended = [loss for loss in losses if math.isfinite(loss.head_loss_m) and loss.head_loss_m > 0.0]
    return sorted(ended, key=lambda loss: -loss.head_loss_m)[:limit]


def _tail(loss: PartLoss, units: str) -> str:
    words = f"{show_head(loss.head_loss_m, units)}, {percent(loss.share)}"
    gained = loss.gained_flow_m3_s
    return f"{words}, +{show_flow(gained, units)} without it" if math.isfinite(gained) and gained > 0.0 else words
