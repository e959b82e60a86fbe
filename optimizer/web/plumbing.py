"""A plumbing with its flows → the drawing with a handle on every run, part, tee and water: a tree for keys and readers.

The picture itself is that of all documents; over it lie clear rectangles with names, which is what is chosen.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from html import escape

from optimizer.documents.drawing.arrangement import LANE_LEFT, TANK_DEPTH, TEXT_LEFT, Arrangement, Lane, Slot
from optimizer.documents.drawing.drains import ShownDrain
from optimizer.documents.drawing.labels import Shown, part_words, run_lines
from optimizer.documents.drawing.lanes import Order
from optimizer.documents.drawing.schematic import arranged, schematic_canvas
from optimizer.documents.drawing.svg import number
from optimizer.documents.words import clean
from optimizer.model.network import Network, Point, PointKind, Run
from optimizer.web.overlays import NOTHING, Mark, Overlay

_POINT_WORDS = {
    PointKind.SURFACE: "water of",
    PointKind.OUTLET: "outlet",
    PointKind.SUPPLY: "house water",
    PointKind.TEE: "tee",
    PointKind.CROSS: "cross",
}
_LONGEST = 20.0  # bar [pixels]: as much room as there is left of a pipe
ZOOM = 1.35  # on a screen: letters as large as those beside the drawing, and handles that a finger meets


@dataclass(frozen=True, slots=True)
class Drawn:
    """The drawing as HTML, and the order of its columns for the next one of the same runs."""

    html: str
    order: Order


def drawn_plumbing(
    shown: Shown,
    name: str,
    order: Order = (),
    chosen: str = "",
    living: bool = True,
    laid: Overlay = NOTHING,
    key: str = "picture",
) -> Drawn:
    """Return a plumbing drawn.

    Parameters
    ----------
    shown
        What is drawn.
    name
        What a screen reader says of it first.
    order
        That of the last drawing of the same runs.
    chosen
        The handle that is chosen, by its id.
    living
        Whether there are handles; without them it is a picture.
    laid
        What is laid over it.
    key
        The id of a picture, which no other one of the page has.
    """
    shown = _with_words(shown, laid) if laid is not NOTHING else shown
    plan = arranged(shown, order)
    canvas = schematic_canvas(shown, plan)
    width, height = canvas.width, canvas.height
    handles = _tree(shown, plan, chosen, laid) if living else ""
    role = "tree" if living else "img"
    html = (
        f'<svg class="pic plumbing" id="{"plumbing" if living else key}" role="{role}" '
        f'aria-label="{escape(clean(name))}" viewBox="0 0 {number(width)} {number(height)}" '
        f'width="{number(width * ZOOM)}" height="{number(height * ZOOM)}">\n'
        f'<g aria-hidden="true">\n{canvas.body()}\n{_marks(shown, plan, laid)}</g>\n{handles}</svg>\n'
    )
    return Drawn(html, plan.order)


def _with_words(shown: Shown, laid: Overlay) -> Shown:
    """Return what is drawn with the words of what is laid over it; a drain is told what it takes besides."""
    drains = {
        one.run.name: "\n".join((*one.lines, laid.said_of_drains[one.name]))
        for one in shown.drains
        if one.name in laid.said_of_drains
    }
    return replace(shown, said=laid.said, said_of_runs={**laid.said_of_runs, **drains})


def _marks(shown: Shown, plan: Arrangement, laid: Overlay) -> str:
    """Return the bars and signs of what is laid over the drawing, left of the pipes and at the right end of a water."""
    network, found = shown.drawn, []
    at_drains = {(one.run.name, -1): laid.at_drains[one.name] for one in shown.drains if one.name in laid.at_drains}
    for name, lane in plan.lanes.items():
        for slot in lane.slots:
            place = (name, -1 if slot.block.index is None else slot.block.index)
            mark = at_drains.get(place) if name in shown.drain_runs else laid.at_parts.get(place)
            if mark is not None and mark.share > 0.0:
                found.append(_bar(lane.x, slot.middle, mark.share))
            if mark is not None and mark.sign:
                found.append(_sign(lane.x - 19.0, slot.middle, mark))
    for name, mark in laid.at_points.items():
        if network.points[name].kind is PointKind.SURFACE and (box := _water_box(network, plan, name)):
            found.append(_sign(box[1] - 12.0, plan.y[name] + TANK_DEPTH / 2, mark))
        elif name in plan.x:
            found.append(_sign(plan.x[name] - 17.0, plan.y[name], mark))
    return "".join(found)


def _bar(x: float, y: float, share: float) -> str:
    long = max(1.5, _LONGEST * share)
    return f'<rect class="over" x="{number(x - 7 - long)}" y="{number(y - 4)}" width="{number(long)}" height="8"/>\n'


def _sign(x: float, y: float, mark: Mark) -> str:
    return (
        f'<g class="over-sign {mark.grade}"><circle cx="{number(x)}" cy="{number(y)}" r="8.5"/>'
        f'<text x="{number(x)}" y="{number(y + 4)}">{escape(mark.sign)}</text></g>\n'
    )


def _water_box(network: Network, plan: Arrangement, name: str) -> tuple[float, float] | None:
    """Return from where to where a water is drawn."""
    columns = [plan.column_edges[plan.column_of[run.name]] for run, _, _ in network.runs_at(name)]
    return (min(one[0] for one in columns) + 4, max(one[1] for one in columns) - 4) if columns else None


def _tree(shown: Shown, plan: Arrangement, chosen: str, laid: Overlay) -> str:
    """Return the handles: every run with its parts below it, then the drains and the points."""
    network = shown.drawn
    runs = (_run(shown, plan, place, name, chosen) for place, name in enumerate(shown.network.runs))
    drains = (_drain(plan, shown, one, chosen) for one in shown.drains)
    points = (_point(network, plan, place, one, chosen, laid) for place, one in enumerate(network.points.values()))
    return "".join((*runs, *drains, *points))


def _run(shown: Shown, plan: Arrangement, place: int, name: str, chosen: str) -> str:
    run, lane = shown.network.runs[name], plan.lanes[name]
    heading = next((slot for slot in lane.slots if slot.block.index is None), None)
    parts = "".join(
        _handle(f"part-{place}-{slot.block.index}", part_name(shown, run, slot.block.index), 2, chosen, lane, slot)
        for slot in sorted(lane.slots, key=lambda one: -1 if one.block.index is None else one.block.index)
        if slot.block.index is not None
    )
    own = f'<g role="group">{parts}</g>' if parts else ""
    if heading is None:
        return own
    return _handle(f"run-{place}", run_name(shown, run), 1, chosen, lane, heading, own)


def _drain(plan: Arrangement, shown: Shown, drain: ShownDrain, chosen: str) -> str:
    """Return the handle of a drain: one for all of it, from its name down to its last part."""
    lane = plan.lanes[drain.run.name]
    tops, bottoms = [slot.top for slot in lane.slots], [slot.bottom for slot in lane.slots]
    width = LANE_LEFT + TEXT_LEFT + max(24.0, *(slot.block.width for slot in lane.slots))
    box = (lane.x - LANE_LEFT + 2, min(tops), width, max(bottoms) - min(tops))
    stands = (lane.x, lane.slots[0].middle)
    return _item(f"drain-{drain.place}", drain_name(shown, drain), 1, chosen, box, stands)


def drain_name(shown: Shown, drain: ShownDrain) -> str:
    """Return what a drain is called aloud: its name, from where to where, what it takes, and its parts."""
    parts = ", ".join(part_words(shown, drain.run, index) for index in range(len(drain.run.parts)))
    ends = f"from {drain.run.start.point} to {drain.run.end.point}"
    return f"{drain.name}, {', '.join(run_lines(shown, drain.run.name))}, {ends}: {parts}"


def run_name(shown: Shown, run: Run) -> str:
    """Return what a run is called aloud: its name, from where to where, what it carries and loses."""
    return ", ".join((f"run {run.name} from {run.start.point} to {run.end.point}", *run_lines(shown, run.name)))


def part_name(shown: Shown, run: Run, index: int) -> str:
    """Return what a part is called aloud: its words, its run and its position in it."""
    return f"{part_words(shown, run, index)}, position {index + 1} of {len(run.parts)} in {run.name}"


def point_name(point: Point) -> str:
    return f"{_POINT_WORDS[point.kind]} {point.name}"


def _handle(key: str, name: str, level: int, chosen: str, lane: Lane, slot: Slot, inside: str = "") -> str:
    left = lane.x - LANE_LEFT + 2
    width = LANE_LEFT + TEXT_LEFT + max(slot.block.width, 24.0) + 2
    box = (left, slot.top, width, slot.bottom - slot.top)
    return _item(key, name, level, chosen, box, (lane.x, slot.middle), inside)


def _point(network: Network, plan: Arrangement, place: int, point: Point, chosen: str, laid: Overlay) -> str:
    """Return the handle of a tee, an outlet or a water; nothing for a point that no run leads to."""
    ends = [(plan.lanes[run.name].x_at(start)) for run, _, start in network.runs_at(point.name)]
    if not ends:
        return ""
    x, y = plan.x[point.name], plan.y[point.name]
    if point.kind is PointKind.SURFACE:
        left, right = _water_box(network, plan, point.name) or (x, x)
        box = (left, y + 10, right - left, 22.0)
    else:
        box = (x - 9, y - 9, 18.0, 18.0)
    said = laid.said_of_points.get(point.name, "")
    name = f"{point_name(point)}: {said}" if said else point_name(point)
    return _item(f"point-{place}", name, 1, chosen, box, (x, y))


def _item(
    key: str,
    name: str,
    level: int,
    chosen: str,
    box: tuple[float, float, float, float],
    stands: tuple[float, float],
    inside: str = "",
) -> str:
    """Return a handle; arrow keys lead from where one `stands` on its pipe to where the next does."""
    x, y, width, height = (number(value) for value in box)
    is_chosen, stop = key == chosen, key == (chosen or "run-0")  # one stop for the Tab key, arrows lead on
    opened = ' aria-expanded="true"' if inside else ""
    return (
        f'<g role="treeitem" id="{key}" class="handle" aria-level="{level}" tabindex="{0 if stop else -1}" '
        f'aria-selected="{"true" if is_chosen else "false"}"{opened} aria-label="{escape(clean(name))}" '
        f'data-x="{number(stands[0])}" data-y="{number(stands[1])}" '
        f'hx-get="/choose?at={key}" hx-include="#state" hx-target="#panel" hx-swap="innerHTML">'
        f'<rect class="touch" x="{x}" y="{y}" width="{width}" height="{height}" rx="4"/>{inside}</g>\n'
    )
