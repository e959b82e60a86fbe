"""Ways to plumb a run → those that no other makes needless, whatever the rest of the plan buys.

A way is needless beside another with the same ends that loses no more, makes no more joints of any kind, uses no more
of what is limited, and costs no more even if each of its pieces of pipe that can not be cut from those of the first is
cut from a length of its own. What a set of pieces costs never falls where pieces are added or longer, and two sets
together never cost more than one by one; so with the other way no list is dearer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from operator import le

from optimizer.model.catalog import CatalogItem
from optimizer.search.list_costs import Shop
from optimizer.search.list_ways import Way
from optimizer.search.posing import loss_units
from optimizer.takeoff.list_price import Pieces, uncovered


class Rivals:
    """Compares ways; what a piece costs by itself is remembered."""

    def __init__(self, shop: Shop) -> None:
        self.shop = shop
        self.fewer_joints = shop.joints.fewer_cost_no_more()

    def unbeaten(self, ways: Sequence[Way]) -> list[int]:
        """Return the indices of the ways that no other one beats."""
        groups: dict[tuple[object, object], list[int]] = {}
        for i, way in enumerate(ways):
            groups.setdefault((way.start, way.end), []).append(i)
        return sorted(i for group in groups.values() for i in self._unbeaten(ways, group))

    def _unbeaten(self, ways: Sequence[Way], group: Sequence[int]) -> list[int]:
        losses = {i: loss_units(ways[i].loss_m) for i in group}
        kept: list[int] = []
        for i in sorted(group, key=lambda i: (losses[i], ways[i].least, i)):
            if not any(losses[k] <= losses[i] and self._beats(ways[k], ways[i]) for k in kept):
                kept = [k for k in kept if losses[k] < losses[i] or not self._beats(ways[i], ways[k])]
                kept.append(i)
        return kept

    def _beats(self, one: Way, other: Way) -> bool:
        spare = other.cents - one.cents
        return (
            spare >= 0
            and all(map(le, one.used, other.used))
            and self._no_more_joints(one.joints, other.joints)
            and all(self._apart(one.pieces[pair], pieces, spare) for pair, pieces in other.pieces.items())
        )

    def _no_more_joints(self, one: Mapping[tuple[str, str], int], other: Mapping[tuple[str, str], int]) -> bool:
        if not self.fewer_joints:
            return one == other
        return all(count <= other.get(joint, 0) for joint, count in one.items())

    def _apart(
        self,
        wanted: Mapping[str, tuple[CatalogItem, Pieces]],
        pieces: Mapping[str, tuple[CatalogItem, Pieces]],
        spare_cents: int,
    ) -> bool:
        """Return whether the pieces that can not be cut from others, one from one, cost no more than this."""
        for key, (item, lengths) in wanted.items():
            for units in uncovered(lengths, pieces[key][1] if key in pieces else ()):
                spare_cents -= self.shop.pipes.single_cents(item, units)
                if spare_cents < 0:
                    return False
        return True
