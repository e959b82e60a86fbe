"""What keeps the floor dry: what is checked of a plumbing, with its verdict, and what may go wrong in it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from optimizer.model.checks import Check
from optimizer.units import show_flow, show_length, show_pressure, show_velocity, show_volume


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
    an unchecked one what to state.
    """

    check: Check
    title: str
    quantity: str
    now: float | None
    after: float | None
    limit: float | None
    why: str
    limit_now: float | None = None  # where today's limit is another one
    why_now: str = ""  # where today it is about something else
    least_now: bool = False  # the number is known from below alone: enough to be unsafe, never to be safe
    least_after: bool = False
    high: float | None = None  # after the work, at the upper end of the flow's band; None: not worked out
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
    def spare(self) -> float | None:
        """Return what is left up to the limit as a share of it, at the upper end where that is known; below 0: over."""
        value = self.after if self.high is None else self.high
        if value is None or not self.limit or self.least_after:
            return None
        return 1.0 - value / self.limit

    def shown(self, value: float | None, units: str) -> str:
        """Return one of the numbers in trade units; a dash where it is not known."""
        if value is None:
            return "–"
        return _SHOW[self.quantity](value, units) if self.quantity in _SHOW else f"{value:.0f}"

    def told(self, units: str) -> tuple[str, str]:
        """Return the numbers of today and of after in trade units: `at least 1,000 L/h` where just that is known."""
        return self._told(self.now, self.least_now, units), self._told(self.after, self.least_after, units)

    def _told(self, value: float | None, least: bool, units: str) -> str:
        shown = self.shown(value, units)
        return f"at least {shown}" if least and value is not None else shown

    def unsafe_words(self, units: str, today: bool = False) -> str:
        """Return it as a sentence: `water ...: 30.1 gal, the most is 12.0 gal: the sump runs over`."""
        value, limit = (self.now, self._limit_today) if today else (self.after, self.limit)
        why = self.why_now or self.why if today else self.why
        if self.quantity == "count":
            return f"{self.title}: {why}"
        shown = self._told(value, self.least_now if today else self.least_after, units)
        return f"{self.title}: {shown}, limit {self.shown(limit, units)}: {why}"

    @property
    def worsened(self) -> bool:
        """Return whether the work makes this unsafe, or more unsafe than it is."""
        if self.verdict is not Verdict.UNSAFE or self.after is None or self.limit is None:
            return False
        if self.verdict_now is not Verdict.UNSAFE or self.now is None or self._limit_today is None:
            return True
        return self.after * self._limit_today > self.now * self.limit * (1.0 + WORSE)


_SHOW = {
    "flow": show_flow,
    "volume": show_volume,
    "height": show_length,
    "pressure": show_pressure,
    "speed": show_velocity,
}
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

    title: str
    water_m3: float | None
    spilled_m3: float | None
    where: str
    verdict: Verdict
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PumpRange:
    """Between which speeds (fractions of full rpm) a pump may be set with the valves as they are; None: at none.

    `why_low` and `why_high` say what happens beyond; empty where the dial ends there.
    """

    pump: str
    low: float | None
    high: float | None
    why_low: str = ""
    why_high: str = ""


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


@dataclass(frozen=True, slots=True)
class SafetyReport:
    """What was checked, and what is to be said of it.

    `failures` forbid the plan: what it makes unsafe, or leaves unsafe that is so today without the rules accepting it.
    `today` is what is unsafe as it stands, to be said first; `warnings` are to be minded; `unchecked` says what
    could not be checked and what to state in the file for it.
    """

    checks: tuple[SafetyCheck, ...] = ()
    failures: tuple[str, ...] = ()
    today: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    unchecked: tuple[str, ...] = ()
