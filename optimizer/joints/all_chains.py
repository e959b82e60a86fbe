"""All sensible adapter chains between two ends, for a run that may have to lose more than the least.

Nothing is put in for its loss alone: no piece that could be left out, and no way back to a size that was left, where
there is another (common practice, no source). Where they are very many, only those are told that lose least or most
for their money: another one may stand wherever the rest may, is no dearer, takes no more and loses no more, or no less.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from itertools import groupby

from optimizer.joints.chains import Chain
from optimizer.joints.efficient import EfficientChains, Need, cheapest_first
from optimizer.joints.growing_chain import Label, insert
from optimizer.joints.mating import Mating
from optimizer.model.ends import End

_MANY = 40  # chains between two ends
_Row = tuple[tuple[str, bool], ...]  # of pieces: number and whether it is turned


class AllChains(EfficientChains):
    """Finds and remembers such chains; all else as in `EfficientChains`. `thinned`: somewhere they were very many."""

    thinned = False

    def _find(
        self, start: End, goal: End, need: Need, bores_m: tuple[float, float], least_mm: float
    ) -> Iterable[Chain]:
        backwards = goal.form.is_thread and not start.form.is_thread
        ends = (goal, start) if backwards else (start, goal)
        rows: dict[bool, dict[_Row, tuple[Label, Mating]]] = {False: {}, True: {}}
        for label, step, counts, joint in self._fitting(start, goal, need, bores_m, least_mm):
            whole = self._whole(label, step, counts, backwards, bores_m)
            steps = whole.steps()
            row = tuple((one.part.item.item_id, one.part.reverse) for one in steps if one.part.item is not None)
            rows[any(one.union for one in steps)].setdefault(row, (whole, joint))
        found = [one for alike in rows.values() for one in _sensible(ends, alike)]  # what unbolts has a use of its own
        kept = [whole for whole, _ in found]
        if len(found) > _MANY:
            self.thinned = True
            kept = [*_front(kept, +1.0), *_front(kept, -1.0)]
        yield from cheapest_first(found, kept, backwards)

    def _goes_on(self, labels: list[Label], label: Label) -> bool:
        """Let a chain go on whatever it loses, unless it comes back to an end that it passed."""
        steps = label.steps()
        end = steps[-1].part.ends[1]
        if any(end in (one.part.ends[1], one.part.ends[0]) for one in steps[:-1]):
            return False
        labels.append(label)
        return True


def _sensible(ends: tuple[End, End], alike: Mapping[_Row, tuple[Label, Mating]]) -> Iterator[tuple[Label, Mating]]:
    straight = [row for row, (label, _) in alike.items() if not _comes_back(ends, label)]
    for row in straight or alike:
        if not _has_needless(row, alike):
            yield alike[row]


def _front(labels: Sequence[Label], sign: float) -> list[Label]:
    """Return the labels that no other makes needless, where less loss is better (+1), or more (-1)."""
    kept: list[Label] = []
    signed = {id(label): label._replace(linear=sign * label.linear, square=sign * label.square) for label in labels}
    for label in signed.values():
        insert(kept, label)
    alive = set(map(id, kept))
    return [label for label in labels if id(signed[id(label)]) in alive]


def _has_needless(row: _Row, others: Collection[_Row]) -> bool:
    """Return whether a row is another one with more pieces in it."""
    places = range(len(row) + 1)
    return any(row[:i] + row[j:] in others for i in places for j in places[i + 1 :])


def _comes_back(ends: tuple[End, End], label: Label) -> bool:
    """Return whether a chain comes back to a size that it left."""
    passed = (ends[0], *(end for step in label.steps() for end in step.part.ends), ends[1])
    sizes = [size for size, _ in groupby((end.size, end.system) for end in passed)]
    return len(set(sizes)) < len(sizes)
