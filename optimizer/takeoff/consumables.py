"""The joints of a plan → how many of each size are made, what a pack does, and what the owner's lists do not have."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from itertools import pairwise

from optimizer.joints.mating import mating
from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.note import Note, note
from optimizer.model.plan import Plan

# what a consumable seals: primer goes under every cemented joint
_METHOD_OF_USE = {"cement": "cement", "primer": "cement", "tape": "tape", "washer": "washer", "clamp": "clamp"}
_TRADE_NAMES = {
    "cement": "solvent cement",
    "primer": "primer",
    "tape": "thread tape",
    "washer": "flat washer",
    "clamp": "hose clamp",
}


def joints_made(plan: Plan) -> dict[str, Counter[str]]:
    """Return how many joints are made, by what seals them and by nominal size: {"cement": {"1 in": 6}}."""
    made: dict[str, Counter[str]] = {}
    for run_plan in plan.runs.values():
        for joint in run_plan.joints:
            made.setdefault(joint.method, Counter())[joint.size] += 1
    return made


def rate_of(item: CatalogItem, made: Mapping[str, Counter[str]], catalog: Catalog) -> Note | None:
    """Return how much of what is bought the joints take: `about 80 % of one can, for 11 joints`.

    What a pack does by size of joint is common practice; a store asks for the can, not for the rate.
    """
    rates = catalog.joints_per_pack.get(item.item_id, {})
    joints = made.get(_METHOD_OF_USE.get(item.family, ""), Counter())
    counted = {size: count for size, count in joints.items() if size in rates}
    if not counted:
        return row_note(item)
    count, used = sum(counted.values()), sum(number / rates[size] for size, number in counted.items())
    pack = next((word for word in ("can", "roll") if word in item.description.split()), "pack")
    return note("share of a pack", packs=used, pack=pack, joints=count)


def row_note(item: CatalogItem) -> Note | None:
    """Return what the catalog's row says of itself, where it says anything."""
    return note("row", text=item.note) if item.note else None


def not_on_the_lists(plan: Plan, catalog: Catalog) -> tuple[Note, ...]:
    """Return what the joints need and the owner's lists do not have: it must be bought elsewhere.

    `catalog` is what is for sale, with the rows that are not in its `elsewhere`.
    """
    made = joints_made(plan)
    return tuple(
        note("not on the lists", what=_TRADE_NAMES[use], sizes=sizes)
        for use, method in _METHOD_OF_USE.items()
        if (sizes := tuple(_lacking(plan, catalog, use, made.get(method, Counter()))))
    )


def other_cements(plan: Plan) -> tuple[Note, ...]:
    """Return which runs have new joints that PVC cement does not hold: those of ABS with itself, and with PVC."""
    found: list[Note] = []
    for run_plan in plan.runs.values():
        counts: Counter[str] = Counter()
        for first, second in pairwise(run_plan.parts):
            if first.existing and second.existing:
                continue
            joint = mating(first.ends[-1], second.ends[0]) if first.ends and second.ends else None
            materials = {part.item.material for part in (first, second) if part.item is not None}
            if joint is not None and joint.method == "cement" and "ABS" in materials:
                counts["ABS cement" if materials == {"ABS"} else "transition cement"] += 1
        found += [note(use, run=run_plan.run, joints=count) for use, count in counts.items()]
    return tuple(found)


def _lacking(plan: Plan, catalog: Catalog, use: str, joints: Counter[str]) -> Iterator[str]:
    """Yield the sizes of joints for which nothing is bought that the shipped catalogs would have."""
    bought = [one.item.item_id for one in plan.consumables if one.item.family == use]
    others = [key for key, item in catalog.elsewhere.items() if item.kind is Kind.CONSUMABLE and item.family == use]
    for size in joints:
        served, known = (any(size in catalog.joints_per_pack.get(key, {}) for key in keys) for keys in (bought, others))
        if known and not served:
            yield size
