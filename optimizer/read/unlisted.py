"""A part that stands there and that no catalog row is → one with the ends that its line says, its loss estimated."""

from __future__ import annotations

import datetime
from dataclasses import replace

from optimizer.model.catalog import CHECKS, JOINERS, THROTTLES, Catalog, CatalogItem, Kind, LossData, LossMethod
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.holes import holes_bore_m, holes_k
from optimizer.model.kinds import BENDS
from optimizer.read.columns import system_of
from optimizer.read.descriptions import piece_words
from optimizer.read.part_text import PartText

KINDS = frozenset({*JOINERS, *BENDS, *THROTTLES, *CHECKS, Kind.UNION, Kind.BULKHEAD}) - {Kind.OPEN_JOINT}
ESTIMATED = "not in the catalog, loss estimated"
BAND = (0.5, 2.0)  # what an estimate by another size or form may be off: estimate
_SYSTEMS = frozenset({SizeSystem.HOSE, SizeSystem.TUBE})


def unlisted(part: PartText, size: str, system: SizeSystem, family: str, catalog: Catalog) -> CatalogItem | None:
    """Return the part that a line says in full; None where it leaves an end open, or names one that no row has.

    Bores are those that the catalog's rows have at such ends, the narrowest of them. Joining pieces lose what their
    bores say, all else what the row of its kind that is nearest in bore loses by its bore.
    """
    ends = _ends(part, size, system)
    if part.kind not in KINDS or ends is None:
        return None
    bores = [_bore_m(end, catalog) for end in ends]
    rows = [item for item in catalog.of_kind(part.kind) if len(item.ends) == 2]
    if not all(bores) or not rows:
        return None
    narrow = min(bores)
    like = min(rows, key=lambda item: (not item.reef_safe, abs(min(item.end_bores_m) - narrow), item.item_id))
    material = like.material if like.reef_safe else "PVC"
    words = piece_words(part.kind, "", family, material, ends)
    return CatalogItem(
        item_id=f"unlisted {part.kind}, {ends[0]} x {ends[1]}",
        kind=part.kind,
        description=f"{words} ({ESTIMATED})",
        family=family,
        material=material,
        ends=ends,
        end_bores_m=(bores[0], bores[1]),
        take_outs_m=(like.take_outs_m[0], like.take_outs_m[-1]),
        loss=_loss(part.kind, like, narrow),
        price_cents=0,
        currency=catalog.currency,
        price_date=datetime.date.min,
        source="estimate",
        basis="estimate",
        note=ESTIMATED,
    )


def drilled(row: CatalogItem, count: int, hole_m: float) -> CatalogItem:
    """Return a spray bar as a row has it, with so many holes of its own [m]: they alone say what it loses."""
    bore_m = holes_bore_m(count, hole_m)
    return replace(
        row,
        item_id=f"{row.item_id}, {count} holes of {1000 * hole_m:g} mm",
        description=f"{row.description.split(' spray bar')[0]} spray bar, {count} holes of {1000 * hole_m:g} mm",
        end_bores_m=(row.end_bores_m[0], bore_m),
        loss=replace(row.loss, coefficients=(holes_k(),), bore_m=bore_m),
    )


def _ends(part: PartText, size: str, system: SizeSystem) -> tuple[End, End] | None:
    own = part.size or size
    if part.to_size:
        forms = (Form.SPIGOT if part.kind is Kind.BUSHING else Form.SOCKET, Form.SOCKET)
        return None if system in _SYSTEMS else (_end(forms[0], own), _end(forms[1], part.to_size))
    if len(part.ends) != 2 or any(end.form is None for end in part.ends):
        return None
    first, last = (_end(end.form, end.size or own) for end in part.ends if end.form is not None)
    return first, last


def _end(form: Form, size: str) -> End:
    return End(form, size, system_of(form, size))


def _bore_m(end: End, catalog: Catalog) -> float:
    """Return the narrowest bore [m] that a row has at such an end, 0 where none has one."""
    found = [
        bore
        for item in catalog.items.values()
        for other, bore in zip(item.ends, item.end_bores_m, strict=True)
        if other == end and bore > 0.0
    ]
    return min(found, default=0.0)


def _loss(kind: Kind, like: CatalogItem, narrow_m: float) -> LossData:
    if kind in JOINERS:
        return LossData(LossMethod.BORES, (), 0.0, "estimate", *BAND)
    return LossData(like.loss.method, like.loss.coefficients, narrow_m, "estimate", *BAND)
