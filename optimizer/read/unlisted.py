"""A part or tee that stands there and that no catalog row is → one with the ends that are said, its loss estimated."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import replace

from optimizer.model.catalog import JOINERS, PIPES, Catalog, CatalogItem, Kind, LossData, LossMethod
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.holes import holes_bore_m, holes_k
from optimizer.model.kinds import KINDS, MACHINES, MOUTHS, spoken
from optimizer.read.columns import system_of
from optimizer.read.descriptions import piece_words
from optimizer.read.part_text import PartText
from optimizer.read.words import EndWords, nominal_number

TWO_ENDED = frozenset(spoken().values()) - PIPES - MACHINES - MOUTHS - {Kind.OPEN_JOINT}
ESTIMATED = "not in the catalog, loss estimated"
NOT_LISTED = "is not in the catalog: its loss is estimated, good to half or double"
BAND = (0.5, 2.0)  # what an estimate by another size or form may be off: estimate
# The ends of a fitting that is named by its kind alone: what takes the pipe of the line itself comes first.
_PLAIN_FORMS = {
    SizeSystem.IPS: (Form.SOCKET, Form.NPT_FEMALE),
    SizeSystem.METRIC: (Form.SOCKET,),
    SizeSystem.HOSE: (Form.BARB,),
    SizeSystem.TUBE: (Form.PUSH_FIT, Form.COMPRESSION),
    SizeSystem.THREAD: (Form.NPT_FEMALE,),
}
_SOFT = frozenset({SizeSystem.HOSE, SizeSystem.TUBE})


def unlisted(part: PartText, size: str, system: SizeSystem, family: str, catalog: Catalog) -> list[CatalogItem]:
    """Return the parts that a line may mean, the likeliest first; none where its kind or an end of it is unknown.

    Bores are those that the catalog's rows have at such ends, the narrowest of them. Joining pieces lose what their
    bores say, all else what the row of its kind that is nearest in bore loses by its bore. What opens into a
    tank is that row made larger or smaller, a spray bar with the holes that it is said to have.
    """
    if part.kind in MOUTHS and not part.ends:
        mouths = _mouths(part.kind, part.size or size, system, family, catalog)
        return [drilled(item, *part.holes) for item in mouths] if part.holes else mouths
    if part.kind not in TWO_ENDED:
        return []
    rows = [item for item in catalog.of_kind(part.kind) if len(item.ends) == 2]
    found = (_made_up(part.kind, ends, family, rows, catalog) for ends in _pairs(part, size, system))
    return [item for item in found if item is not None]


def unlisted_branch(
    kind: Kind, wanted: Sequence[EndWords], systems: Sequence[SizeSystem], family: str, catalog: Catalog
) -> CatalogItem | None:
    """Return a tee, cross or wye of any legs, run, run and branch; None where no row has such an end.

    `systems` are those of the runs that meet there, for the legs whose form is not said: they take that pipe itself.
    """
    ends = [
        next((end for end in _ends_of(words, system) if _bore_m(end, catalog)), None)
        for words, system in zip(wanted, systems, strict=True)
    ]
    known = tuple(end for end in ends if end is not None)
    rows = [item for item in catalog.of_kind(kind) if len(item.ends) == len(wanted)]
    return _made_up(kind, known, family, rows, catalog) if len(known) == len(wanted) else None


def drilled(row: CatalogItem, count: int, hole_m: float) -> CatalogItem:
    """Return a spray bar as a row has it, with so many holes of its own [m]: they alone say what it loses."""
    bore_m = holes_bore_m(count, hole_m)
    mark = f" ({ESTIMATED})" if row.note == ESTIMATED else ""
    return replace(
        row,
        item_id=f"{row.item_id}, {count} holes of {1000 * hole_m:g} mm",
        description=f"{row.description.split(' spray bar')[0]} spray bar, {count} holes of {1000 * hole_m:g} mm{mark}",
        end_bores_m=(row.end_bores_m[0], bore_m),
        loss=replace(row.loss, coefficients=(holes_k(),), bore_m=bore_m),
    )


def _made_up(
    kind: Kind, ends: tuple[End, ...], family: str, rows: Sequence[CatalogItem], catalog: Catalog
) -> CatalogItem | None:
    """Return a piece with these ends, as the row that is nearest in bore has it; None where a bore is unknown."""
    bores = tuple(_bore_m(end, catalog) for end in ends)
    if not all(bores) or not rows:
        return None
    near = max(bores[:2]) if KINDS[kind].ends > 2 else min(bores)
    like = min(rows, key=lambda item: (not item.reef_safe, abs(_run_bore_m(item) - near), item.item_id))
    material = like.material if like.reef_safe else "PVC"
    return CatalogItem(
        item_id=f"unlisted {kind}, {' x '.join(map(str, ends))}",
        kind=kind,
        description=f"{piece_words(kind, '', family, material, ends)} ({ESTIMATED})",
        family=family,
        material=material,
        ends=ends,
        end_bores_m=bores,
        take_outs_m=like.take_outs_m,
        loss=_loss(kind, like, min(bores)),
        price_cents=0,
        currency=catalog.currency,
        price_date=datetime.date.min,
        source="estimate",
        basis="estimate",
        note=ESTIMATED,
    )


def _mouths(kind: Kind, size: str, system: SizeSystem, family: str, catalog: Catalog) -> list[CatalogItem]:
    """Return what opens into a tank in a size that no row has, once for each form of end that the rows have."""
    found: dict[Form, CatalogItem] = {}
    of_system = {row.item_id for row in catalog.of_kind(kind) if any(end.system is system for end in row.ends)}
    for like in sorted(catalog.of_kind(kind), key=lambda row: (row.item_id not in of_system, -row.bore_m)):
        at = next(i for i, end in enumerate(like.ends) if end.form is not Form.OPEN)
        end = End(like.ends[at].form, size, system_of(like.ends[at].form, size))
        bore = _bore_m(end, catalog)
        if end.form in found or not bore or not (end.form.is_thread or end.system is system):
            continue
        ends = tuple(end if i == at else End(Form.OPEN, size, other.system) for i, other in enumerate(like.ends))
        scale = bore / like.end_bores_m[at]
        found[end.form] = replace(
            like,
            item_id=f"unlisted {kind}, {end}",
            description=f"{piece_words(kind, '', family, like.material, ends)} ({ESTIMATED})",
            ends=ends,
            end_bores_m=tuple(scale * other for other in like.end_bores_m),
            loss=replace(
                like.loss, bore_m=scale * like.loss.bore_m, source="estimate", band_low=BAND[0], band_high=BAND[1]
            ),
            price_cents=0,
            source="estimate",
            basis="estimate",
            note=ESTIMATED,
        )
    return sorted(found.values(), key=lambda item: any(end.form.is_thread for end in item.ends))


def _run_bore_m(item: CatalogItem) -> float:
    return max(item.end_bores_m[:2]) if len(item.ends) > 2 else min(item.end_bores_m)


def _pairs(part: PartText, size: str, system: SizeSystem) -> list[tuple[End, End]]:
    """Return the two ends that a line says, or may mean where it names the kind alone."""
    own = part.size or size
    if part.to_size:
        widens = nominal_number(part.to_size) > nominal_number(own)
        forms = [Form.SOCKET, Form.SOCKET]
        if part.kind is Kind.BUSHING:  # it sits in the wider end
            forms[widens] = Form.SPIGOT
        return [] if system in _SOFT else [(_end(forms[0], own), _end(forms[1], part.to_size))]
    if not part.ends:
        return [(end, end) for end in _ends_of(EndWords(own, None), system)]
    if len(part.ends) != 2 or any(end.form is None for end in part.ends):
        return []
    first, last = (_end(end.form, end.size or own) for end in part.ends if end.form is not None)
    return [(first, last)]


def _ends_of(words: EndWords, system: SizeSystem) -> list[End]:
    if words.size is None:
        return []
    return [_end(form, words.size) for form in ([words.form] if words.form else _PLAIN_FORMS[system])]


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
    values = like.loss.coefficients
    if like.loss.method is LossMethod.KV:  # the same K on another bore
        share = narrow_m / (like.loss.bore_m or min(like.end_bores_m))
        values = tuple(value * share**2 for value in values)
    return LossData(like.loss.method, values, narrow_m, "estimate", *BAND)
