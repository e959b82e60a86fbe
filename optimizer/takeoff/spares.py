"""A plan → a few spare pieces: what saves a second trip to the store when a cut or a turn goes wrong.

A coupling for every size that is cemented, and an elbow for every size in which elbows are cemented: common practice,
no source. Spares are no part of the plan's cost.
"""

from __future__ import annotations

from collections.abc import Iterable

from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.ends import End, Form
from optimizer.model.kinds import BENDS
from optimizer.model.plan import Plan


def spares_for(plan: Plan, catalog: Catalog) -> tuple[CatalogItem, ...]:
    """Return one of each spare piece, in the order in which the plan first needs its like."""
    found: dict[str, CatalogItem] = {}
    for run_plan in plan.runs.values():
        new = [part.item for part in run_plan.parts if not part.existing and part.item is not None]
        for item in new:
            for spare in _spares_of(item, catalog):
                found.setdefault(spare.item_id, spare)
    return tuple(found.values())


def _spares_of(item: CatalogItem, catalog: Catalog) -> Iterable[CatalogItem]:
    if item.kind is Kind.PIPE and item.ends[0].form is Form.SPIGOT:
        socket = End(Form.SOCKET, item.ends[0].size, item.ends[0].system)
        yield from catalog.by_ends(Kind.COUPLING, (socket, socket), item.family)[:1]
    elif item.kind in BENDS and all(end.form is Form.SOCKET for end in item.ends):
        yield item
