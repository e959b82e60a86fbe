"""A plan → its cut list: every new piece of pipe with its length at the saw, and the sticks that they come from.

The lengths of a system file are what shows between two fittings, face to face. At the saw the depth of the socket at
each end comes on top, for the pipe goes in to the stop.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.ends import End
from optimizer.model.network import Leg, Network, Part, Run
from optimizer.model.plan import Plan, planned_network
from optimizer.model.stock import StickRule, sticks_of
from optimizer.takeoff.cutting import CutPlan, cut_sticks

KERF_M = 0.003175  # a saw cut, 1/8 in.: common practice, no source
_LEGS = (Leg.RUN_1, Leg.RUN_2, Leg.BRANCH, Leg.BRANCH_2)
_SOLD_BY_LENGTH = (Kind.HOSE, Kind.TUBE)  # off a coil
_ALL = (Kind.PIPE, *_SOLD_BY_LENGTH)
MEASURE = (
    "Lengths are face to face, as they show between two fittings; what goes into the sockets is in the cut length."
)


@dataclass(frozen=True, slots=True)
class CutPiece:
    """One new piece of pipe, hose or tube. `position` counts the parts of its run from 1, as one walks along it."""

    mark: str  # written on the piece: 1, 2, 3 ...
    run: str
    position: int
    item: CatalogItem
    face_to_face_m: float
    cut_m: float  # length at the saw
    after: str  # what it starts in
    before: str  # what it ends in


@dataclass(frozen=True, slots=True)
class PipeCuts:
    """One kind of pipe: its pieces, and how they are cut from sticks. `pieces` go by the places in `plan`'s cuts."""

    item: CatalogItem
    pieces: tuple[CutPiece, ...]
    plan: CutPlan

    def marks(self, cuts: Sequence[int]) -> tuple[str, ...]:
        """Return the marks of the pieces that a stick gives."""
        return tuple(self.pieces[place].mark for place in cuts)


@dataclass(frozen=True, slots=True)
class CutList:
    """All pieces in the order of the runs, and the sticks of every pipe. Hose and tube come off a coil: no sticks."""

    pieces: tuple[CutPiece, ...]
    pipes: tuple[PipeCuts, ...]
    kerf_m: float
    currency: str


def cut_list(
    network: Network,
    plan: Plan,
    catalog: Catalog,
    rules: tuple[StickRule, ...],
    *,
    owned_m: Mapping[str, Sequence[float]] | None = None,
    store: str = "",
    kerf_m: float = KERF_M,
) -> CutList:
    """Return what to cut and from which sticks.

    Parameters
    ----------
    network, plan
        The plumbing as it stands and a plan that was found for it.
    catalog
        For the depth of every socket.
    rules, store
        In which lengths pipe is sold, and at which store; empty: the default one.
    owned_m
        Lengths of pipe that the owner has [m], by item id: used first, at no cost.
    kerf_m
        What a saw cut takes [m].

    Raises
    ------
    PlanError
        When a piece is longer than every stick.
    """
    pieces = tuple(_pieces(planned_network(network, plan), plan, catalog))
    owned = owned_m or {}
    pipes = []
    for item in _items(pieces):
        own = tuple(piece for piece in pieces if piece.item.item_id == item.item_id)
        lengths_m = [piece.cut_m for piece in own]
        cuts = cut_sticks(lengths_m, sticks_of(item, rules, store), kerf_m, owned.get(item.item_id, ()))
        pipes.append(PipeCuts(item, own, cuts))
    return CutList(pieces, tuple(pipes), kerf_m, plan.currency)


def _items(pieces: Sequence[CutPiece]) -> list[CatalogItem]:
    """Return each kind of rigid pipe once, in the order of the pieces."""
    found = {piece.item.item_id: piece.item for piece in pieces if piece.item.kind not in _SOLD_BY_LENGTH}
    return list(found.values())


def _pieces(planned: Network, plan: Plan, catalog: Catalog) -> list[CutPiece]:
    found: list[CutPiece] = []
    for name in plan.runs:
        run = planned.runs[name]
        for index, part in enumerate(run.parts):
            if part.kind in _ALL and not part.existing and part.item is not None:
                found.append(_piece(str(len(found) + 1), planned, run, index, part, part.item, catalog))
    return found


def _piece(
    mark: str, planned: Network, run: Run, index: int, part: Part, item: CatalogItem, catalog: Catalog
) -> CutPiece:
    first, after = _neighbour(planned, run, index, -1)
    last, before = _neighbour(planned, run, index, +1)
    depth_m = sum(catalog.socket_depths_m.get(end, 0.0) for end in (first, last) if end is not None)
    return CutPiece(
        mark=mark,
        run=run.name,
        position=index + 1,
        item=item,
        face_to_face_m=part.length_m,
        cut_m=part.length_m + depth_m,
        after=after,
        before=before,
    )


def _neighbour(planned: Network, run: Run, index: int, step: int) -> tuple[End | None, str]:
    """Return the end that faces a piece on one side, and what offers it; None where the pipe opens into water."""
    place = index + step
    if 0 <= place < len(run.parts):
        other = run.parts[place]
        return other.ends[-1 if step < 0 else 0], other.words
    run_end = run.start if step < 0 else run.end
    tee = planned.tees.get(run_end.point)
    if tee is None:
        return None, f"open end at {run_end.point}"
    words = f"{tee.item.description} at {run_end.point}" if tee.item is not None else run_end.point
    if tee.item is None or run_end.leg not in _LEGS:
        return None, words
    return tee.item.ends[_LEGS.index(run_end.leg)], words
