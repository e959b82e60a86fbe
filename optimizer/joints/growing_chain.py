"""A chain while it grows, as a label: what it comes to so far, and which of two labels makes the other needless.

A label is dropped only where another one is no worse in anything that counts, see `joints.efficient`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from optimizer.joints.bores import step_square_s2_m5
from optimizer.joints.chains import Chain, material_of
from optimizer.joints.mating import Mating
from optimizer.model.ends import End
from optimizer.model.network import Part

State = tuple[End, bool, float]  # an open end, whether metal offers it, the bore there [m]
_MANY = 0b111  # as many joints of one kind as are told apart: no chain has more
# Joints of which it counts only whether there are any: one can, one roll serves them all.
_SHARED = frozenset({"cement", "tape"})
Counts = tuple[int, float, float, float, int, int, float, bool, float]  # the first fields of a label


class Step(NamedTuple):
    """One piece put onto an open end: how it mates there, the state that it offers then, what it adds."""

    part: Part
    joint: Mating
    state: State
    union: bool
    separable: bool
    cents: int
    linear: float
    square: float
    water: float
    minutes: int
    uses: tuple[tuple[int, int], ...]  # of what the joint takes: place of its bits, and all of them
    length: float
    bores: tuple[float, float]
    throat: float  # the narrower of the two, endless where that counts for nothing


class Label(NamedTuple):
    """A chain by its last step and the label before: only those that are asked for are ever written out."""

    cents: int = 0
    linear: float = 0.0
    square: float = 0.0
    water: float = 0.0
    minutes: int = 0
    uses: int = 0  # bits, one more for each joint and stub of a kind: a subset takes less
    reach: float = 0.0
    separable: bool = False
    throat: float = math.inf  # the narrowest bore so far, where that counts
    bore: float = 0.0  # at the open end, 0 where it is not known
    step: Step | None = None
    before: Label | None = None
    alone: float = 0.0  # the square coefficient of its pieces, without what their joints lose

    @property
    def material(self) -> str:
        """What the open end is made of; empty at the end that the label set out from."""
        return material_of(self.step.part) if self.step is not None else ""

    def steps(self) -> list[Step]:
        """Return the steps from the first to the last."""
        found: list[Step] = []
        at: Label | None = self
        while at is not None and at.step is not None:
            found.append(at.step)
            at = at.before
        return found[::-1]


@dataclass
class Uses:
    """Gives bits to what joints take, so that of two chains one that takes less is a subset."""

    _places: dict[object, tuple[int, int]] = field(default_factory=dict)
    _next: int = 0

    def of(self, joint: Mating, end: End) -> tuple[tuple[int, int], ...]:
        """Return the bits of what a joint takes: a stub of this size and its cement, a washer of this size ..."""
        if joint.method == "stub":
            return self._bits_of("cement", 1), self._bits_of(("stub", end.size, end.system), _MANY)
        if joint.method in _SHARED:
            return (self._bits_of(joint.method, 1),)
        return (self._bits_of((joint.method, end.size, end.system), _MANY),)

    def _bits_of(self, what: object, most: int) -> tuple[int, int]:
        if what not in self._places:
            self._places[what] = (self._next, most)
            self._next += most.bit_length()
        return self._places[what]


def with_uses(uses: int, more: tuple[tuple[int, int], ...]) -> int:
    """Return the bits of what is used with one more of each: the lowest bit of its own that is not set yet."""
    for at, most in more:
        uses |= (((uses >> at & most) << 1 | 1) & most) << at
    return uses


def longer_by(label: Label, step: Step, most_reach: float, backwards: bool) -> Label:
    """Return the label with one more step; reach counts up to what is asked for."""
    near, far = step.bores
    joint = step_square_s2_m5(near, label.bore) if backwards else step_square_s2_m5(label.bore, near)
    reach = most_reach if step.joint.method == "stub" else min(most_reach, label.reach + step.length)
    return Label(
        label.cents + step.cents,
        label.linear + step.linear,
        label.square + step.square + joint,
        label.water + step.water,
        label.minutes + step.minutes,
        with_uses(label.uses, step.uses),
        reach,
        label.separable or step.separable,
        min(label.throat, step.throat),
        far,
        step,
        label,
        label.alone + step.square,
    )


def is_beaten(labels: list[Label], label: Label | Counts) -> bool:
    """Return whether one of the labels is no worse than another one."""
    cents, linear, square, water, minutes, uses, reach, separable, throat, *_ = label
    for c, low, sq, wa, mi, us, re, sep, th, *_ in labels:  # the innermost loop of the search: no calls in it
        if (
            c <= cents
            and low <= linear
            and sq <= square
            and wa <= water
            and mi <= minutes
            and not us & ~uses
            and re >= reach
            and th >= throat
            and (sep or not separable)
        ):
            return True
    return False


def insert(labels: list[Label], label: Label) -> bool:
    """Put a label among its equals unless one of them is no worse; return whether it went in."""
    if is_beaten(labels, label):
        return False
    cents, linear, square, water, minutes, uses, reach, separable, throat, *_ = label
    labels[:] = [
        other
        for other in labels
        if cents > other[0]
        or linear > other[1]
        or square > other[2]
        or water > other[3]
        or minutes > other[4]
        or uses & ~other[5]
        or reach < other[6]
        or (other[7] and not separable)
        or throat < other[8]
    ]
    labels.append(label)
    return True


def chain_of(label: Label, last: Mating, backwards: bool) -> Chain:
    """Write a label out as a chain in the direction of the water."""
    steps = label.steps()
    pieces, matings = [step.part for step in steps], [*(step.joint for step in steps), last]
    if backwards:
        return Chain(tuple(reversed_part(part) for part in reversed(pieces)), tuple(reversed(matings)))
    return Chain(tuple(pieces), tuple(matings))


def reversed_part(part: Part) -> Part:
    return replace(part, ends=part.ends[::-1], end_bores_m=part.end_bores_m[::-1], reverse=not part.reverse)
