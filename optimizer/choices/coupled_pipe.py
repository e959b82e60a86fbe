"""New pipe of a run that is longer than any length of the store: what couples its pieces, step by step."""

from __future__ import annotations

from dataclasses import dataclass, field

from optimizer.choices.joining import Joiner
from optimizer.choices.offers import is_one_pipe
from optimizer.model.catalog import PIPES, CatalogItem, Kind
from optimizer.model.network import Part


@dataclass
class CoupledPipe:
    """The parts of a run as they stand; `uncoupled` collects pipe that nothing couples: the longest piece of it [m]."""

    parts: tuple[Part, ...]
    joiner: Joiner
    uncoupled: dict[str, float] = field(default_factory=dict)

    def couplings(
        self, position: int, before: CatalogItem | None, parts: tuple[Part, ...]
    ) -> tuple[CatalogItem, ...] | None:
        """Return what couples the new pipe of a step where no length of the store is enough; None if nothing can.

        Pipe counts as long as it is stated, with what goes into a socket at both its ends; with new pipe of the same
        row before it (`before`), it is one piece.
        """
        found: list[CatalogItem] = []
        for at, part in enumerate(parts):
            if part.existing or part.item is None or part.kind is not Kind.PIPE:
                continue
            inside_m, longest_m = self.joiner.sold_m(part.item)
            goes_on = at == 0 and before is part.item
            before_m = self._one_pipe_before_m(position) if goes_on else 0.0
            whole_m = before_m + part.length_m + inside_m
            if whole_m <= longest_m:
                continue  # as nearly everywhere
            lengths = self.joiner.lengths
            if not lengths.can_be_made(part.item, whole_m):
                self.uncoupled[part.words] = max(self.uncoupled.get(part.words, 0.0), whole_m)
                return None
            told = lengths.couplings(part.item, before_m + inside_m) if before_m else 0
            coupling = lengths.coupling(part.item)
            if coupling is not None:
                found += [coupling] * (lengths.couplings(part.item, whole_m) - told)
        return tuple(found)

    def _one_pipe_before_m(self, position: int) -> float:
        """Return how long the pipe is that ends before a position, told as one part or as several [m]."""
        first = position - 1
        while first > 0 and is_one_pipe(self.parts[first - 1], self.parts[first]):
            first -= 1
        return sum(part.length_m for part in self.parts[first:position] if part.kind in PIPES)
