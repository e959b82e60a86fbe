"""The `targets` and `modes` of a system file → what must flow, and with the pumps at which speeds.

riser: at least 900 gal/h                        a run
uv: 250 to 350 gal/h                             a device: the run that it stands in
left outlet + right outlet: at least 800 gal/h   what runs carry together
uv line: 25 % of riser within 10 %               a split; also `at least 25 % of ...` and `20 to 30 % of ...`
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

from optimizer import units
from optimizer.errors import QuantityError
from optimizer.model.catalog import Kind
from optimizer.model.circuits import standing_runs
from optimizer.model.dial import RPM
from optimizer.model.network import Network, Run
from optimizer.model.system import Setting, Share, Target
from optimizer.read.nodes import Entry, Place, Reading, attempt, entries, nearest

GRAMMAR = (
    "at least 300 gph, 250 to 350 gph, at most 350 gph, exactly 300 gph, exactly 300 gph within 5 %, "
    "25 % of another run or any"
)
SPLIT_TOLERANCE = 0.05  # of the share, where none is written: finer than valves are set and flows are read
_ONE_SIDED = re.compile(r"(?P<word>at least|at most|exactly)[ ]+(?P<flow>.+)", re.IGNORECASE)
_LEAST_OR_MOST = re.compile(
    r"((?P<before>[<>]=?|[≥≤]|(min|max)(imum)?\b\.?)[ ]*)?(?P<flow>.+?)([ ]+(?P<after>(min|max)(imum)?\.?))?",
    re.IGNORECASE,
)
_WINDOW = re.compile(r"(?P<low>.+?)[ ]+to[ ]+(?P<high>.+)", re.IGNORECASE)
_WITHIN = re.compile(r"(?P<what>.+?)[ ]+within[ ]+(?P<tolerance>.+)", re.IGNORECASE)
_SPLIT = re.compile(
    r"((?P<word>at least|at most|exactly)[ ]+)?"
    r"((?P<low>[\d.]+)[ ]*%?[ ]+to[ ]+)?(?P<high>[\d.]+)[ ]*%[ ]+of[ ]+(?P<of>.+)",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Named:
    """What a target may be put on: runs, and devices by the run that they stand in.

    `told` has the name that a run is told by, where it goes on from another one; `whole` says that all of the
    plumbing could be read, so that what a run seems not to reach really is out of its reach.
    """

    runs: Mapping[str, Place]
    devices: Mapping[str, str]
    told: Mapping[str, str] = field(default_factory=dict)
    whole: bool = True

    @property
    def words(self) -> list[str]:
        return [*self.runs, *(name for name in self.devices if name not in self.runs)]

    def run_of(self, name: str) -> str | None:
        return self.told.get(name, name) if name in self.runs else self.devices.get(name)

    def sum_of(self, text: str) -> tuple[str, ...]:
        """Return the runs in `a + b`; QuantityError names the first that there is not."""
        pieces = [text] if text in self.words else [piece.strip() for piece in text.split("+")]
        found = tuple(self._known(piece) for piece in pieces)
        if len(set(found)) < len(found):
            raise QuantityError(f"'{text}'", "each run once in a sum")
        return found

    def _known(self, name: str) -> str:
        run = self.run_of(name)
        if run is None:
            allowed = ", ".join(self.words) or "no runs"
            raise QuantityError(f"the unknown run '{name}'", allowed, nearest(name, self.words))
        return run


def devices_in(runs: Mapping[str, Run]) -> dict[str, str]:
    """Return the run in which each device stands."""
    return {part.name: run.name for run in runs.values() for part in run.parts if part.kind is Kind.DEVICE}


def read_targets(
    reading: Reading, entry: Entry | None, named: Named, unit_system: str, standing: Collection[str] = ()
) -> tuple[Target, ...]:
    """Return the targets in file order.

    One on something that the file does not have is a fault, and one that asks for flow where the pumps are off:
    in runs of `standing` alone.
    """
    if entry is None:
        return ()
    targets: list[Target] = []
    for name, each in entries(reading, entry.value, "targets").items():
        try:
            runs = named.sum_of(name)
        except QuantityError as error:
            reading.fault(each.place, f"a target for {error.found}", error.allowed, error.suggestion)
            continue
        target = attempt(reading, each.value, GRAMMAR, lambda text: parse_target(text, named, unit_system))
        if target is not None and target.asks_for_flow and set(runs) <= set(standing):
            reading.fault(
                each.place,
                f"a target for '{name}', where the pumps that move the water are off",
                f"'{name}: any', or a speed of those pumps",
            )
        elif target is not None:
            alone = runs[0] if len(runs) == 1 and name in named.told else name
            if any(other.run == alone for other in targets):
                alone = name  # the whole has a target of its own
            plain = () if runs == (alone,) else runs
            targets.append(replace(target, run=alone, runs=plain, place=reading.where(each.place)))
    return tuple(targets)


def parse_target(text: str, named: Named, unit_system: str) -> Target:
    """Return the limits of a target, not yet named: a window of flow, or a share of what other runs carry."""
    what, tolerance = _tolerance(text)
    if split := _SPLIT.fullmatch(what):
        return Target("", 0.0, None, share=_share(split, named, tolerance))
    low, high = parse_window(what, unit_system)
    if tolerance is not None:
        if low != high or high is None:
            raise QuantityError(f"'{text}'", "a tolerance only where one flow or one share is meant")
        return Target("", low * (1 - tolerance), low * (1 + tolerance))
    return Target("", low, high)


def _tolerance(text: str) -> tuple[str, float | None]:
    match = _WITHIN.fullmatch(text)
    return (text, None) if match is None else (match["what"], units.parse_fraction(match["tolerance"]))


def _share(split: re.Match[str], named: Named, tolerance: float | None) -> Share:
    of = named.sum_of(split["of"])
    high = units.parse_fraction(f"{split['high']} %")
    word = (split["word"] or "exactly").lower()
    if split["low"] is not None:
        low = units.parse_fraction(f"{split['low']} %")
        if split["word"] or tolerance is not None or low > high:
            raise QuantityError(f"'{split[0]}'", "a split such as 25 % of riser, or 20 to 30 % of riser")
        return Share(of, low, high)
    if word == "at least":
        return Share(of, high, None)
    if word == "at most":
        return Share(of, 0.0, high)
    spread = SPLIT_TOLERANCE if tolerance is None else tolerance
    return Share(of, high * (1 - spread), high * (1 + spread))


def parse_window(text: str, unit_system: str) -> tuple[float, float | None]:
    """Return (low_m3_s, high_m3_s or None) of `at least X`, `X to Y`, `at most Y`, `exactly X` or `any`."""
    if text.lower() == "any":
        return 0.0, None
    if match := _ONE_SIDED.fullmatch(text):
        flow_m3_s = units.parse_flow(match["flow"], unit_system)
        word = match["word"].lower()
        if word != "at least" and flow_m3_s <= 0.0:
            allowed = (
                "a flow above 0; a line that is to carry nothing is closed by a cap, a pump that rests is off in a mode"
            )
            raise QuantityError(f"'{text}'", allowed)
        return (0.0 if word == "at most" else flow_m3_s), (None if word == "at least" else flow_m3_s)
    if match := _WINDOW.fullmatch(text):
        high_m3_s = units.parse_flow(match["high"], unit_system)
        low_m3_s = units.parse_flow(_with_unit_of(match["low"], match["high"]), unit_system)
        if low_m3_s > high_m3_s:
            raise QuantityError(f"'{text}'", "the lower flow first", _swapped(match))
        return low_m3_s, high_m3_s
    raise QuantityError(f"'{text}'", GRAMMAR, _meant(text, unit_system))


def _meant(text: str, unit_system: str) -> str | None:
    """Return what a flow alone, or with a sign or word for least or most, is written as; None for anything else."""
    match = None if _is_flow(text, unit_system) else _LEAST_OR_MOST.fullmatch(text)
    flow, word = (text, "") if match is None else (match["flow"], match["before"] or match["after"] or "")
    side = "at most" if word.lower().startswith(("<", "≤", "max")) else "at least"
    return f"'{side} {flow}'" if _is_flow(flow, unit_system) else None


def _is_flow(text: str, unit_system: str) -> bool:
    try:
        units.parse_flow(text, unit_system)
    except QuantityError:
        return False
    return True


def _with_unit_of(low: str, high: str) -> str:
    """Return `250 gal/h` for the 250 of `250 to 350 gal/h`."""
    unit = re.sub(r"^[\d.,/ -]+", "", high)
    return f"{low} {unit}" if re.fullmatch(r"[\d. ]+", low) else low


def _swapped(match: re.Match[str]) -> str:
    low, high = match["low"], match["high"]
    number, unit = re.fullmatch(r"([\d. ]*)(.*)", high).groups()  # type: ignore[union-attr]
    if re.fullmatch(r"[\d. ]+", low):
        return f"'{number.strip()} to {low} {unit}'".replace(" '", "'")
    return f"'{high} to {low}'"


def read_settings(
    reading: Reading,
    entry: Entry | None,
    named: Named,
    network: Network,
    written: Collection[str],
    common: tuple[Target, ...],
    unit_system: str,
) -> tuple[Setting, ...]:
    """Return the settings. A target of `targets` holds in each, unless the setting has one of that name.

    Nor does it where the pumps that move its water are off, which is remarked; what a setting itself asks for where
    nothing moves is a fault. `written` are the pumps that the file names, also those that can not be read.
    """
    if entry is None:
        return ()
    found, pumps = [], network.pumps
    for name, each in entries(reading, entry.value, "modes").items():
        inside = entries(reading, each.value, f"mode '{name}'", [*written, "targets"])
        speeds = {}
        for pump in (key for key in inside if key in pumps):
            speed = attempt(reading, inside[pump].value, "a speed, such as 60 %, or off", _speed)
            if speed is not None:
                speeds[pump] = (pumps[pump].dial or RPM).speed(speed) if speed > 0.0 else 0.0
        standing = standing_runs(network, speeds)
        own = read_targets(reading, inside.get("targets"), named, unit_system, standing)
        kept = tuple(target for target in common if target.run not in {mine.run for mine in own})
        still = [target for target in kept if target.asks_for_flow and standing.issuperset(target.summed)]
        if still:
            runs = ", ".join(f"'{target.run}'" for target in still)
            reading.remark(
                each.place, [f"mode '{name}' asks for no flow in {runs}: the pumps that move the water there are off"]
            )
        held = tuple(target for target in kept if target not in still)
        beside = _beside(held, own)
        if beside:
            runs, free = (", ".join(each) for each in ([f"'{n}'" for n in beside], [f"{n}: any" for n in beside]))
            told = f"in mode '{name}' what `targets` asks of {runs} holds too; write `{free}` there where it should not"
            reading.remark(each.place, [told])
        found.append(Setting(name, speeds, (*held, *own), reading.where(each.place)))
    return tuple(found)


def _beside(common: Collection[Target], own: Collection[Target]) -> list[str]:
    """Return the common targets on parts of a mode's sums, or on sums of its parts, that ask for more than the mode."""
    found = []
    for mine in own:
        parts = [target for target in common if set(target.summed) < set(mine.summed) and target.low_m3_s > 0.0]
        if parts and sum(target.low_m3_s for target in parts) >= mine.low_m3_s:
            found += parts
    for target in common:
        least = [mine.low_m3_s for mine in own if set(mine.summed) < set(target.summed)]
        if least and sum(least) < target.low_m3_s:
            found.append(target)
    return list(dict.fromkeys(target.run for target in found))


def _speed(text: str) -> float:
    """Return the share that the dial shows; 0 for a pump that is off."""
    if text.strip().lower() == "off":
        return 0.0
    try:
        share = units.parse_fraction(text)
    except QuantityError as error:
        raise QuantityError(error.found, f"{error.allowed}, or off", error.suggestion) from None
    if share < 0:
        raise QuantityError(f"'{text}'", "a speed of 0 % (off) or more")
    return share
