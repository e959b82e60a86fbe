"""What is said about neighbours that do not mate and about lines that no catalog row answers."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.joints.mating import mating, refusal
from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.ends import End, Form
from optimizer.read.words import EndWords, in_size_order

_MARRIES = (Kind.COUPLING, Kind.REDUCING_COUPLING, Kind.BUSHING, Kind.ADAPTER, Kind.NIPPLE, Kind.UNION)
_MOST = 8  # rows that a message names


def misfit(first: tuple[str, End], second: tuple[str, End], catalog: Catalog) -> tuple[str, str, str]:
    """Return (found, allowed, suggestion) for two neighbours (words, end) that do not mate."""
    found = f"{first[0]} ({first[1]}) beside {second[0]} ({second[1]})"
    piece = marrying_piece(first[1], second[1], catalog)
    between = f"'{piece_words(*piece)}'" if piece else _hose(first[1], second[1]) or "'open joint'"
    return found, f"ends that mate; {refusal(first[1], second[1])}", f"{between} between them"


def _hose(first: End, second: End) -> str:
    """Return a piece of hose for two barbs that it goes over; empty for other ends."""
    barbs = first == second and first.form is Form.BARB
    return ("'hose 150 mm'" if first.size.endswith("mm") else "'hose 6 in'") if barbs else ""


def marrying_piece(first: End, second: End, catalog: Catalog) -> tuple[CatalogItem, tuple[End, ...]] | None:
    """Return the cheapest reef-safe row that joins two ends by itself, and its ends in that order."""
    found: list[tuple[int, int, str, CatalogItem, tuple[End, ...]]] = []
    for item in catalog.of_kind(*_MARRIES):
        if len(item.ends) != 2 or not item.reef_safe:
            continue
        for ends in (item.ends, item.ends[::-1]):
            joints = (mating(first, ends[0]), mating(ends[1], second))
            if joints[0] and joints[1]:
                stubs = sum(joint is not None and joint.method == "stub" for joint in joints)
                found.append((stubs, item.price_cents, item.item_id, item, ends))
    return min(found, key=lambda entry: entry[:3])[3:] if found else None


def piece_words(item: CatalogItem, ends: Sequence[End]) -> str:
    """Return a row as a line of the system file."""
    if item.kind is Kind.COUPLING and ends[0] == ends[1]:
        return f"coupling {ends[0]}"
    return f"{item.kind} {ends[0]} x {ends[1]}"


def rows_offered(kind: Kind, stated: Sequence[EndWords], catalog: Catalog) -> str:
    """Return what the catalog has of a kind: pairs of ends that share a stated one, or else its sizes."""
    items = [item for item in catalog.of_kind(kind) if len(item.ends) == 2]
    near = [item for item in items if any(words.fits(end) for words in stated for end in item.ends)]
    if stated and near:
        pairs = list(dict.fromkeys(f"{item.ends[0]} x {item.ends[1]}" for item in near))
        return "; ".join(pairs[:_MOST]) + (f"; and {len(pairs) - _MOST} more" if len(pairs) > _MOST else "")
    sizes = in_size_order(end.size for item in items for end in item.ends)
    return ", ".join(sizes) if sizes else "nothing of this kind"
