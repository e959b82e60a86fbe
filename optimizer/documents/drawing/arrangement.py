"""Where everything of a schematic stands: points on levels, runs in lanes, parts and headings in slots along them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from optimizer.documents.drawing.labels import Shown, height_words, part_words, run_lines
from optimizer.documents.drawing.lanes import Columns, Order, crossings, order_columns, order_of, ordered_as, strands_of
from optimizer.documents.drawing.levels import LEAST_GAP, Levels, place_levels
from optimizer.documents.drawing.measure import text_width, wrapped
from optimizer.documents.drawing.symbols import symbol_height
from optimizer.model.network import Network, PointKind, Run

PART_SIZE, NAME_SIZE, LINE_SIZE = 12.0, 13.0, 12.5
PART_STEP, LINE_STEP = 13.5, 14.0  # from baseline to baseline
TEXT_ROOM, TEXT_LEFT = 136.0, 17.0  # how wide words may be, and how far right of the pipe they begin
LANE_LEFT = 28.0  # room for the badges on the left of a pipe
TANK_DEPTH, DIP = 32.0, 11.0  # of a drawn basin, and how deep a pipe reaches into it
DETOUR = 32.0  # from the lane of a detour to its bare way out
_CROSS = 12.0  # kept free on either side of a crossing bar


@dataclass(frozen=True, slots=True)
class Block:
    """A heading (index None) or a part, with its lines of text and the pixels that it takes along the pipe."""

    index: int | None
    lines: tuple[str, ...]
    height: float
    width: float
    bold: int = 0  # how many of the lines are the run's name


@dataclass(frozen=True, slots=True)
class Slot:
    block: Block
    top: float
    bottom: float

    @property
    def middle(self) -> float:
        return (self.top + self.bottom) / 2


@dataclass(frozen=True)
class Lane:
    """A run's upright line from y `top` to y `bottom` at `x`; `down` when the run is written downwards.

    A detour first goes up or down to `turn_y` in a bare upright beside its lane.
    """

    x: float
    top: float
    bottom: float
    down: bool
    slots: tuple[Slot, ...]
    turn_y: float | None = None

    def x_at(self, start: bool) -> float:
        """Return where the run leaves its first point, or reaches its last one."""
        return self.x - DETOUR if start and self.turn_y is not None else self.x


@dataclass(frozen=True)
class Arrangement:
    """Everything in pixels of the picture, y down."""

    width: float
    height: float
    y: Mapping[str, float]
    x: Mapping[str, float]  # of tees, crosses, outlets and supplies
    lanes: Mapping[str, Lane]
    zero_y: float  # of the height 0
    pixels_per_m: float
    column_edges: tuple[tuple[float, float], ...]
    column_of: Mapping[str, int]  # run → column
    order: Order = ()  # given to `arrange` again, the same plumbing keeps its columns


def arrange(shown: Shown, left: float, top: float, order: Order = ()) -> Arrangement:
    """Return where everything stands, with `left` and `top` pixels free for a scale and for what is above.

    `order` is that of an earlier drawing: as long as the runs are the same their columns need not be sought again.
    """
    network = shown.drawn
    blocks = {name: _blocks(shown, run) for name, run in network.runs.items()}
    extra = dict.fromkeys(network.runs, 0.0)

    def need(run: Run, rises: bool) -> float:
        return _need(network, run, rises, blocks[run.name]) + extra[run.name]

    for _ in range(2):  # the second time with room for the crossings that the first one found
        levels = place_levels(network, need)
        spans = {name: _span(network, run, levels, blocks[name], extra[name]) for name, run in network.runs.items()}
        strands = strands_of(network, levels, spans)
        columns = (ordered_as(order, strands) if order else None) or order_columns(network, levels, strands)
        crossed = crossings(network, levels, columns)
        extra.update((name, 2.5 * _CROSS * len(found)) for name, found in crossed.items())
    return _measured(shown, levels, columns, blocks, crossed, left, top)


def _measured(
    shown: Shown,
    levels: Levels,
    columns: Columns,
    blocks: Mapping[str, tuple[Block, ...]],
    crossed: Mapping[str, list[float]],
    left: float,
    top: float,
) -> Arrangement:
    network = shown.drawn
    peak = max([*levels.up.values(), *(strand.high for column in columns for strand in column)], default=0.0)
    bed = min([*levels.up.values(), *(strand.low for column in columns for strand in column)], default=0.0)
    zero = top + peak
    edges, uprights, column_of = _columns(shown, levels, columns, blocks, left)
    lanes = {}
    for place, column in enumerate(columns):
        for strand in column:
            for name, (low, high) in strand.spans.items():
                run, x = network.runs[name], uprights[place]
                lanes[name] = _lane(network, run, levels, blocks[name], x, zero, (low, high), crossed[name])
    ys = {name: zero - up for name, up in levels.up.items()}
    xs = {name: _point_x(network, name, lanes) for name in network.points}
    bottom = zero - bed + TANK_DEPTH + 16
    right = edges[-1][1] if edges else left
    placed = (levels.pixels_per_m, edges, column_of, order_of(columns))
    return Arrangement(right + 8, bottom, ys, xs, lanes, zero, *placed)


def _columns(
    shown: Shown,
    levels: Levels,
    columns: Columns,
    blocks: Mapping[str, tuple[Block, ...]],
    left: float,
) -> tuple[tuple[tuple[float, float], ...], list[float], dict[str, int]]:
    """Return the edges of each column, the x of its pipe, and which column each run is in."""
    edges, uprights, column_of, x = [], [], {}, left
    for place, column in enumerate(columns):
        names = [name for strand in column for name in strand.spans]
        column_of.update(dict.fromkeys(names, place))
        room = LANE_LEFT + max([_detour_room(shown, levels, name) for name in names], default=0.0)
        width = max([block.width for name in names for block in blocks[name]] + [_tank_words(shown, names)])
        edges.append((x, x + room + TEXT_LEFT + width + 8))
        uprights.append(x + room)
        x = edges[-1][1]
    return tuple(edges), uprights, column_of


def _detour_room(shown: Shown, levels: Levels, name: str) -> float:
    """Return the room for the way out of a detour, left of its lane; the name of an opening goes left of that."""
    if name not in levels.detours:
        return 0.0
    start = shown.drawn.points[shown.drawn.runs[name].start.point]
    opens = start.is_fixed and start.kind is not PointKind.SURFACE
    return DETOUR + (text_width(height_words(start, shown.units), LINE_SIZE, bold=True) if opens else 0.0)


def _tank_words(shown: Shown, names: Sequence[str]) -> float:
    """Return the room for the name of a basin or point that a run of this column ends in."""
    network = shown.drawn
    ends = {end.point for name in names for end in (network.runs[name].start, network.runs[name].end)}
    return max(
        text_width(height_words(network.points[name], shown.units), LINE_SIZE, bold=True)
        if network.points[name].is_fixed
        else text_width(name, PART_SIZE)
        for name in ends
    )


def _blocks(shown: Shown, run: Run) -> tuple[Block, ...]:
    """Return the heading and the parts of a run, in the order of the run; the heading stands first."""
    name = wrapped(shown.name_of(run.name), NAME_SIZE, TEXT_ROOM, bold=True)
    lines = [line for text in run_lines(shown, run.name) for line in wrapped(text, LINE_SIZE, TEXT_ROOM)]
    heading_width = max(text_width(line, LINE_SIZE) for line in ["", *lines])
    width = max(heading_width, *(text_width(line, NAME_SIZE, bold=True) for line in name))
    blocks = [Block(None, (*name, *lines), LINE_STEP * (len(name) + len(lines)) + 4, width, len(name))]
    for index, part in enumerate(run.parts):
        words = wrapped(part_words(shown, run, index), PART_SIZE, TEXT_ROOM)
        height = max(symbol_height(part.kind) + 2, PART_STEP * len(words) + 4)
        blocks.append(Block(index, tuple(words), height, max(text_width(line, PART_SIZE) for line in words)))
    return tuple(blocks)


def _need(network: Network, run: Run, rises: bool, blocks: Sequence[Block]) -> float:
    low, high = (run.start.point, run.end.point) if rises else (run.end.point, run.start.point)
    pads = _pad(network.points[low].kind, above=True) + _pad(network.points[high].kind, above=False)
    return pads + sum(block.height for block in blocks)


def _pad(kind: PointKind, above: bool) -> float:
    """Return what stays free of parts near a point, for a run that leads up from it or down from it."""
    if kind is PointKind.SURFACE:
        return 10.0 if above else TANK_DEPTH + 8
    if kind in (PointKind.TEE, PointKind.CROSS):
        return 19.0 if above else 8.0
    return 20.0


def _span(network: Network, run: Run, levels: Levels, blocks: Sequence[Block], extra: float) -> tuple[float, float]:
    """Return from which to which level a run's lane reaches; a detour goes down where there is room, else up."""
    start, end = levels.up[run.start.point], levels.up[run.end.point]
    if run.name not in levels.detours:
        return min(start, end), max(start, end)
    length = _need(network, run, True, blocks) + extra + 2 * LEAST_GAP
    low, high = min(start, end), max(start, end)
    dives = low - length > min(levels.up.values()) + LEAST_GAP
    return (low - length, high) if dives else (low, high + length)


def _lane(
    network: Network,
    run: Run,
    levels: Levels,
    blocks: Sequence[Block],
    x: float,
    zero: float,
    span: tuple[float, float],
    crossed: Sequence[float],
) -> Lane:
    """Return a run's lane: between its ends, or for a detour between its turning level and its end."""
    start, end = levels.up[run.start.point], levels.up[run.end.point]
    begin = start
    if run.name in levels.detours:
        begin = span[1] if span[1] > max(start, end) else span[0]
    down = begin > end
    top, bottom = zero - max(begin, end), zero - min(begin, end)
    ends = [LEAST_GAP if begin != start else _pad(network.points[run.start.point].kind, above=not down)]
    ends.append(_pad(network.points[run.end.point].kind, above=down))
    before, after = ends if down else ends[::-1]
    crossed_at = sorted(zero - up for up in crossed)
    slots = _slots(blocks, top + before, bottom - after, down, crossed_at)
    turn_y = zero - begin if begin != start else None
    return Lane(x, top, bottom, down, slots, turn_y)


def _slots(
    blocks: Sequence[Block], top: float, bottom: float, down: bool, crossed_at: Sequence[float]
) -> tuple[Slot, ...]:
    """Return the blocks from top to bottom, the heading first, clear of crossing bars while there is room."""
    heading, *parts = blocks
    slack = bottom - top - sum(block.height for block in blocks)
    slots, y = [], top
    for block in [heading, *(parts if down else parts[::-1])]:
        for bar in crossed_at:
            jump = bar + _CROSS - y
            if bar - _CROSS < y + block.height and jump > 0 and jump <= slack:
                y, slack = y + jump, slack - jump
        slots.append(Slot(block, y, y + block.height))
        y += block.height
    return tuple(slots)


def _point_x(network: Network, name: str, lanes: Mapping[str, Lane]) -> float:
    """Return where a tee or an outlet stands: in the lane that goes straight through it, else where its lines meet."""
    found = sorted(lanes[run.name].x_at(at_start) for run, _, at_start in network.runs_at(name))
    through = [x for x in found if found.count(x) > 1]
    between = found[(len(found) - 1) // 2 :]  # of three lanes side by side the middle one
    return (through or between or [0.0])[0]
