"""What is said under `tees`, or else the sizes of the runs that meet → the fitting that stands at each tee."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from optimizer.errors import QuantityError
from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.kinds import BRANCHES, KINDS
from optimizer.model.network import LEGS, Condition, PointKind, RunEnd, Tee
from optimizer.read.nodes import Entry, Node, Reading, entries, nearest, text_of, yes_or_no
from optimizer.read.part_text import TeeText
from optimizer.read.run_text import PipeSize
from optimizer.read.topology import Layout
from optimizer.read.unlisted import NOT_LISTED, unlisted_branch
from optimizer.read.words import BETWEEN_ENDS, EndWords, nominal_number, parse_ends_words

NOT_PLUMBED = "not connected yet"
_KINDS = {PointKind.TEE: Kind.TEE, PointKind.CROSS: Kind.CROSS}
_WORDS = {"saddle clamp": Kind.SADDLE, "clamp-on saddle": Kind.SADDLE} | {str(kind): kind for kind in BRANCHES}
_KIND_AT_END = re.compile(
    rf"(?P<ends>.*?)\s*\b(?P<kind>{'|'.join(sorted(_WORDS, key=len, reverse=True))})", re.IGNORECASE
)


def read_tees(
    reading: Reading, entry: Entry | None, layout: Layout, closed: frozenset[str] = frozenset()
) -> dict[str, TeeText]:
    """Return what stands under `tees`; a tee that no run names is a fault. `closed` are tees of stubs, read before."""
    tees = [name for name, point in layout.points.items() if point.kind in _KINDS]
    if entry is None or entry.value.shape == "nothing":
        return {}
    found = {}
    for name, each in entries(reading, entry.value, "tees").items():
        if name in closed:
            continue
        if name not in layout.tee_places:
            reading.fault(
                each.place, f"a tee '{name}' at which no runs meet", ", ".join(tees) or "no tees", nearest(name, tees)
            )
        else:
            found[name] = _read_tee(reading, each)
    return found


def read_stub_tees(reading: Reading, entry: Entry | None, points: Collection[str]) -> dict[str, TeeText]:
    """Return what stands under `tees` of the tees at these points, at which closed stubs hang."""
    pairs = (entry.value.pairs if entry is not None else None) or ()
    return {
        key.text: _read_tee(reading, Entry(key.text, key.place, value))
        for key, value in pairs
        if key.text is not None and key.text in points
    }


def _read_tee(reading: Reading, entry: Entry) -> TeeText:
    node = entry.value
    if node.pairs is None:
        return _tee_of_text(reading, node, node.text or "")
    found = entries(reading, node, "a tee", ["size", "keep", "must go", "note"])
    size = found["size"].value if "size" in found else None
    told = _tee_of_text(reading, size, text_of(reading, size, "a size") or "") if size else TeeText(entry.place)
    keep = "keep" in found and yes_or_no(reading, found["keep"].value)
    must_go = "must go" in found and yes_or_no(reading, found["must go"].value)
    if keep and must_go:
        reading.fault(node.place, "a tee that is to be kept and must go", "one of the two")
    condition = Condition.KEEP if keep else Condition.MUST_GO if must_go else Condition.MAY_CHANGE
    return replace(told, condition=condition)


def _tee_of_text(reading: Reading, node: Node, text: str) -> TeeText:
    """Return `1 x 1 x 3/4 in`, `wye`, both or `not connected yet`; any other words are a description for people."""
    if text.lower() == NOT_PLUMBED:
        return TeeText(node.place, plumbed=False)
    named = _KIND_AT_END.fullmatch(text.strip())
    kind = _WORDS[named["kind"].lower()] if named else None
    text = named["ends"] if named else text
    if not re.match(r"\d", text) or len(BETWEEN_ENDS.split(text)) < 2:
        return TeeText(node.place, kind=None if text else kind)
    try:
        ends = parse_ends_words(text)
    except QuantityError as error:
        reading.refuse(node.place, error)
        return TeeText(node.place)
    return TeeText(node.place, ends, kind)


def fit_tees(
    reading: Reading,
    layout: Layout,
    sizes: Mapping[tuple[str, bool], PipeSize],
    families: Mapping[str, str],
    told: Mapping[str, TeeText],
    catalog: Catalog,
) -> dict[str, Tee]:
    """Return the fitting at every tee and cross.

    `sizes` is the pipe size of every run end (run, at_start), `families` the family of every run.
    """
    tees = {}
    for name, point in layout.points.items():
        if point.kind not in _KINDS:
            continue
        text = told.get(name, TeeText(layout.tee_places[name]))
        legs = _legs_at(layout, name)
        if len(legs) != (3 if point.kind is PointKind.TEE else 4):
            continue  # its runs disagree, or one has no size: noted where that was found
        kind = _KINDS[point.kind] if text.kind is None else text.kind
        if KINDS[kind].ends != len(legs):
            reading.fault(text.place, f"a {kind} '{name}', where {len(legs)} runs meet", f"a {_KINDS[point.kind]}")
            continue
        item = _tee_item(reading, name, kind, [(sizes[key], families[key[0]]) for key in legs], text, catalog)
        tees[name] = Tee(name, item, text.condition, text.plumbed, reading.where(text.place))
    return tees


def _legs_at(layout: Layout, name: str) -> list[tuple[str, bool]]:
    """Return the run ends at a tee in the order of a tee's ends."""
    here: list[tuple[RunEnd, tuple[str, bool]]] = [(end, key) for key, end in layout.ends.items() if end.point == name]
    return [key for _, key in sorted(here, key=lambda pair: LEGS.index(pair[0].leg))]


def _tee_item(
    reading: Reading, name: str, kind: Kind, legs: Sequence[tuple[PipeSize, str]], text: TeeText, catalog: Catalog
) -> CatalogItem | None:
    if not text.plumbed:
        return None
    wanted = text.ends or tuple(EndWords(size.size, None) for size, _ in legs)
    rows = [item for item in catalog.of_kind(kind) if _is_tee_of(item, wanted, legs, bool(text.ends))]
    if not rows:
        words = " x ".join(str(end) for end in wanted)
        systems = [size.system for size, _ in legs]
        if (item := unlisted_branch(kind, wanted, systems, legs[0][1], catalog)) is not None:
            reading.remark(text.place, [f"{kind} '{name}' with legs {words} {NOT_LISTED}"])
            return item
        allowed = (
            f"{_offered(kind, legs, catalog)}; or a bushing or reducing coupling in a run before it meets the {kind}"
        )
        reading.fault(text.place, f"a {kind} '{name}' with legs {words}, which the catalog does not have", allowed)
        return None
    family = legs[0][1]
    # Sockets before threads where the line leaves it open, then the run's own family, then the cheapest.
    return min(
        rows, key=lambda row: (_threads(row), not row.reef_safe, row.family != family, row.price_cents, row.item_id)
    )


def _threads(item: CatalogItem) -> int:
    return sum(end.form.is_thread for end in item.ends)


def _is_tee_of(
    item: CatalogItem, wanted: Sequence[EndWords], legs: Sequence[tuple[PipeSize, str]], stated: bool
) -> bool:
    """Return whether a row has these ends, in the order run, run, branch."""
    if len(item.ends) != len(wanted) or not all(words.fits(end) for words, end in zip(wanted, item.ends, strict=True)):
        return False
    free = [(end, size) for words, end, (size, _) in zip(wanted, item.ends, legs, strict=True) if words.form is None]
    return all(end.system == size.system or (stated and end.form.is_thread) for end, size in free)


def _offered(kind: Kind, legs: Sequence[tuple[PipeSize, str]], catalog: Catalog) -> str:
    """Return the tees that the catalog has for the larger of the two straight legs."""
    large = max((size for size, _ in legs[:2]), key=lambda size: nominal_number(size.size))
    rows = [
        item for item in catalog.of_kind(kind) if (item.ends[0].size, item.ends[0].system) == (large.size, large.system)
    ]
    words = dict.fromkeys(" x ".join(end.size for end in item.ends) for item in rows if not _threads(item))
    return ", ".join(words) or f"no {kind} in {large.size}"
