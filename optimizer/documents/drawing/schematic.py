"""The plumbing as a picture: levels to scale, runs as upright lines with their parts, flow and loss beside each.

`schematic` draws what `Shown` holds: the plumbing as it stands, or as a plan leaves it with what is new marked by a
thick line and the letter N, or as it stands with what comes out marked by a broken line and the letter X.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from optimizer.documents.drawing.arrangement import (
    DIP,
    LANE_LEFT,
    LINE_SIZE,
    LINE_STEP,
    NAME_SIZE,
    PART_SIZE,
    PART_STEP,
    TANK_DEPTH,
    TEXT_LEFT,
    Arrangement,
    Lane,
    Slot,
    arrange,
)
from optimizer.documents.drawing.axes import round_ticks, tick_words
from optimizer.documents.drawing.labels import Shown, height_words
from optimizer.documents.drawing.lanes import Order
from optimizer.documents.drawing.legend import draw_legend, legend_height
from optimizer.documents.drawing.levels import elevation_m
from optimizer.documents.drawing.measure import text_width
from optimizer.documents.drawing.svg import BACK, MARKS, Box, Canvas, Column, Upright
from optimizer.documents.drawing.symbols import Spot, draw_stub, draw_symbol
from optimizer.documents.words import flow_words
from optimizer.model.catalog import Kind
from optimizer.model.doubt import doubt_of
from optimizer.model.network import Network, Part, Point, PointKind
from optimizer.units import length_unit, length_value

_LEFT, _TOP = 58.0, 26.0  # room for the scale of heights, and above the highest level
HOP = 6.0  # radius of the hop of a level line over an upright one that it crosses
_WIDENS = (Kind.REDUCING_COUPLING, Kind.BUSHING)


def schematic(shown: Shown, *, title: str, key: str = "schematic", alone: bool = False) -> str:
    """Return the schematic as SVG; `key` and `alone` as in `Canvas.svg`."""
    canvas = schematic_canvas(shown)
    return canvas.svg(title, describe(shown), key, alone=alone)


def arranged(shown: Shown, order: Order = ()) -> Arrangement:
    """Return where everything of a schematic stands; `order` as in `arrange`."""
    return arrange(shown, _LEFT, _TOP, order)


def schematic_canvas(shown: Shown, plan: Arrangement | None = None) -> Canvas:
    """Return the drawn schematic with the boxes of its texts and symbols; `plan` where it is arranged already."""
    plan = arranged(shown) if plan is None else plan
    width = max(plan.width, 360.0)
    canvas = Canvas(width, plan.height + legend_height(shown, width))
    canvas.end_y = plan.height
    canvas.columns = [Column(0.0, _LEFT), *(Column(left, right) for left, right in plan.column_edges)]
    _heights(canvas, shown, plan)
    for point in shown.drawn.points.values():
        _draw_point(canvas, shown, plan, point)
    for name in shown.drawn.runs:
        _draw_way_out(canvas, shown, plan, name)
    _draw_hops(canvas, shown.drawn, plan)
    for name in shown.drawn.runs:
        _draw_run(canvas, shown, plan, name)
    pipes = [Box(x - 1, top, x + 1, bottom) for x, top, bottom in _uprights(shown.drawn, plan)]
    for point in shown.drawn.points.values():
        if not point.is_fixed and shown.drawn.runs_at(point.name):
            _name_tee(canvas, plan, point.name, pipes)
    draw_legend(canvas, shown, plan.height)
    return canvas


def _name_tee(canvas: Canvas, plan: Arrangement, name: str, pipes: Sequence[Box]) -> None:
    """Write the name of a tee beside it: right above its bar, or where nothing else stands."""
    x, y, width = plan.x[name], plan.y[name], text_width(name, PART_SIZE)
    right, left = x + TEXT_LEFT - 8, x - TEXT_LEFT + 8 - width
    for begin, base in ((right, y - 6), (right, y + 15), (left, y - 6), (left, y + 15)):
        box = Box(begin, base - 0.76 * PART_SIZE, begin + width, base + 0.22 * PART_SIZE)
        if begin >= 0 and not any(box.overlaps(other) for other in (*canvas.texts, *canvas.symbols, *pipes)):
            break
    else:
        begin, base = right, y - 6
    canvas.text(begin, base, name, "aside halo", size=PART_SIZE)


def _uprights(network: Network, plan: Arrangement) -> list[tuple[float, float, float]]:
    """Return (x, top, bottom) of every upright line, those in which detours lead away from their points too."""
    found = [(lane.x, lane.top, lane.bottom) for lane in plan.lanes.values()]
    for name, lane in plan.lanes.items():
        if lane.turn_y is not None:
            x, y = lane.x_at(start=True), plan.y[network.runs[name].start.point]
            found.append((x, min(y, lane.turn_y), max(y, lane.turn_y)))
    return found


def _heights(canvas: Canvas, shown: Shown, plan: Arrangement) -> None:
    """Draw the scale of heights on the left, over the range in which heights are known."""
    known = [elevation_m(point) for point in shown.drawn.points.values() if point.is_fixed]
    if not known or max(known) <= min(known):
        return
    low, high = (length_value(end, shown.units) for end in (min(known), max(known)))
    ticks = [tick for tick in round_ticks(low, high) if low - 1e-9 <= tick <= high + 1e-9]
    per_unit = plan.pixels_per_m / length_value(1.0, shown.units)
    ends = [plan.zero_y - value * per_unit for value in (low, high)]
    canvas.line([(_LEFT - 14, ends[0]), (_LEFT - 14, ends[1])], "axis", BACK)
    for tick in ticks:
        y = plan.zero_y - tick * per_unit
        canvas.line([(_LEFT - 19, y), (_LEFT - 14, y)], "axis", BACK)
        words = f"{tick_words(tick, round_ticks(low, high))} {length_unit(shown.units)}"
        canvas.text(_LEFT - 22, y + 4, words, "aside", size=PART_SIZE, anchor="end")


def _draw_point(canvas: Canvas, shown: Shown, plan: Arrangement, point: Point) -> None:
    if point.kind is PointKind.SURFACE:
        for basin in _basins(shown.drawn, plan, point):
            _draw_basin(canvas, shown, plan, point, basin)
    elif point.is_fixed:
        _draw_opening(canvas, shown, plan, point)
    else:
        _draw_tee(canvas, shown, plan, point)


@dataclass(frozen=True, slots=True)
class _Basin:
    """A stretch of a water surface; `cut_left` and `cut_right` where another water begins right there."""

    left: float
    right: float
    cut_left: bool = False
    cut_right: bool = False


def _basins(network: Network, plan: Arrangement, point: Point) -> list[_Basin]:
    """Return the stretches in which a surface is drawn: one where nothing else stands in between."""
    mine = {run.name for run, _, _ in network.runs_at(point.name)}
    y, groups, last = plan.y[point.name], list[_Basin](), -1
    blocked = {
        plan.column_of[name]
        for name, lane in plan.lanes.items()
        if name not in mine and lane.top < y + TANK_DEPTH + 8 and lane.bottom > y - 8
    }
    for column in sorted({plan.column_of[name] for name in mine}):
        here = _in_column(network, plan, point, column, mine)
        apart = any(last < one < column for one in blocked) or here.cut_left
        if groups and not apart and not groups[-1].cut_right:
            groups[-1] = _Basin(groups[-1].left, here.right, groups[-1].cut_left, here.cut_right)
        else:
            groups.append(here)
        last = column
    return groups


def _in_column(network: Network, plan: Arrangement, point: Point, column: int, mine: set[str]) -> _Basin:
    """Return a surface in one column, which it shares with another one where a detour leads from water to water."""
    left, right = plan.column_edges[column][0] + 4, plan.column_edges[column][1] - 4
    for name in sorted(mine):
        run, lane = network.runs[name], plan.lanes[name]
        ends = {network.points[end.point].name for end in (run.start, run.end)}
        if plan.column_of[name] != column or lane.turn_y is None or len(ends) < 2:
            continue
        middle = (lane.x_at(start=True) + lane.x) / 2
        if run.start.point == point.name:
            return _Basin(left, middle - 2, cut_right=True)
        return _Basin(middle + 2, right, cut_left=True)
    return _Basin(left, right)


def _draw_basin(canvas: Canvas, shown: Shown, plan: Arrangement, point: Point, basin: _Basin) -> None:
    y, left, right = plan.y[point.name], basin.left, basin.right
    canvas.bands.append(Box(left, y - 12, right, y + TANK_DEPTH, point.name))
    canvas.rectangle(left, y, right - left, TANK_DEPTH, "water", BACK)
    canvas.line([(left, y - 12), (left, y + TANK_DEPTH), (right, y + TANK_DEPTH), (right, y - 12)], "tank", BACK)
    canvas.line([(left, y), (right, y)], "surface", BACK)
    canvas.polygon([(left + 3, y - 10), (left + 13, y - 10), (left + 8, y - 1)], "shape", BACK)
    words = height_words(point, shown.units)
    width = text_width(words, LINE_SIZE, bold=True)
    x = _free_x(shown.drawn, plan, point, left, right, width)
    inside = x + width <= right
    canvas.text(x, y + TANK_DEPTH + (-7 if inside else 14), words, "words bold", size=LINE_SIZE)


def _free_x(network: Network, plan: Arrangement, point: Point, left: float, right: float, width: float) -> float:
    """Return where the words begin so that no pipe from below runs through them."""
    pipes = sorted(
        plan.lanes[run.name].x_at(start)
        for run, _, start in network.runs_at(point.name)
        if plan.lanes[run.name].bottom > plan.y[point.name] + 1 and left < plan.lanes[run.name].x < right
    )
    for near, far in zip([left, *pipes], [*pipes, right], strict=True):
        if far - near >= width + 16:
            return near + 8
    return left + 8


def _draw_opening(canvas: Canvas, shown: Shown, plan: Arrangement, point: Point) -> None:
    """Draw an outlet above the water, or a supply: an open mouth for every line there, with its name and height."""
    y, words = plan.y[point.name], height_words(point, shown.units)
    ends = [(plan.lanes[run.name], start) for run, _, start in shown.drawn.runs_at(point.name)]
    for x in sorted({lane.x_at(start) for lane, start in ends}):
        here = [(lane, start) for lane, start in ends if lane.x_at(start) == x]
        canvas.line([(x - 8, y), (x + 8, y)], "pipe", MARKS)
        if any(start and lane.turn_y is not None for lane, start in here):  # a detour: its lane is near on the right
            canvas.text(x - 12, y + 4, words, "words bold", size=LINE_SIZE, anchor="end")
            continue
        above, below = any(lane.top < y - 1 for lane, _ in here), any(lane.bottom > y + 1 for lane, _ in here)
        left, base = (x + 12, y + 4) if above and below else (x - 8, y - 6 if below else y + 15)
        canvas.text(left, base, words, "words bold", size=LINE_SIZE)


def _draw_tee(canvas: Canvas, shown: Shown, plan: Arrangement, point: Point) -> None:
    y, x = plan.y[point.name], plan.x[point.name]
    places = [plan.lanes[run.name].x_at(start) for run, _, start in shown.drawn.runs_at(point.name)]
    if not places:
        return
    canvas.line([(min(places), y), (max(places), y)], "pipe", BACK)
    canvas.bands.append(Box(min(places), y - 6, max(places), y + 6, point.name))
    item = shown.drawn.tees[point.name].item if point.name in shown.drawn.tees else None
    kind = Kind.CROSS if point.kind is PointKind.CROSS else Kind.TEE
    kind = kind if item is None else item.kind
    draw_symbol(canvas, kind, Spot(x, y, down=True))
    if point.name in shown.new_tees | shown.gone_tees:
        draw_badge(canvas, x - 15, y - 10, new=point.name in shown.new_tees)


def _draw_hops(canvas: Canvas, network: Network, plan: Arrangement) -> None:
    """Draw every level line that crosses an upright one with a hop over it: it must never look like a tee."""
    for x, y in crossings_of(network, plan):
        canvas.line([(x, y - 6), (x, y + 6)], "gap", BACK)
        arc = [(x - HOP * math.cos(turn), y - HOP * math.sin(turn)) for turn in (math.pi * i / 8 for i in range(9))]
        canvas.line(arc, "pipe", BACK)


def crossings_of(network: Network, plan: Arrangement) -> Iterable[tuple[float, float]]:
    """Yield where a bar at a tee, or the way of a detour, crosses an upright line that it has nothing to do with."""
    levels = []
    for lane in plan.lanes.values():
        if lane.turn_y is not None:
            x = lane.x_at(start=True)
            levels.append((lane.turn_y, min(x, lane.x), max(x, lane.x)))
    for point in network.points.values():
        ends = [plan.lanes[run.name].x_at(start) for run, _, start in network.runs_at(point.name)]
        if not point.is_fixed and ends:
            levels.append((plan.y[point.name], min(ends), max(ends)))
    for y, left, right in levels:
        for x, top, bottom in _uprights(network, plan):
            if left + 1 < x < right - 1 and top + 1 < y < bottom - 1:
                yield x, y


def _draw_run(canvas: Canvas, shown: Shown, plan: Arrangement, name: str) -> None:
    run, lane = shown.drawn.runs[name], plan.lanes[name]
    top, bottom = _ends(shown.drawn, plan, name)
    canvas.uprights.append(Upright(lane.x, top, bottom, shown.name_of(name)))
    for piece in _pieces(shown, name, lane, top, bottom):
        canvas.line([(lane.x, piece.top), (lane.x, piece.bottom)], piece.role)
    for slot in lane.slots:
        if slot.block.index is None:
            _draw_heading(canvas, shown, lane, slot, name)
        else:
            _draw_part(canvas, shown, lane, slot, name, run.parts[slot.block.index])


@dataclass(frozen=True, slots=True)
class _Piece:
    top: float
    bottom: float
    role: str


def _pieces(shown: Shown, name: str, lane: Lane, top: float, bottom: float) -> Iterable[_Piece]:
    """Yield the upright line in pieces: each part's stretch in the role of what happens to it."""
    parts = [slot for slot in lane.slots if slot.block.index is not None]
    edges = [top, *(slot.top for slot in parts[1:]), bottom] if parts else [top, bottom]
    for place, (start, end) in enumerate(pairwise(edges)):
        role = part_role(shown, name, parts[place].block.index if parts else None)
        yield _Piece(start, end, role)


def part_role(shown: Shown, name: str, index: int | None) -> str:
    """Return how the pipe is drawn at a part: plain, new or coming out."""
    if index is not None and (name, index) in shown.new:
        return "new-pipe"
    return "old-pipe" if index is not None and (name, index) in shown.gone else "pipe"


def _ends(network: Network, plan: Arrangement, name: str) -> tuple[float, float]:
    """Return from where to where the line is drawn: a little way into the water of a basin."""
    run, lane = network.runs[name], plan.lanes[name]
    wet = {plan.y[end.point] for end in (run.start, run.end) if network.points[end.point].kind is PointKind.SURFACE}
    top = lane.top + (DIP if lane.top in wet and lane.turn_y != lane.top else 0.0)
    return top, lane.bottom + (DIP if lane.bottom in wet and lane.turn_y != lane.bottom else 0.0)


def _draw_way_out(canvas: Canvas, shown: Shown, plan: Arrangement, name: str) -> None:
    """Draw the bare upright of a detour and the turn into its lane."""
    lane, run = plan.lanes[name], shown.drawn.runs[name]
    if lane.turn_y is None:
        return
    wet = shown.drawn.points[run.start.point].kind is PointKind.SURFACE
    y, x = plan.y[run.start.point] + (DIP if wet else 0.0), lane.x_at(start=True)
    canvas.line([(x, y), (x, lane.turn_y), (lane.x, lane.turn_y)], "pipe", BACK)
    canvas.bands.append(Box(x, lane.turn_y - 4, lane.x, lane.turn_y + 4, name))


def _draw_heading(canvas: Canvas, shown: Shown, lane: Lane, slot: Slot, name: str) -> None:
    y = slot.top + 11
    for place, line in enumerate(slot.block.lines):
        role, size = ("words bold halo", NAME_SIZE) if place < slot.block.bold else ("words halo", LINE_SIZE)
        canvas.text(lane.x + TEXT_LEFT, y, line, role, size=size)
        y += LINE_STEP
    _draw_arrow(canvas, shown, lane, slot, name)


def _draw_arrow(canvas: Canvas, shown: Shown, lane: Lane, slot: Slot, name: str) -> None:
    """Draw which way the water runs; hollow in a drain, for how much runs there the tank decides."""
    drains = name in shown.drain_runs
    flow = 1.0 if drains else shown.flows_m3_s.get(name, 0.0)
    if abs(flow) > 1e-9:
        tip = 7 if lane.down == (flow > 0) else -7
        y, role = slot.middle, "shape" if drains else "solid"
        canvas.polygon([(lane.x - 6, y - tip), (lane.x + 6, y - tip), (lane.x, y + tip)], role)


def _draw_part(canvas: Canvas, shown: Shown, lane: Lane, slot: Slot, name: str, part: Part) -> None:
    index = slot.block.index
    place = (name, index if index is not None else -1)
    spot = Spot(lane.x, slot.middle, lane.down != widens(part), part_role(shown, name, index))
    draw_symbol(canvas, part.kind, spot)
    if part.stub:
        draw_stub(canvas, spot)
    if place in shown.new or place in shown.gone:
        draw_badge(canvas, lane.x - LANE_LEFT + 9, slot.middle, new=place in shown.new)
    lines = slot.block.lines
    y = slot.middle - PART_STEP / 2 * (len(lines) - 1) + 4
    for line in lines:
        canvas.text(lane.x + TEXT_LEFT, y, line, "words halo", size=PART_SIZE)
        y += PART_STEP


def widens(part: Part) -> bool:
    """Return whether a part leads from a narrow pipe to a wider one, as its run is written."""
    return part.kind in _WIDENS and len(part.end_bores_m) > 1 and part.end_bores_m[1] > part.end_bores_m[0]


def draw_badge(canvas: Canvas, x: float, y: float, *, new: bool) -> None:
    """Draw the letter of what is put in (N, on a dark square) or comes out (X, on a pale one), centred at (x, y)."""
    canvas.rectangle(x - 6.5, y - 6.5, 13, 13, "new-badge" if new else "old-badge", MARKS)
    letter, role = ("N", "on-new bold") if new else ("X", "old-words bold")
    canvas.text(x, y + 4.5, letter, role, size=PART_SIZE, anchor="middle")


def _told(shown: Shown, run: str) -> str:
    words = flow_words(shown.flows_m3_s[run], shown.units)
    return doubt_of(shown.network, shown.flows_m3_s).words(run, words)


def describe(shown: Shown) -> str:
    """Return the picture in words: every run with its ends and its flow, every drain with what it takes."""
    runs = [
        f"{run.name} from {run.start.point} to {run.end.point}"
        + (f" carries {_told(shown, run.name)}" if run.name in shown.flows_m3_s else "")
        for run in shown.network.runs.values()
    ]
    runs += [
        f"{one.name} ({', '.join(one.lines)}) from {one.run.start.point} to {one.run.end.point}" for one in shown.drains
    ]
    marks = [
        f"{len(shown.new)} new parts are marked N." if shown.new else "",
        f"{len(shown.gone)} parts that come out are marked X." if shown.gone else "",
        f"Leak probes belong on the floor below {' and '.join(shown.probes)}." if shown.probes else "",
    ]
    return " ".join(part for part in ("; ".join(runs) + ".", *marks) if part)
