"""The rule that what is held at both ends can be put together, as it is kept along a run: see `joints.closing`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from optimizer.choices.joining import Joiner, Joint
from optimizer.joints.closing import legs_m, lets_close, springs, stretches
from optimizer.joints.mating import UNBOLTING
from optimizer.model.catalog import Kind
from optimizer.model.network import Part


@dataclass
class Closing:
    """Keeps count, along one run, of whether a joint is made in a held stretch and whether something lets it close."""

    parts: tuple[Part, ...]
    held: tuple[bool, ...]  # by stretch; empty: none is
    joiner: Joiner
    bend: bool = False  # a leg that is long enough may spring aside
    _stretch: list[int] = field(init=False)
    _legs_m: list[float] = field(init=False)

    def __post_init__(self) -> None:
        self._stretch = stretches(self.parts)
        self._legs_m = legs_m(self.parts) if any(self.held) else []

    def is_held(self, position: int) -> bool:
        """Return whether the stretch that the joint before a part lies in is held at both ends."""
        return bool(self.held) and self.held[self._stretch[position]]

    def ends_at(self, position: int) -> bool:
        """Return whether a stretch ends at a part: it is a bulkhead."""
        return bool(self.held) and self.parts[position].kind is Kind.BULKHEAD

    def after(
        self, made: bool, closes: bool, position: int, joint: Joint | None, parts: Sequence[Part]
    ) -> tuple[bool, bool]:
        """Return whether a joint is made and whether something lets it close, behind a joint and the parts after it."""
        if not self.is_held(position):
            return False, False
        own = joint.parts if joint is not None else ()
        if closes or any(map(lets_close, (*own, *parts))):
            return False, True
        if joint is None:
            return made or any(not part.existing for part in parts), False
        return (False, True) if self._springs(position, joint) else (True, False)

    def never_closes(self, made: bool, closes: bool) -> bool:
        """Return whether joints were made in a held stretch, and nothing lets the last of them close."""
        return made and not closes

    def _springs(self, position: int, joint: Joint) -> bool:
        if any(method in UNBOLTING for method, _ in joint.methods):
            return True
        if not self.bend:
            return False
        leg_m, known = self._legs_m[position], self.joiner.diameters_m
        return any(springs(leg_m, known.get(size, 0.0)) for method, size in joint.methods if method == "cement")
