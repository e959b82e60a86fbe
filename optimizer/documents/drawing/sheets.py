"""A schematic and the room on a sheet of paper → the schematic on as few sheets as keep its words at 8 points or more.

What is too large for one sheet is cut between two columns, or across: then each column is cut where none of its words
and symbols stand, near to where its neighbours are, and every pipe that is cut has its run's name on both sides.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from optimizer.documents.drawing.labels import Shown
from optimizer.documents.drawing.legend import draw_legend, legend_height
from optimizer.documents.drawing.measure import text_width, wrapped
from optimizer.documents.drawing.schematic import schematic_canvas
from optimizer.documents.drawing.svg import Box, Canvas, Column, number

LEAST_POINTS, LARGEST_POINTS = 8.0, 11.0  # of the smallest words in print
_SMALLER_POINTS = (7.0, 6.0, 5.0, 4.0, 2.0, 0.5)  # where the number of sheets is given
SMALLEST_PX = 12.0  # of the words in a picture
_MM_PER_POINT = 25.4 / 72.0
_STRIP = 20.0  # beside a cut, for the names of the runs that go on
_CLEAR = 2.0  # between a cut and what stands nearest
_STEPS = 60.0  # how far apart neighbours may be cut
_EDGE = 8.0  # beside the outermost columns of a sheet
LEAST_LEGEND_PX = 360.0  # how wide the legend needs to be


@dataclass(frozen=True, slots=True)
class Room:
    """The part of a sheet of paper that a picture may cover [mm], upright and turned on its side."""

    upright_mm: tuple[float, float]
    turned_mm: tuple[float, float]


@dataclass(frozen=True)
class Tile:
    """What one sheet shows: columns, and for each of them from where to where [pixels of the whole picture]."""

    columns: tuple[Column, ...]
    tops: tuple[float, ...]
    bottoms: tuple[float, ...]
    is_first: bool  # nothing was cut off above
    is_last: bool  # nor below
    legend: float = 0.0  # pixels under it for the legend

    @property
    def left(self) -> float:
        return self.columns[0].left

    @property
    def width(self) -> float:
        return max(self.columns[-1].right - self.left + _EDGE, LEAST_LEGEND_PX if self.legend else 0.0)

    @property
    def height(self) -> float:
        strips = _STRIP * (2 - self.is_first - self.is_last)
        return max(self.bottoms) - min(self.tops) + strips + self.legend


@dataclass(frozen=True)
class Sheets:
    """The tiles from the top down and from left to right, and how they are printed."""

    tiles: tuple[Tile, ...]
    turned: bool  # on paper that lies on its long side
    mm_per_px: float

    @property
    def text_points(self) -> float:
        """Size of the smallest words in print."""
        return SMALLEST_PX * self.mm_per_px / _MM_PER_POINT


def on_paper(shown: Shown, room: Room, most: int | None = None) -> tuple[Shown, Canvas, Sheets]:
    """Return what is drawn on paper, how, and on which sheets: without the drains where those make it too small.

    No plan changes a drain, and what has to be read on paper is the plan.
    """
    canvas = schematic_canvas(shown)
    sheets = sheets_for(canvas, shown, room, most)
    if not shown.drains or (sheets.text_points > LEAST_POINTS - 0.01 and len(sheets.tiles) == 1):
        return shown, canvas, sheets
    alone = replace(shown, drains=())
    canvas = schematic_canvas(alone)
    return alone, canvas, sheets_for(canvas, alone, room, most)


def sheets_for(canvas: Canvas, shown: Shown, room: Room, most: int | None = None) -> Sheets:
    """Return the sheets for a schematic: as few as keep its words legible, and on them as large as they fit.

    With `most` there are no more than so many, whatever becomes of the words.
    """
    for points in (LEAST_POINTS, *_SMALLER_POINTS) if most else (LEAST_POINTS,):
        ways = [
            _sheets(canvas, shown, sides, turned, points)
            for turned, sides in enumerate((room.upright_mm, room.turned_mm))
        ]
        best = min(ways, key=lambda one: (one.text_points < points - 0.01, len(one.tiles), -one.text_points))
        if most is None or len(best.tiles) <= most:
            break
    return best


def _sheets(canvas: Canvas, shown: Shown, sides_mm: tuple[float, float], turned: int, points: float) -> Sheets:
    least = points * _MM_PER_POINT / SMALLEST_PX
    wide, high = (side / least for side in sides_mm)
    groups = list(_groups(canvas.columns, wide - _EDGE))
    tiles = [tile for columns in groups[:-1] for tile in _rows(canvas, _tile(canvas, columns), high)]
    last = _tile(canvas, groups[-1])
    legend = legend_height(shown, max(last.width, LEAST_LEGEND_PX))
    tiles += _rows(canvas, replace(last, legend=legend), high)
    most = LARGEST_POINTS * _MM_PER_POINT / SMALLEST_PX
    scale = min(*(sides_mm[0] / tile.width for tile in tiles), *(sides_mm[1] / tile.height for tile in tiles), most)
    return Sheets(tuple(tiles), bool(turned), scale)


def _groups(columns: Sequence[Column], wide: float) -> Iterator[tuple[Column, ...]]:
    """Yield the columns in groups that are no wider than this, of about the same width."""
    left, right = columns[0].left, columns[-1].right
    count = max(1, -int(-(right - left) // wide))
    aim = min(wide, (right - left) / count + max(column.right - column.left for column in columns) / 2)
    group: list[Column] = []
    for column in columns:
        if group and column.right - group[0].left > aim:
            yield tuple(group)
            group = []
        group.append(column)
    yield tuple(group)


def _tile(canvas: Canvas, columns: tuple[Column, ...]) -> Tile:
    return Tile(columns, (0.0,) * len(columns), (canvas.end_y,) * len(columns), is_first=True, is_last=True)


def _rows(canvas: Canvas, tile: Tile, high: float) -> Iterator[Tile]:
    """Yield what a tile shows from the top down, each piece no higher than this where it can be cut so."""
    while tile.height > high:
        cut = _cut(canvas, tile, high)
        if cut is None:
            break
        yield replace(tile, bottoms=cut, is_last=False, legend=0.0)
        tile = replace(tile, tops=cut, is_first=False)
    yield tile


def _cut(canvas: Canvas, tile: Tile, high: float) -> tuple[float, ...] | None:
    """Return where each column is cut so that what is above fills a sheet; None where no cut is free."""
    strips = _STRIP * (2 - tile.is_first)
    top = min(tile.tops)
    taken = [_taken(canvas, column) for column in tile.columns]
    y = min(top + high - strips, max(tile.bottoms) - 1.0)
    while y > max(tile.tops) + high / 4:
        cut = tuple(_free_above(spans, y) for spans in taken)
        low, far = min(cut), max(cut)
        blocked = any(band.top < far + _CLEAR and band.bottom > low - _CLEAR for band in canvas.bands)
        if far - low <= _STEPS and not blocked and all(new > old for new, old in zip(cut, tile.tops, strict=True)):
            return cut
        y -= 2.0
    return None


def _taken(canvas: Canvas, column: Column) -> list[tuple[float, float]]:
    """Return from where to where words and symbols stand in a column, the lowest first."""
    boxes = [box for box in (*canvas.texts, *canvas.symbols) if box.left < column.right and box.right > column.left]
    return sorted(((box.top, box.bottom) for box in boxes), reverse=True)


def _free_above(taken: Sequence[tuple[float, float]], y: float) -> float:
    """Return the lowest place at or above y that meets nothing."""
    moved = True
    while moved:
        moved = False
        for top, bottom in taken:
            if top - _CLEAR < y < bottom + _CLEAR:
                y, moved = top - _CLEAR, True
    return y


def tile_canvas(canvas: Canvas, shown: Shown, tile: Tile, reference: str = "") -> Canvas:
    """Return what a sheet shows, with the names of the runs that are cut.

    With `reference` the picture is not repeated but taken from
    the element of the same page that has this id.
    """
    down = (0.0 if tile.is_first else _STRIP) - min(tile.tops)
    sheet = Canvas(tile.width, tile.height)
    window = Box(tile.left, min(tile.tops), tile.left + tile.width, max(tile.bottoms))
    inside = f'<use href="#{reference}"/>' if reference else canvas.body(window)
    covers = "".join(
        f'\n<polygon class="paper" points="{" ".join(f"{number(x)},{number(y)}" for x, y in corners)}"/>'
        for corners in _covers(tile, canvas.height)
    )
    sheet.add(0, f'<g transform="translate({number(-tile.left)} {number(down)})">\n{inside}{covers}\n</g>')
    if not tile.is_first:
        _name_cut_runs(sheet, canvas, tile, tile.tops, down - 6.0)
    if not tile.is_last:
        _name_cut_runs(sheet, canvas, tile, tile.bottoms, down + 14.0)
    if tile.legend:
        draw_legend(sheet, shown, tile.height - tile.legend)
    return sheet


def _covers(tile: Tile, height: float) -> Iterator[list[tuple[float, float]]]:
    """Yield the corners of what covers the rest of the picture: above, below, and beside the columns."""
    above, below = min(tile.tops) - 2 * _STRIP, max(height, max(tile.bottoms)) + 2 * _STRIP
    for ends, edge, cut in ((tile.tops, above, not tile.is_first), (tile.bottoms, below, not tile.is_last)):
        if cut or edge == below:
            steps = [(x, y) for one, y in zip(tile.columns, ends, strict=True) for x in (one.left, one.right)]
            yield [(tile.left, edge), *steps, (steps[-1][0], edge)]
    right = tile.columns[-1].right
    yield [(right, above), (right + tile.width, above), (right + tile.width, below), (right, below)]


def _name_cut_runs(sheet: Canvas, canvas: Canvas, tile: Tile, cut: Sequence[float], down: float) -> None:
    for column, y in zip(tile.columns, cut, strict=True):
        for one in canvas.uprights:
            if column.left <= one.x < column.right and one.top < y < one.bottom:
                words = _short(one.words, column.right - one.x - 4.0)
                sheet.text(one.x - tile.left - 4.0, y + down, words, "aside", size=SMALLEST_PX)


def _short(words: str, room: float) -> str:
    if text_width(words, SMALLEST_PX) <= room:
        return words
    return f"{wrapped(words, SMALLEST_PX, room - text_width('…', SMALLEST_PX))[0]}…"
