"""What keeps the floor dry: what is checked of a plumbing, with its verdict, and what may go wrong in it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from optimizer.model.checks import Check
from optimizer.model.note import Note, Value, note


class Verdict(StrEnum):
    SAFE = "safe"
    CLOSE = "close"  # safe as calculated, and not at the upper end of what the flow may be
    UNSAFE = "unsafe"
    UNCHECKED = "not checked"


GRAVITY = (Verdict.SAFE, Verdict.UNCHECKED, Verdict.CLOSE, Verdict.UNSAFE)


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the gravest of some verdicts; what was not checked outweighs what is safe."""
    return max(verdicts, key=GRAVITY.index)


@dataclass(frozen=True, slots=True)
class SafetyCheck:
    """One thing that was compared with its limit, today and after the work.

    `check` is what it is a case of. `quantity` says what the numbers are: "flow" [m³/s], "volume" [m³], "height" [m],
    "pressure" [Pa] or "speed" [m/s]. `now` and `after` may not be more than `limit` (of drains: what has to be carried,
    and what can be). What can not be told is None. `why` says what it is about: of an unsafe one what will happen, of
    an unchecked one what to state. `high` is what it comes to after the work at the upper end of the flow's band: None
    where that was not worked out, endless where it is not known.
    """

    check: Check
    title: Note
    quantity: str
    now: float | None
    after: float | None
    limit: float | None
    why: Note | None
    limit_now: float | None = None  # where today's limit is another one
    why_now: Note | None = None  # where today it is about something else
    least_now: bool = False  # the number is known from below alone: enough to be unsafe, never to be safe
    least_after: bool = False
    high: float | None = (
        None  # after the work, at the upper end of the flow's band; None: not worked out, endless: not known
    )
    second: bool = False  # it takes a second failure: more than the limit is close, and forbids nothing

    @property
    def verdict_now(self) -> Verdict:
        return _verdict(self.now, self._limit_today, self.least_now)

    @property
    def _limit_today(self) -> float | None:
        return self.limit if self.limit_now is None else self.limit_now

    @property
    def verdict(self) -> Verdict:
        found = _verdict(self.after, self.limit, self.least_after)
        if self.second and found is Verdict.UNSAFE:
            return Verdict.CLOSE
        if found is not Verdict.SAFE or self.high is None or self.limit is None:
            return found
        return Verdict.CLOSE if self.high > self.limit * (1.0 + _CLOSE) else found

    @property
    def needs_two(self) -> bool:
        """Return whether it is more than its limit, and a second failure is what it takes."""
        return self.second and _verdict(self.after, self.limit, self.least_after) is Verdict.UNSAFE

    @property
    def spare(self) -> float | None:
        """Return what is left up to the limit as a share of it, at the upper end where that is known; below 0: over."""
        value = self.after if self.high is None else self.high
        if value is None or not self.limit or self.least_after:
            return None
        return 1.0 - value / self.limit

    def unsafe(self, today: bool = False) -> Note:
        """Return that it is more than its limit, its numbers by their unit."""
        value, limit = (self.now, self._limit_today) if today else (self.after, self.limit)
        why = self.why_now or self.why if today else self.why
        if self.quantity == "count":
            return note("over, count", what=self.title, why=why)
        least = note("at least") if (self.least_now if today else self.least_after) and value is not None else None
        unit = _UNIT[self.quantity]
        numbers: dict[str, Value] = {f"value_{unit}": value, f"limit_{unit}": limit}
        return note(f"over, {self.quantity}", what=self.title, least=least, **numbers, why=why)

    @property
    def worsened(self) -> bool:
        """Return whether the work makes this unsafe, or more unsafe than it is."""
        if self.verdict is not Verdict.UNSAFE or self.after is None or self.limit is None:
            return False
        if self.verdict_now is not Verdict.UNSAFE or self.now is None or self._limit_today is None:
            return True
        return self.after * self._limit_today > self.now * self.limit * (1.0 + WORSE)


_UNIT = {"flow": "m3_s", "volume": "m3", "height": "m", "pressure": "pa", "speed": "m_s"}
WORSE = 1e-3  # relative: less is a matter of rounding
_CLOSE = 2e-5  # relative: as near as flows are solved and targets compared


def _verdict(value: float | None, limit: float | None, at_least: bool = False) -> Verdict:
    if value is None or limit is None:
        return Verdict.UNCHECKED
    if value > limit * (1.0 + _CLOSE):
        return Verdict.UNSAFE
    return Verdict.UNCHECKED if at_least else Verdict.SAFE


@dataclass(frozen=True, slots=True)
class Scenario:
    """Something that goes wrong, and where the water goes.

    `water_m3` is how much leaves its place, `spilled_m3` how much of it ends on the floor; None where it can not be
    told: then `missing` names the keys that would say it.
    """

    title: Note
    water_m3: float | None
    spilled_m3: float | None
    where: Note
    verdict: Verdict
    missing: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class PumpRange:
    """Between which speeds (fractions of full rpm) a pump may be set with the valves as they are; None: at none.

    `why_low` and `why_high` say what happens beyond; None where the dial ends there.
    """

    pump: str
    low: float | None
    high: float | None
    why_low: Note | None = None
    why_high: Note | None = None


@dataclass(frozen=True, slots=True)
class LeakPlace:
    """A joint by what it would let out: litres if it opens times how likely that is beside a new cemented joint."""

    run: str
    words: str
    method: str
    water_m3: float | None
    likelihood: float
    pressure_m: float
    old: bool
    behind: int = 0  # index in its run or drain of the part that it comes behind, or of the union itself


@dataclass(frozen=True, slots=True)
class SafetyReport:
    """What was checked, and what is to be said of it.

    `failures` forbid the plan: what it makes unsafe, or leaves unsafe that is so today without the rules accepting it.
    `today` is what is unsafe as it stands, to be said first; `warnings` are to be minded; `unchecked` says what
    could not be checked and what to state in the file for it.
    """

    checks: tuple[SafetyCheck, ...] = ()
    failures: tuple[Note, ...] = ()
    today: tuple[Note, ...] = ()
    warnings: tuple[Note, ...] = ()
    unchecked: tuple[Note, ...] = ()
