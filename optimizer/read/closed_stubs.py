"""Runs that end in a cap or a plug → a tee with one leg shut, as a part of the line that goes on through it.

Nothing flows in such a stub, and it stays as it is. What the water meets of it is the tee: passed straight, or, where
the stub sits in one of its run legs, turned in it as in an elbow.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from optimizer.model.catalog import Catalog, CatalogItem, Kind, LossData, LossMethod
from optimizer.model.ends import End, Form
from optimizer.model.network import Condition, Leg, Point
from optimizer.read.joined import RawRun
from optimizer.read.nodes import Reading
from optimizer.read.part_text import ClosedLeg, PartText, TeeText
from optimizer.read.run_text import sizes_along
from optimizer.read.topology import EndText, point_and_leg
from optimizer.read.unlisted import unlisted_branch
from optimizer.read.words import EndWords

CLOSERS = ("cap", "plug")
_STRAIGHT, _TURNED = 20.0, 60.0  # L/D through the run and through the branch of a tee: Crane TP-410, appendix A
_BAND = (0.7, 1.5)


@dataclass(frozen=True, slots=True)
class _At:
    """An end of another run at the tee of a stub."""

    run: RawRun
    end: EndText
    leg: Leg | None


def without_stubs(
    reading: Reading,
    runs: Sequence[RawRun],
    stubs: Sequence[RawRun],
    fixed: Mapping[str, Point],
    told: Mapping[str, TeeText],
    catalog: Catalog,
) -> tuple[list[RawRun], frozenset[str]]:
    """Return the runs with the tee of every closed stub as a part of the one that begins there, and these tees.

    At a cross the other three go on as at a tee. `told` is what the file says of the tees at stubs.
    """
    found = {run.name: run for run in runs}
    gone: set[str] = set()
    for stub in stubs:
        point, own = point_and_leg(stub.ends[0].text, fixed)
        met = [
            _At(run, end, leg)
            for run in found.values()
            for end in run.ends
            for at, leg in [point_and_leg(end.text, fixed)]
            if at == point
        ]
        if len(met) == 3 and point not in fixed:
            continue
        first = next((one for one in met if not one.end.at_start), None)
        second = next((one for one in met if one.end.at_start), None)
        if point in fixed or len(met) != 2 or first is None or second is None or stub.size is None:
            allowed = "a tee of which one run ends and another begins there, such as 'from: manifold branch'"
            reading.fault(stub.ends[0].place, f"closed stub '{stub.name}' at '{stub.ends[0].text}'", allowed)
            continue
        turns = own is not Leg.BRANCH
        kind = Kind.ELBOW if turns else Kind.TEE
        comes = sizes_along(first.run.text, catalog)[-1] if first.run.text is not None else None
        if stub.node is None or comes is None or second.run.size is None:
            continue
        node = replace(stub.node, text=f"tee with '{stub.name}' closed", place=stub.ends[0].place)
        sizes = (comes.size, second.run.size[0], stub.size[0])
        said = told.get(point)
        if said is not None:
            _note_what_a_stub_bars(reading, stub.name, said)
        gone.add(point)
        branch = turns and first.leg is Leg.BRANCH
        closed = ClosedLeg(sizes, turns, branch, stub.name, said.ends if said is not None else ())
        tee = PartText(kind, node.text or "", node, condition=Condition.KEEP, closed=closed)
        for one in (first, second):
            run = found[one.run.name]
            ends = tuple(replace(end, text=point) if end == one.end else end for end in run.ends)
            parts = (tee, *run.parts) if one is second else run.parts
            then = tuple((at + 1, size) for at, size in run.then) if one is second else run.then
            found[run.name] = replace(run, ends=ends, parts=parts, then=then)
        reading.remark(
            stub.place,
            [f"run '{stub.name}' is closed at its end: it carries no water and stays; its tee is part of the line"],
        )
    return list(found.values()), frozenset(gone)


def stub_points(stubs: Sequence[RawRun], fixed: Mapping[str, Point]) -> set[str]:
    """Return the points at which closed stubs hang."""
    return {point_and_leg(stub.ends[0].text, fixed)[0] for stub in stubs if stub.ends}


def _note_what_a_stub_bars(reading: Reading, stub: str, said: TeeText) -> None:
    """Note what cannot be said of the tee of a closed stub: it stands, stays, and is a tee."""
    if not said.plumbed or said.condition is Condition.MUST_GO:
        found = f"the tee of the closed stub '{stub}', which is to be gone or made"
        reading.fault(said.place, found, "a tee that stays; without the stub in the file the line has none")
    if said.kind not in (None, Kind.TEE):
        reading.fault(said.place, f"a {said.kind} at the closed stub '{stub}'", "a tee")


def closed_tee(part: PartText, family: str, catalog: Catalog) -> CatalogItem | None:
    """Return the tee of a stub as a piece with the two openings that water passes; None where an opening is unknown.

    One that no row is has its loss estimated, as any other tee.
    """
    assert part.closed is not None
    families = (*catalog.families_for(family), family)
    rows = [
        (item, ends)
        for item in catalog.of_kind(Kind.TEE)
        if item.family in families and (ends := _open_ends(item, part.closed)) is not None
    ]
    if not rows and (made_up := _unlisted(part.closed, family, catalog)) is not None:
        rows = [(made_up, ends)] if (ends := _open_ends(made_up, part.closed)) is not None else []
    if not rows:
        return None
    item, ends = min(rows, key=lambda row: (families.index(row[0].family), row[0].price_cents, row[0].item_id))
    bores = tuple(item.end_bores_m[i] for i in ends)
    over = _TURNED if part.closed.turns else _STRAIGHT
    two: tuple[End, ...] = tuple(item.ends[i] for i in ends)
    return replace(
        item,
        item_id=f"{item.item_id}, one leg closed",
        kind=part.kind,
        description=f"{item.description}, one leg closed",
        ends=two,
        end_bores_m=bores,
        take_outs_m=tuple(item.take_outs_m[i] for i in ends),
        loss=LossData(LossMethod.CRANE, (over,), min(bores), "crane-tees", *_BAND),
    )


def _unlisted(closed: ClosedLeg, family: str, catalog: Catalog) -> CatalogItem | None:
    """Return a tee of these legs that is in no catalog."""
    first, second, shut = closed.sizes
    if not closed.turns:
        legs = (first, second, shut)
    else:
        legs = (second, shut, first) if closed.from_branch else (first, shut, second)
    wanted = closed.ends or tuple(EndWords(size, None) for size in legs)
    system = next(iter(catalog.pipe_ends[family].values())).system
    return unlisted_branch(Kind.TEE, wanted, [system] * len(wanted), family, catalog)


def _open_ends(item: CatalogItem, closed: ClosedLeg) -> tuple[int, int] | None:
    """Return which two ends of a tee the water passes, in its order; None where the tee does not fit there.

    The ends that are open are sockets of the sizes of the line; the one that is shut is of the stub's size, or as the
    tee is stated: a bushing may stand in it.
    """
    if closed.ends and not (len(closed.ends) == 3 and _fit_in_order(item, closed.ends)):
        return None
    first, second, shut = closed.sizes
    ways = (
        [(0, 1, 2), (1, 0, 2)]
        if not closed.turns
        else [(2, 0, 1), (2, 1, 0)]
        if closed.from_branch
        else [(0, 2, 1), (1, 2, 0)]
    )
    for comes, goes, closes in ways:
        sizes = (item.ends[comes].size, item.ends[goes].size)
        through = all(item.ends[at].form is Form.SOCKET for at in (comes, goes))
        end = item.ends[closes]
        if sizes == (first, second) and through and (closed.ends or (end.size == shut and end.form is Form.SOCKET)):
            return comes, goes
    return None


def _fit_in_order(item: CatalogItem, ends: Sequence[EndWords]) -> bool:
    """Return whether a row has these ends in the order run, run, branch, its two run legs in either order."""
    orders = (item.ends, (item.ends[1], item.ends[0], item.ends[2]))
    return any(all(words.fits(end) for words, end in zip(ends, order, strict=True)) for order in orders)
