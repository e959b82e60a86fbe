"""Catalog columns → descriptions in trade wording: size, material, item, ends."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.model.ends import End
from optimizer.model.kinds import KINDS, Kind


def size_words(sizes: Sequence[str]) -> str:
    """Return nominal sizes as printed before a part's name: `1-1/2 in.`, `1 × 3/4 in.`, `32 mm × 1 in.`."""
    if len(set(sizes)) == 1:
        sizes = sizes[:1]
    units = {size.rsplit(" ", 1)[1] for size in sizes}
    if len(units) > 1:
        return " × ".join(_dotted(size) for size in sizes)
    numbers = " × ".join(size.rsplit(" ", 1)[0] for size in sizes)
    return _dotted(f"{numbers} {units.pop()}")


def _dotted(size: str) -> str:
    return f"{size}." if size.endswith(" in") else size


def pipe_words(kind: Kind, size: str, family: str) -> str:
    """Return a pipe's description: `1 in. sch 40 PVC pipe`, `3/4 in. vinyl hose`."""
    return f"{_dotted(size)} {family}" if family.endswith(f" {kind}") else f"{_dotted(size)} {family} {kind}"


def piece_words(kind: Kind, trade_name: str, family: str, material: str, ends: Sequence[End]) -> str:
    """Return a piece's description: `1-1/2 in. sch 40 PVC 90° sweep elbow, socket × socket`.

    The family stands for the material where it names it; the trade name stands for the kind where there is one.
    """
    made_of = family if material in family else material
    item = trade_name or KINDS[kind].words
    forms = " × ".join(str(end.form) for end in ends)
    return f"{size_words([end.size for end in ends])} {made_of} {item}, {forms}"


def consumable_words(trade_name: str, pack: str) -> str:
    """Return a consumable's description: `PVC primer, 1/4 US pint (118 mL) can`."""
    return f"{trade_name}, {pack}" if pack else trade_name
