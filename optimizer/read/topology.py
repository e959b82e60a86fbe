"""The `from` and `to` of all runs → points and the legs of tees: where runs begin, end and meet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from optimizer.model.network import Leg, Point, PointKind, RunEnd
from optimizer.read.nodes import Place, Reading, nearest

_LEG_WORDS = {
    " branch": Leg.BRANCH,
    " branch 1": Leg.BRANCH,
    " branch 2": Leg.BRANCH_2,
    " run 1": Leg.RUN_1,
    " run 2": Leg.RUN_2,
    " run": Leg.NONE,
}
_BRANCHES = (Leg.BRANCH, Leg.BRANCH_2)
_LEGS = {
    PointKind.TEE: (Leg.RUN_1, Leg.RUN_2, Leg.BRANCH),
    PointKind.CROSS: (Leg.RUN_1, Leg.RUN_2, Leg.BRANCH, Leg.BRANCH_2),
}


@dataclass(frozen=True, slots=True)
class EndText:
    """One end of a run as written: `text` is the value of `from` or `to`."""

    run: str
    at_start: bool
    text: str
    place: Place

    @property
    def key(self) -> str:
        return "from" if self.at_start else "to"


@dataclass(frozen=True, slots=True)
class _Met:
    end: EndText
    leg: Leg | None  # None: the text does not say


@dataclass(frozen=True)
class Layout:
    """All points, and for each run end (run, at_start) where it sits."""

    points: Mapping[str, Point]
    ends: Mapping[tuple[str, bool], RunEnd]
    tee_places: Mapping[str, Place]  # where each tee is first named


def lay_out(reading: Reading, ends: Sequence[EndText], fixed: Mapping[str, Point], complete: bool) -> Layout:
    """Return the points at which runs meet.

    `complete` says that every run has both its ends; otherwise no count of runs at a point can be trusted and only what
    is wrong for certain is noted.
    """
    met: dict[str, list[_Met]] = {}
    for end in ends:
        name, leg = point_and_leg(end.text, fixed)
        met.setdefault(name, []).append(_Met(end, leg))
    points, found = dict(fixed), {}
    for name, here in met.items():
        if name in fixed:
            _note_legs_at_fixed(reading, fixed[name], here)
            found.update({(each.end.run, each.end.at_start): RunEnd(name) for each in here})
        elif kind := _kind_of_meeting(
            reading, name, here, [*fixed, *(other for other in met if other != name)], complete
        ):
            points[name] = Point(name, kind)
            found.update(_legs(reading, name, kind, here))
    places = {name: here[0].end.place for name, here in met.items() if name not in fixed}
    return Layout(points, found, places)


def point_and_leg(text: str, fixed: Mapping[str, Point]) -> tuple[str, Leg | None]:
    """Return (point, leg) of `manifold branch`; a declared name counts as a whole."""
    if text in fixed:
        return text, None
    for words, leg in _LEG_WORDS.items():
        if text.lower().endswith(words) and len(text) > len(words):
            return text[: -len(words)].rstrip(), leg
    return text, None


def _note_legs_at_fixed(reading: Reading, point: Point, here: Sequence[_Met]) -> None:
    for each in here:
        if each.leg is not None:
            reading.fault(
                each.end.place, f"'{each.end.text}', but '{point.name}' is no tee ({point.kind})", f"'{point.name}'"
            )


def _kind_of_meeting(
    reading: Reading, name: str, here: Sequence[_Met], others: Sequence[str], complete: bool
) -> PointKind | None:
    """Return whether a tee or a cross is here, or note what else is."""
    if len(here) == 3:
        return PointKind.TEE
    if len(here) == 4:
        return PointKind.CROSS
    end = here[0].end
    if len(here) > 4:
        reading.fault(end.place, f"{len(here)} runs that meet at '{name}'", "three runs at a tee, four at a cross")
    elif len(here) == 1 and (complete or nearest(name, others)):
        allowed = "a surface, outlet or supply of this file, or a tee where three runs meet"
        reading.fault(
            end.place,
            f"run '{end.run}', which goes nowhere: '{name}' is the end of no other run",
            allowed,
            nearest(name, others),
        )
    elif len(here) == 2 and complete:
        allowed = "three runs at a tee, or one run that goes on where the other ends"
        pair = f"'{here[0].end.run}' and '{here[1].end.run}'"
        reading.fault(
            here[1].end.place,
            f"only two runs, {pair}, at '{name}'",
            allowed,
        )
    return None


def _legs(reading: Reading, name: str, kind: PointKind, here: Sequence[_Met]) -> dict[tuple[str, bool], RunEnd]:
    """Return which leg of a tee or cross every run end sits in: the run that says `branch`, and the two others."""
    branches = sorted((each for each in here if each.leg in _BRANCHES), key=lambda each: each.leg is Leg.BRANCH_2)
    straight = [each for each in here if each.leg not in _BRANCHES]
    wanted = len(_LEGS[kind]) - 2
    if len(branches) != wanted:
        _note_disagreement(reading, name, kind, here, branches)
        return {}
    straight.sort(key=lambda each: {Leg.RUN_1: 0, Leg.RUN_2: 3}.get(each.leg or Leg.NONE, 1 + each.end.at_start))
    if straight[0].leg is straight[1].leg and straight[0].leg in (Leg.RUN_1, Leg.RUN_2):
        pair = f"'{straight[0].end.run}' and '{straight[1].end.run}'"
        reading.fault(
            straight[1].end.place,
            f"runs {pair}, which disagree on tee '{name}': both say {straight[0].leg}",
            "one run in each leg",
        )
    row = [*straight, *branches]
    return {(each.end.run, each.end.at_start): RunEnd(name, leg) for each, leg in zip(row, _LEGS[kind], strict=True)}


def _note_disagreement(
    reading: Reading, name: str, kind: PointKind, here: Sequence[_Met], branches: Sequence[_Met]
) -> None:
    runs = ", ".join(f"'{each.end.run}'" for each in here)
    wanted = "one of them the branch" if kind is PointKind.TEE else "two of them the branches"
    allowed = f"{wanted}, written '{here[-1].end.key}: {name} branch'"
    if not branches:
        reading.fault(here[0].end.place, f"runs {runs} at {kind} '{name}', none of them its branch", allowed)
        return
    claims = " and ".join(f"'{each.end.run}'" for each in branches)
    verb = "both say branch" if len(branches) == 2 else f"{len(branches)} say branch"
    reading.fault(branches[-1].end.place, f"runs {claims}, which disagree on {kind} '{name}': {verb}", allowed)


def note_islands(reading: Reading, layout: Layout, runs: Mapping[str, Place]) -> None:
    """Note runs from which no surface, outlet or supply can be reached: their pressure would be anyone's guess."""
    joined = {
        run: {layout.ends[run, True].point, layout.ends[run, False].point}
        for run in runs
        if (run, True) in layout.ends and (run, False) in layout.ends
    }
    open_water = {name for name, point in layout.points.items() if point.is_fixed}
    reached: set[str] = set(open_water)
    while more := {name for pair in joined.values() if pair & reached for name in pair} - reached:
        reached |= more
    lost = [run for run, pair in joined.items() if not pair & reached]
    if lost:
        names = ", ".join(f"'{run}'" for run in lost)
        reading.fault(runs[lost[0]], f"runs {names}, which meet no open water", "a way to a surface, outlet or supply")
