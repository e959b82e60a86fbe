"""A run as it stands and as planned → the places that change, each between two things that stay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from optimizer.model.catalog import PIPES, CatalogItem, Kind
from optimizer.model.ends import End
from optimizer.model.network import LEGS, Network, Part, Run
from optimizer.model.plan import Plan, RunPlan


@dataclass(frozen=True, slots=True)
class Side:
    """What stays on one side of a place that changes, and what it was joined to."""

    words: str
    end: End | None
    part: Part | None
    neighbour_end: End | None
    neighbour: Part | None
    neighbour_words: str


@dataclass(frozen=True, slots=True)
class Place:
    """One place of a run that changes: between two things that stay (None: open water, or a tee that goes).

    `new` are places in the planned run; `joint` is the joint there where nothing new stands between.
    """

    left: Side | None
    right: Side | None
    new: tuple[int, ...]
    joint: int
    left_words: str
    right_words: str


@dataclass(frozen=True, slots=True)
class TeeSide:
    """The tee at one end of a run: its opening as it stands and as planned; `water`: there is none."""

    point: str
    old: End | None
    new: End | None
    kept: bool
    water: bool


def tee_side(network: Network, plan: Plan, run: Run, side: int) -> TeeSide:
    """Return the tee at a run's start (side 0) or end (1)."""
    end = (run.start, run.end)[side]
    old = network.tees.get(end.point)
    if old is None:
        return TeeSide(end.point, None, None, True, True)
    tee_plan = plan.tees.get(end.point)
    kept = tee_plan is None or tee_plan.tee.existing
    new = old if tee_plan is None else tee_plan.tee
    return TeeSide(end.point, _opening(old.item, end.leg), _opening(new.item, end.leg), kept, False)


def _opening(item: CatalogItem | None, leg: object) -> End | None:
    return item.ends[LEGS.index(leg)] if item is not None and leg in LEGS else None


def places_of(run: Run, run_plan: RunPlan, first: TeeSide, last: TeeSide) -> list[Place]:
    """Return the places of a run that change, in the order of the water."""
    old, new = run_plan.stood(run.parts), run_plan.parts
    stood = _old_places(old, run_plan)
    kept = [(index, place) for index, place in enumerate(stood) if place is not None]
    edges = [(-1, -1), *kept, (len(new), len(old))]
    found = []
    for (new_left, old_left), (new_right, old_right) in pairwise(edges):
        at_tee = (old_left == -1 and not first.kept) or (old_right == len(old) and not last.kept)
        fresh = tuple(range(new_left + 1, new_right))
        if fresh or old_right > old_left + 1 or at_tee:
            left = _side(old, old_left, +1, first, last)
            right = _side(old, old_right, -1, first, last)
            words = _border_words(old, old_left, old_right, first, last)
            found.append(Place(left, right, fresh, new_left + 1, *words))
    return found


def _old_places(old: Sequence[Part], run_plan: RunPlan) -> list[int | None]:
    """Return where each planned part stood, None for a new one; of two alike, the very one that stayed."""
    gone = {id(part) for part in run_plan.removed}
    left = [index for index, part in enumerate(old) if id(part) not in gone and part.kind is not Kind.OPEN_JOINT]
    count = sum(part.existing for part in run_plan.parts)
    if len(left) != count:  # not the very objects: by what they are, in order
        left = _matched(old, run_plan)
    places = iter(left)
    return [next(places) if part.existing else None for part in run_plan.parts]


def _matched(old: Sequence[Part], run_plan: RunPlan) -> list[int]:
    """Return where planned parts stood by what they are; both pieces of a sawn pipe stood in one place."""
    found, at = [], 0
    for part in run_plan.parts:
        if part.existing:
            place = next(index for index in range(at, len(old)) if old[index] == part or _is_cut_from(part, old[index]))
            found.append(place)
            at = place + (old[place] == part)
    return found


def _is_cut_from(piece: Part, pipe: Part) -> bool:
    shorter = pipe.kind in PIPES and piece.length_m < pipe.length_m
    return shorter and replace(pipe, length_m=piece.length_m) == piece


def _side(old: Sequence[Part], index: int, step: int, first: TeeSide, last: TeeSide) -> Side | None:
    """Return what stays at an index, as it faces the place that changes; None where nothing does."""
    if index in (-1, len(old)):
        tee, end_part = (first, old[0]) if index == -1 else (last, old[-1])
        if not tee.kept or tee.water or tee.old is None:
            return None
        end = end_part.ends[0 if index == -1 else -1] if end_part.ends else None
        return Side(f"the tee at {tee.point}", tee.old, None, end, end_part, f"the {end_part.words}")
    part, place = old[index], index + step
    mine = part.ends[-1 if step > 0 else 0]
    if 0 <= place < len(old):
        other = old[place]
        if other.kind is Kind.OPEN_JOINT:
            return Side(f"the {part.words}", mine, part, None, None, "")
        return Side(f"the {part.words}", mine, part, other.ends[0 if step > 0 else -1], other, f"the {other.words}")
    tee = last if step > 0 else first
    return Side(f"the {part.words}", mine, part, tee.old, None, f"the tee at {tee.point}")


def _border_words(old: Sequence[Part], left: int, right: int, first: TeeSide, last: TeeSide) -> tuple[str, str]:
    start = ("" if first.water else f"tee at {first.point}") if left == -1 else old[left].words
    end = ("" if last.water else f"tee at {last.point}") if right == len(old) else old[right].words
    return start, end
