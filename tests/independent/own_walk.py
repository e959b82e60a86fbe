"""All ways of a run within limits of cents and of loss, one by one."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from own_pieces import Piece
from own_ways import State, Step, Ways

Sealed = tuple[bool, bool]  # whether anything is cemented, and taped
PRICES = (0.0, 100.0, 200.0, 400.0, 800.0, 1600.0, 3200.0)  # cents for a metre of loss
ROOM_M = 1e-9


def within(few: Sealed, many: Sealed) -> bool:
    return few[0] <= many[0] and few[1] <= many[1]


class Way(NamedTuple):
    """One way to plumb a run, step by step: what it uses, what it loses at each flow, what seals its joints."""

    steps: tuple[Step, ...]
    cents: float
    losses_m: tuple[float, ...]
    end: object
    sealed: Sealed

    @property
    def cuts(self) -> int:
        return sum(step.cuts for step in self.steps)

    @property
    def pieces(self) -> tuple[Piece, ...]:
        return tuple(piece for step in self.steps for piece in step.pieces)


Weigh = Callable[[Step, bool, bool], tuple[float, tuple[float, ...]]]


@dataclass
class Walk:
    """Walks all ways of a run within limits of cents and of the first loss.

    A branch is left only where what must still come, at its least, breaks a limit: least cents, least
    loss, least cents with each metre of loss at a few prices (Lagrange). No way is left for being worse than another.
    """

    ways: Ways
    weigh: Weigh  # (step, it is the first, it is the last) -> cents, losses [m]
    opening: Callable[[Sealed], float]  # cents of the first cans and rolls, which every plan pays whose runs open them
    _least: dict[tuple[int, State], dict[object, tuple[float, ...]]] = field(default_factory=dict)
    _weighed: dict[tuple[int, State], list[tuple[Step, float, tuple[float, ...], Sealed]]] = field(default_factory=dict)

    def _steps(self, place: int, state: State) -> list[tuple[Step, float, tuple[float, ...], Sealed]]:
        key = (place, state)
        if key not in self._weighed:
            found = []
            for step in self.ways.steps(place, state):
                cents, losses = self.weigh(step, place == 0, step.place == len(self.ways.parts))
                methods = {method for method, _ in step.joints}
                found.append((step, cents, losses, ("cement" in methods, "tape" in methods)))
            self._weighed[key] = sorted(found, key=lambda entry: entry[1])
        return self._weighed[key]

    def least(self, place: int, state: State) -> dict[object, tuple[float, ...]]:
        """Return for each end state the least cents, the least first loss, and the least of both at each price."""
        key = (place, state)
        if key not in self._least:
            found: dict[object, tuple[float, ...]] = {}
            for step, cents, losses, _ in self._steps(place, state):
                own = (cents, losses[0], *(cents + price * losses[0] for price in PRICES))
                rest = {step.end: (0.0,) * len(own)} if step.state is None else self.least(step.place, step.state)
                for end, more in rest.items():
                    sums = tuple(map(sum, zip(own, more, strict=True)))
                    found[end] = tuple(map(min, found[end], sums)) if end in found else sums
            self._least[key] = found
        return self._least[key]

    def from_start(self, start: object, end: object) -> tuple[float, ...] | None:
        """Return `least` of a whole run, None where no way leads from one state to the other."""
        return self.least(0, self.ways.first(start)).get(end)

    def sums(
        self, start: object, end: object, most_cents: float, most_m: float, caps: tuple[float, ...]
    ) -> set[tuple[float, float, Sealed]]:
        """Return (cents, first loss, seals) of every way within the limits, what is equal in all three once.

        `caps`: what cents and loss come to at most, at each price.
        """
        first = self.ways.first(start)
        waiting: dict[int, dict[State, set[tuple[float, float, Sealed]]]] = {0: {first: {(0.0, 0.0, (False, False))}}}
        found: set[tuple[float, float, Sealed]] = set()
        for place in range(len(self.ways.parts) + 1):
            for state, labels in waiting.pop(place, {}).items():
                for step, cents, losses, own in self._steps(place, state):
                    if step.state is None:
                        rest: tuple[float, ...] | None = (0.0,) * (2 + len(PRICES)) if step.end == end else None
                    else:
                        rest = self.least(step.place, step.state).get(end)
                    if rest is None:
                        continue
                    kept = set()
                    for spent, lost, seals in labels:
                        sealed = (seals[0] or own[0], seals[1] or own[1])
                        used, loss, drop = spent + cents, round(lost + losses[0], 12), self.opening(sealed)
                        if used + rest[0] + drop > most_cents or loss + rest[1] > most_m + ROOM_M:
                            continue
                        if all(
                            used + price * loss + both <= cap - drop + ROOM_M
                            for both, price, cap in zip(rest[2:], PRICES, caps, strict=True)
                        ):
                            kept.add((used, loss, sealed))
                    if step.state is None:
                        found |= kept
                    elif kept:
                        waiting.setdefault(step.place, {}).setdefault(step.state, set()).update(kept)
        return found

    def below(self, most_cents: Callable[[], float], most_m: float) -> Iterator[Way]:
        """Yield the ways between open waters whose cents stay under a limit that may fall meanwhile."""
        top = most_cents()
        caps = tuple(top + price * most_m for price in PRICES)

        def limit(sealed: Sealed) -> float:
            return most_cents() - self.opening(sealed)

        yield from self._walk(0, self.ways.first("open"), "open", limit, top, most_m, caps, (), 0.0, (), (False, False))

    def within(self, start: object, end: object, most_cents: float, most_m: float) -> Iterator[Way]:
        """Yield every way from one state to another whose cents, with what it opens, and first loss keep to limits."""
        first = self.ways.first(start)
        free = (math.inf,) * len(PRICES)

        def limit(sealed: Sealed) -> float:
            return most_cents - self.opening(sealed)

        yield from self._walk(0, first, end, limit, most_cents, most_m, free, (), 0.0, (), (False, False))

    def cheapest(
        self, start: object, end: object, most_cents: float, most_m: float, accept: Callable[[Way], bool]
    ) -> dict[Sealed, Way]:
        """Return the cheapest accepted way of each set of what seals its joints."""
        best: dict[Sealed, Way] = {}

        def limit(sealed: Sealed) -> float:
            most = most_cents - self.opening(sealed)
            return min((way.cents - 1e-9 for key, way in best.items() if within(key, sealed)), default=most)

        caps = tuple(most_cents + price * most_m for price in PRICES)
        first = self.ways.first(start)
        for way in self._walk(0, first, end, limit, most_cents, most_m, caps, (), 0.0, (), (False, False)):
            if accept(way) and way.cents < best.get(way.sealed, way._replace(cents=math.inf)).cents:
                best[way.sealed] = way
        return best

    def _walk(
        self,
        place: int,
        state: State,
        end: object,
        limit: Callable[[Sealed], float],
        most_cents: float,
        most_m: float,
        caps: tuple[float, ...],
        steps: tuple[Step, ...],
        spent: float,
        lost: tuple[float, ...],
        seals: Sealed,
    ) -> Iterator[Way]:
        for step, cents, losses, own in self._steps(place, state):
            total = tuple(a + b for a, b in zip(lost, losses, strict=True)) if lost else losses
            sealed = (seals[0] or own[0], seals[1] or own[1])
            now = limit(sealed)
            most = now - spent - cents
            left = most_m - total[0]
            if step.state is None:
                if step.end == end and most >= 0.0 and left >= -ROOM_M:
                    yield Way((*steps, step), spent + cents, total, end, sealed)
                continue
            rest = self.least(step.place, step.state).get(end)
            if rest is None or rest[0] > most or rest[1] > left:
                continue
            used, drop = spent + cents, most_cents - now
            if any(
                used + price * total[0] + both > cap - drop + ROOM_M
                for both, price, cap in zip(rest[2:], PRICES, caps, strict=True)
            ):
                continue
            yield from self._walk(
                step.place, step.state, end, limit, most_cents, most_m, caps, (*steps, step), used, total, sealed
            )
