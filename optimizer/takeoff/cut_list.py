"""A plan → its cut list: every new piece of pipe with its length at the saw, and the sticks that they come from.

The lengths of a system file are what shows between two fittings, face to face. At the saw the depth of the socket at
each end comes on top, for the pipe goes in to the stop. Where new fittings are longer or shorter than the old ones, the
new pipe beside them makes up for it, so that bends, tees, pumps and devices stay where they are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.ends import End
from optimizer.model.network import LEGS, Network, Run
from optimizer.model.note import Note
from optimizer.model.plan import Plan, planned_network
from optimizer.model.stock import StickRule
from optimizer.takeoff.cutting import CutPlan
from optimizer.takeoff.fit import Fit, fit_run, fitted
from optimizer.takeoff.fitted import RunEnds
from optimizer.takeoff.list_price import PipeShop

KERF_M = 0.003175  # a saw cut, 1/8 in.: common practice, no source
_SOLD_BY_LENGTH = (Kind.HOSE, Kind.TUBE)  # off a coil
_ALL = (Kind.PIPE, *_SOLD_BY_LENGTH)


@dataclass(frozen=True, slots=True)
class CutPiece:
    """One new piece of pipe, hose or tube. `position` counts the parts of its run from 1, as one walks along it."""

    mark: str  # written on the piece: 1, 2, 3 ...
    run: str
    position: int
    item: CatalogItem
    face_to_face_m: float  # what shows when it is in place
    added_m: float  # of that: what makes up for fittings longer or shorter than the old ones
    cut_m: float  # length at the saw
    after: str  # what it starts in
    before: str  # what it ends in
    start_depth_m: float = 0.0  # how deep it goes in at its start, and at its end
    end_depth_m: float = 0.0


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
    notes: tuple[Note, ...] = ()  # what a person must measure or see to in place
    fits: Mapping[str, Fit] = field(default_factory=dict)  # of every run that changes


def cut_list(
    network: Network,
    plan: Plan,
    catalog: Catalog,
    rules: tuple[StickRule, ...],
    *,
    owned_m: Mapping[str, Sequence[float]] | None = None,
    store: str = "",
    quoted_cents: Mapping[str, int] | None = None,
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
    quoted_cents
        What a store asks for a stick, by its `stick_id`.

    A piece that is longer than every length of the store is cut to order.
    """
    shop = PipeShop(rules, True, store, owned_m or {}, quoted_cents or {}, KERF_M)
    fits = fits_of(network, plan, catalog)
    pieces, notes = _new_pipe(network, plan, catalog, fits)
    pipes = []
    for item in _items(pieces):
        own = tuple(piece for piece in pieces if piece.item.item_id == item.item_id)
        pipes.append(PipeCuts(item, own, shop.cut(item, [piece.cut_m for piece in own])))
    return CutList(pieces, tuple(pipes), KERF_M, plan.currency, notes, fits)


def new_pipe(network: Network, plan: Plan, catalog: Catalog) -> tuple[tuple[CutPiece, ...], tuple[Note, ...]]:
    """Return all new pieces of pipe, hose and tube in the order of the runs, and what a person must see to."""
    return _new_pipe(network, plan, catalog, fits_of(network, plan, catalog))


def fits_of(network: Network, plan: Plan, catalog: Catalog) -> Mapping[str, Fit]:
    """Return of every run that changes how its new pipe makes up for its new fittings, and what stays of the old."""
    planned = planned_network(network, plan)
    return {name: _fit(network, planned, name, catalog) for name in plan.runs if _changes(planned.runs[name])}


def _new_pipe(
    network: Network, plan: Plan, catalog: Catalog, fits: Mapping[str, Fit]
) -> tuple[tuple[CutPiece, ...], tuple[Note, ...]]:
    planned = planned_network(network, plan)
    notes = tuple(note for fit in fits.values() for note in fit.notes)
    return tuple(_pieces(planned, fits, catalog)), notes


def _changes(run: Run) -> bool:
    return any(not part.existing for part in run.parts)


def _fit(network: Network, planned: Network, name: str, catalog: Catalog) -> Fit:
    """Return how the new pipe of a run makes up for its new fittings."""
    old = network.runs[name]
    depths_m = catalog.socket_depths_m
    return fit_run(old, planned.runs[name].parts, _ends(network, old), _ends(planned, old), depths_m)


def _ends(network: Network, run: Run) -> RunEnds:
    points = (run.start.point, run.end.point)
    tees = [network.tees.get(point) for point in points]
    first, last = (tee.item if tee is not None else None for tee in tees)
    kept_first, kept_last = (tee is None or tee.existing for tee in tees)
    return RunEnds((first, last), (tees[0] is None, tees[1] is None), (kept_first, kept_last))


def _items(pieces: Sequence[CutPiece]) -> list[CatalogItem]:
    """Return each kind of rigid pipe once, in the order of the pieces."""
    found = {piece.item.item_id: piece.item for piece in pieces if piece.item.kind not in _SOLD_BY_LENGTH}
    return list(found.values())


def _pieces(planned: Network, fits: Mapping[str, Fit], catalog: Catalog) -> list[CutPiece]:
    found: list[CutPiece] = []
    for name, fit in fits.items():
        run = replace(planned.runs[name], parts=fitted(planned.runs[name].parts, fit))
        for index, part in enumerate(run.parts):
            if part.kind in _ALL and not part.existing and part.item is not None:
                added_m = fit.added_m.get(index, 0.0)
                found.append(_piece(str(len(found) + 1), planned, run, index, part.item, added_m, catalog))
    return found


def _piece(
    mark: str, planned: Network, run: Run, index: int, item: CatalogItem, added_m: float, catalog: Catalog
) -> CutPiece:
    first, after = _neighbour(planned, run, index, -1)
    last, before = _neighbour(planned, run, index, +1)
    depths_m = [catalog.socket_depths_m.get(end, 0.0) if end is not None else 0.0 for end in (first, last)]
    return CutPiece(
        mark=mark,
        run=run.name,
        position=index + 1,
        item=item,
        face_to_face_m=run.parts[index].length_m,
        added_m=added_m,
        cut_m=run.parts[index].length_m + sum(depths_m),
        after=after,
        before=before,
        start_depth_m=depths_m[0],
        end_depth_m=depths_m[1],
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
    if tee.item is None or run_end.leg not in LEGS:
        return None, words
    return tee.item.ends[LEGS.index(run_end.leg)], words
