"""A run as it stands and as planned → which part stood where, and which joints are made anew."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.model.catalog import PIPES
from optimizer.model.network import Network, Part


def old_places(parts: Sequence[Part], old: Sequence[Part]) -> list[int | None]:
    """Return where each kept part stood in the old run; None for a new one, and for a piece of a pipe sawn through.

    The old run's own parts are told first. What is only like one of them may be a piece of another pipe, as long as
    that one by chance: it counts where it stands between the same two of them.
    """
    own = _own_places(parts, old)
    found: list[int | None] = []
    at = 0
    for index, part in enumerate(parts):
        place = own[index]
        if place is None and part.existing:
            end = next((later for later in own[index:] if later is not None), len(old))
            place = next((i for i in range(at, end) if old[i] == part), None)
        found.append(place)
        at = at if place is None else place + 1
    return found


def _own_places(parts: Sequence[Part], old: Sequence[Part]) -> list[int | None]:
    found: list[int | None] = []
    at = 0
    for part in parts:
        place = next((i for i in range(at, len(old)) if old[i] is part), None)
        found.append(place)
        at = at if place is None else place + 1
    return found


def cut_from(piece: Part, old: Sequence[Part], index: int, places: Sequence[int | None]) -> int:
    """Return which pipe of the old run a piece was sawn from: the one beside what stays next to it.

    Where both its neighbours are new it is the first pipe that it may come from, behind the last part that stayed.
    """

    def may_be(place: int) -> bool:
        pipe = old[place] if 0 <= place < len(old) else None
        return pipe is not None and pipe.kind in PIPES and pipe.item == piece.item and pipe.length_m > piece.length_m

    before = places[index - 1] if index > 0 else -1
    after = places[index + 1] if index + 1 < len(places) else len(old)
    beside = [*([before + 1] if before is not None else []), *([after - 1] if after is not None else [])]
    last = max((place for place in places[:index] if place is not None), default=-1)
    return next((place for place in (*beside, *range(last + 1, len(old))) if may_be(place)), last + 1)


def joints_made(
    parts: Sequence[Part], places: Sequence[int | None], count: int, tees_kept: tuple[bool, bool]
) -> list[bool]:
    """Return for every joint of a planned run, before each part and behind the last, whether it is made anew.

    `places` says where each part stood in the old run of `count` parts. A piece of a pipe that was sawn through keeps
    the joint at its far end; where a run ends in open water there is no joint, and none is made.
    """
    made = []
    for joint in range(len(parts) + 1):
        before = -1 if joint == 0 else places[joint - 1]
        after = count if joint == len(parts) else places[joint]
        if joint == 0:
            made.append(not tees_kept[0] or not (_stays(parts, 0) and (after == 0 or after is None)))
        elif joint == len(parts):
            last = _stays(parts, joint - 1) and (before == count - 1 or before is None)
            made.append(not tees_kept[1] or not last)
        elif before is None or after is None:
            both = parts[joint - 1].existing and parts[joint].existing
            made.append(not both)
        else:
            made.append(after != before + 1)
    return made


def _stays(parts: Sequence[Part], index: int) -> bool:
    return index < len(parts) and parts[index].existing


def tees_kept(stood: Network, planned: Network, run: str) -> tuple[bool, bool]:
    """Return whether the fittings at a run's two ends stay; where there is none, nothing is changed there."""
    ends = (planned.runs[run].start, planned.runs[run].end)
    kept = []
    for end in ends:
        tee = planned.tees.get(end.point)
        was = stood.tees.get(end.point)
        kept.append(tee is None or (tee.existing and was is not None and was.item is not None))
    return kept[0], kept[1]
