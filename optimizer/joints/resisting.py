"""The adapter chains between two ends that lose most for their money, for a run that may have to hold water back.

A chain is dropped only if another may stand wherever it may, is no dearer and takes no more, and loses no less. But
nothing is put in for its loss alone: no piece that could be left out, and no way back to a size that was left, where
there is another (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from itertools import groupby

from optimizer.joints.chains import Chain
from optimizer.joints.efficient import EfficientChains, Need, cheapest_first
from optimizer.joints.growing_chain import Label, insert
from optimizer.joints.mating import Mating
from optimizer.model.ends import End

_Row = tuple[tuple[str, bool], ...]  # of pieces: number and whether it is turned


class ResistingChains(EfficientChains):
    """Finds and remembers such chains; all else as in `EfficientChains`."""

    def _find(
        self, start: End, goal: End, need: Need, bores_m: tuple[float, float], least_mm: float
    ) -> Iterable[Chain]:
        backwards = goal.form.is_thread and not start.form.is_thread
        ends = (goal, start) if backwards else (start, goal)
        rows: dict[bool, dict[_Row, list[tuple[Label, Mating]]]] = {False: {}, True: {}}
        for label, step, counts, joint in self._fitting(start, goal, need, bores_m, least_mm):
            whole = self._whole(label, step, counts, backwards, bores_m)
            steps = whole.steps()
            row = tuple((one.part.item.item_id, one.part.reverse) for one in steps if one.part.item is not None)
            rows[any(one.union for one in steps)].setdefault(row, []).append((whole, joint))
        found: list[tuple[Label, Mating]] = []
        kept: list[Label] = []
        for alike in rows.values():  # what unbolts has a use of its own
            straight = {row for row, ((label, _), *_) in alike.items() if not _comes_back(ends, label)}
            for row in straight or alike:
                for whole, joint in alike[row] if not _has_needless(row, alike) else ():
                    turned = whole._replace(linear=-whole.linear, square=-whole.square)
                    if insert(kept, turned):
                        found.append((turned, joint))
        yield from cheapest_first(found, kept, backwards)

    def _goes_on(self, labels: list[Label], label: Label) -> bool:
        """Let a chain go on whatever it loses, unless it comes back to an end that it passed."""
        steps = label.steps()
        end = steps[-1].part.ends[1]
        if any(end in (one.part.ends[1], one.part.ends[0]) for one in steps[:-1]):
            return False
        labels.append(label)
        return True


def _has_needless(row: _Row, others: Collection[_Row]) -> bool:
    """Return whether a row is another one with more pieces in it."""
    places = range(len(row) + 1)
    return any(row[:i] + row[j:] in others for i in places for j in places[i + 1 :])


def _comes_back(ends: tuple[End, End], label: Label) -> bool:
    """Return whether a chain comes back to a size that it left."""
    passed = (ends[0], *(end for step in label.steps() for end in step.part.ends), ends[1])
    sizes = [size for size, _ in groupby((end.size, end.system) for end in passed)]
    return len(set(sizes)) < len(sizes)
