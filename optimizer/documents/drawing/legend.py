"""The legend under a schematic: each symbol that it uses, and its marks, with their words."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.documents.drawing.labels import Shown
from optimizer.documents.drawing.measure import text_width, wrapped
from optimizer.documents.drawing.svg import MARKS, Canvas
from optimizer.documents.drawing.symbols import Spot, draw_symbol, symbol_words
from optimizer.model.catalog import Kind

_SIZE, _ROW, _LEFT = 12.0, 31.0, 18.0
_NOTE = (
    "Water levels and outlets stand to the scale on the left. Tees stand where there is room, and lengths along a run "
    "are not to scale."
)


@dataclass(frozen=True, slots=True)
class _Entry:
    words: str
    kind: Kind | None = None
    mark: str = ""  # "new", "gone", "flow" or "drain"


def legend_height(shown: Shown, width: float) -> float:
    """Return the pixels that the legend takes under a picture of this width."""
    rows = -(-len(_entries(shown)) // len(_columns(shown, width)))
    return 16 + 15.0 * len(_note_lines(width)) + rows * _ROW + 8


def draw_legend(canvas: Canvas, shown: Shown, top: float) -> None:
    """Draw the legend from y `top` downwards, over the picture's whole width."""
    y = top + 16
    for line in _note_lines(canvas.width):
        canvas.text(_LEFT, y, line, "aside", size=_SIZE)
        y += 15
    columns = _columns(shown, canvas.width)
    for place, entry in enumerate(_entries(shown)):
        row, column = divmod(place, len(columns))
        _draw_entry(canvas, entry, columns[column] + 10, y + row * _ROW + 10)


def _draw_entry(canvas: Canvas, entry: _Entry, x: float, y: float) -> None:
    if entry.kind is not None:
        canvas.line([(x, y - 14), (x, y + 14)], "pipe")
        draw_symbol(canvas, entry.kind, Spot(x, y, down=True))
    elif entry.mark in ("flow", "drain"):
        canvas.line([(x, y - 14), (x, y + 14)], "pipe")
        canvas.polygon([(x - 6, y - 7), (x + 6, y - 7), (x, y + 7)], "solid" if entry.mark == "flow" else "shape")
    else:
        new = entry.mark == "new"
        canvas.line([(x + 9, y - 14), (x + 9, y + 14)], "new-pipe" if new else "old-pipe")
        canvas.rectangle(x - 9, y - 6.5, 13, 13, "new-badge" if new else "old-badge", MARKS)
        letter, role = ("N", "on-new bold") if new else ("X", "old-words bold")
        canvas.text(x - 2.5, y + 4.5, letter, role, size=_SIZE, anchor="middle")
    canvas.text(x + 18, y + 4, entry.words, "aside", size=_SIZE)


def _entries(shown: Shown) -> list[_Entry]:
    used = {part.kind for run in shown.drawn.runs.values() for part in run.parts} - {Kind.PIPE, Kind.TUBE}
    used |= {Kind.TEE if tee.item is None else tee.item.kind for tee in shown.network.tees.values()}
    entries = [_Entry(symbol_words(kind), kind) for kind in Kind if kind in used]
    entries.append(_Entry("flow direction", mark="flow"))
    if shown.drains:
        entries.append(_Entry("drain, flow direction", mark="drain"))
    if shown.new or shown.new_tees:
        entries.append(_Entry("new", mark="new"))
    if shown.gone or shown.gone_tees:
        entries.append(_Entry("comes out", mark="gone"))
    return entries


def _columns(shown: Shown, width: float) -> list[float]:
    """Return where the columns of the legend begin: as many as fit, each as wide as its longest words."""
    rooms = [44 + text_width(entry.words, _SIZE) for entry in _entries(shown)]
    for count in range(len(rooms), 0, -1):
        columns = [max(rooms[place::count]) for place in range(count)]
        if _LEFT + sum(columns) <= width or count == 1:
            break
    return [_LEFT + sum(columns[:place]) for place in range(count)]


def _note_lines(width: float) -> list[str]:
    return wrapped(_NOTE, _SIZE, width - 2 * _LEFT)
