"""What kept parts of a run, and the tees at its ends, offer to new ones where the joint between is opened."""

from __future__ import annotations

from dataclasses import dataclass, field

from optimizer.choices.fronts import Front, opened
from optimizer.choices.graph import TeeEnd
from optimizer.model.catalog import CHECKS, THROTTLES, Kind
from optimizer.model.ends import End
from optimizer.model.network import Part


@dataclass(frozen=True)
class KeptEnds:
    """The ends of the parts of a run as they stand, between its two tees (None: a surface or outlet)."""

    parts: tuple[Part, ...]
    start: TeeEnd | None
    end: TeeEnd | None
    _exits: dict[int, Front | None] = field(init=False, default_factory=dict)

    def exit_of(self, index: int) -> Front | None:
        if index not in self._exits:
            self._exits[index] = self._exit_of(index)
        return self._exits[index]

    def _exit_of(self, index: int) -> Front | None:
        if index == -1:
            assert self.start is not None
            assert self.start.opening is not None
            return opened(self.start.opening.end, None, self.parts[0].ends[0], self.parts[0])
        part = self.parts[index]
        if index + 1 == len(self.parts):
            return opened(part.ends[-1], part, _end_of(self.end), None)
        after = self.parts[index + 1]
        if is_cut_in(part) or is_cut_in(after):
            return Front(part.ends[-1], sawn=part.kind is Kind.PIPE)
        return opened(part.ends[-1], part, None if after.kind is Kind.OPEN_JOINT else after.ends[0], after)

    def entry_of(self, index: int) -> Front | None:
        part = self.parts[index]
        if index == 0:
            return opened(part.ends[0], part, _end_of(self.start), None)
        before = self.parts[index - 1]
        if is_cut_in(part) or is_cut_in(before):
            return Front(part.ends[0], sawn=part.kind is Kind.PIPE)
        return opened(part.ends[0], part, None if before.kind is Kind.OPEN_JOINT else before.ends[-1], before)


def _end_of(tee: TeeEnd | None) -> End | None:
    return tee.opening.end if tee is not None and tee.opening is not None else None


def is_cut_in(part: Part) -> bool:
    """Return whether a part is a valve, or a joint towards a second pump, for which a pipe is sawn through."""
    return not part.existing and (part.kind in THROTTLES or part.kind in CHECKS or part.kind is Kind.OPEN_JOINT)
