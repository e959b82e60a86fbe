"""The joints of a plan → how many of each size are made, and in words what a pack does."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from optimizer.model.catalog import Catalog, CatalogItem
from optimizer.model.plan import Plan

# what a consumable seals: primer goes under every cemented joint
_METHOD_OF_USE = {"cement": "cement", "primer": "cement", "tape": "tape", "washer": "washer", "clamp": "clamp"}


def joints_made(plan: Plan) -> dict[str, Counter[str]]:
    """Return how many joints are made, by what seals them and by nominal size: {"cement": {"1 in": 6}}."""
    made: dict[str, Counter[str]] = {}
    for run_plan in plan.runs.values():
        for joint in run_plan.joints:
            made.setdefault(joint.method, Counter())[joint.size] += 1
    return made


def rate_words(item: CatalogItem, made: Mapping[str, Counter[str]], catalog: Catalog) -> str:
    """Return for how many joints a consumable is bought, how many a pack does, and what that rate rests on.

    `7 joints: 5 at 1-1/2 in, 2 at 1 in; a pack does 11 or 15 (common practice, no source)`.
    """
    rates = catalog.joints_per_pack.get(item.item_id, {})
    joints = made.get(_METHOD_OF_USE.get(item.family, ""), Counter())
    counted = {size: count for size, count in joints.items() if size in rates}
    if not counted:
        return item.note
    count = sum(counted.values())
    sizes = ", ".join(f"{number} at {size}" for size, number in counted.items())
    does = " or ".join(str(rates[size]) for size in counted)
    return f"{count} joint{'s' * (count > 1)}: {sizes}; a pack does {does} ({item.basis})"
