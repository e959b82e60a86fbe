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
from optimizer.read.part_text import ClosedLeg, PartText
from optimizer.read.topology import EndText, point_and_leg

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
    reading: Reading, runs: Sequence[RawRun], stubs: Sequence[RawRun], fixed: Mapping[str, Point]
) -> list[RawRun]:
    """Return the runs with the tee of every closed stub as a part of the one that begins there.

    At a cross the other three go on as at a tee.
    """
    found = {run.name: run for run in runs}
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
        node = replace(stub.node, text=f"tee with '{stub.name}' closed") if stub.node is not None else None
        if node is None or first.run.size is None or second.run.size is None:
            continue
        sizes = (first.run.size[0], second.run.size[0], stub.size[0])
        tee = PartText(kind, node.text or "", node, condition=Condition.KEEP, closed=ClosedLeg(sizes, turns))
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
    return list(found.values())


def closed_tee(part: PartText, family: str, catalog: Catalog) -> CatalogItem | None:
    """Return the tee of a stub as a piece with the two openings that water passes; None where no row has its sizes."""
    assert part.closed is not None
    first, second, shut = part.closed.sizes
    wanted = (first, shut, second) if part.closed.turns else (first, second, shut)
    families = catalog.families_for(family)
    rows = [
        item
        for item in catalog.of_kind(Kind.TEE)
        if tuple(end.size for end in item.ends) in (wanted, (wanted[1], wanted[0], wanted[2]))
        and item.family in families
        and all(end.form is Form.SOCKET for end in item.ends)
    ]
    if not rows:
        return None
    item = min(rows, key=lambda row: (families.index(row.family), row.price_cents, row.item_id))
    ends = (0 if item.ends[0].size == first else 1, 2 if part.closed.turns else 1)
    if not part.closed.turns and ends[0] == ends[1]:
        ends = (1, 0)
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
