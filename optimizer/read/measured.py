"""The `measured`, `calibration` and `pipe` of a system file → readings, the factors they gave, growth on the wall."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TypeVar

from optimizer import units
from optimizer.errors import QuantityError
from optimizer.model.calibration import BUCKET_AND_STOPWATCH, Calibration, Measurement
from optimizer.model.catalog import THROTTLES
from optimizer.model.network import Run
from optimizer.read.dials import read_dial
from optimizer.read.nodes import Entry, Node, Place, Reading, attempt, entries, items_of, nearest

T = TypeVar("T")

# 0.05 mm of slime and scale adds a sixth to a third to the friction of small pipe: common practice, no source
GROWN_OVER_M = 0.05e-3
_OPENING = re.compile(r"(?P<share>[\d.]+[ ]*%)(?:[ ]+open)?|(?P<word>half open|open|shut|closed)", re.IGNORECASE)
_WORD_OPENINGS = {"half open": 0.5, "open": 1.0, "shut": 0.0, "closed": 0.0}
READING_KEYS = ("run", "flow", "at", "valves", "accuracy")
FACTOR_KEYS = ("loss factor", "pump head factor", "height shift", "dial")


def read_pipe_wall(reading: Reading, entry: Entry | None) -> float:
    """Return the growth on the pipe wall [m]: `new`, `grown over`, or its thickness."""
    if entry is None:
        return 0.0
    return attempt(reading, entry.value, "new, grown over, or a roughness such as 0.05 mm", _wall) or 0.0


def _wall(text: str) -> float:
    words = {"new": 0.0, "grown over": GROWN_OVER_M}
    if text.lower() in words:
        return words[text.lower()]
    try:
        rough_m = units.parse_length(text)
    except QuantityError as error:
        suggestion = nearest(text, words)
        raise QuantityError(error.found, "new, grown over, or a roughness such as 0.05 mm", suggestion) from None
    if rough_m > 2e-3:
        raise QuantityError(f"'{text}'", "a roughness of at most 2 mm; the formulas go no further")
    return rough_m


def read_measured(
    reading: Reading, entry: Entry | None, runs: Mapping[str, Place], pumps: Mapping[str, object], unit_system: str
) -> tuple[Measurement, ...]:
    """Return the readings in file order; those with faults are left out, their faults noted."""
    if entry is None:
        return ()
    found = [_measurement(reading, item, runs, tuple(pumps), unit_system) for item in items_of(entry.value)]
    return tuple(one for one in found if one is not None)


def _measurement(
    reading: Reading, node: Node, runs: Mapping[str, Place], pumps: tuple[str, ...], unit_system: str
) -> Measurement | None:
    found = entries(reading, node, "a reading", READING_KEYS)
    missing = [key for key in ("run", "flow") if key not in found]
    if missing and node.pairs is not None:
        words = " and ".join(f"'{key}'" for key in missing)
        reading.fault(node.place, f"a reading without {words}", "run and flow in every reading")
    run = _known(reading, found["run"].value, runs, "run") if "run" in found else None
    flow = None
    if "flow" in found:
        flow = attempt(
            reading, found["flow"].value, "a flow, such as 300 gph", lambda text: units.parse_flow(text, unit_system)
        )
    settings = (
        _by_pump(reading, found["at"].value, pumps, units.parse_fraction, "a setting, such as 72 %")
        if "at" in found
        else {}
    )
    openings = _openings(reading, found["valves"], runs) if "valves" in found else {}
    accuracy: float | None = BUCKET_AND_STOPWATCH
    if "accuracy" in found:
        accuracy = attempt(reading, found["accuracy"].value, "a share of the flow, such as 5 %", _accuracy)
    if run is None or flow is None or accuracy is None or settings is None:
        return None
    return Measurement(run, flow, settings, openings, accuracy, reading.where(node.place))


def _known(reading: Reading, node: Node, names: Mapping[str, object] | tuple[str, ...], what: str) -> str | None:
    if node.text in names:
        return node.text
    reading.fault(
        node.place,
        f"the unknown {what} {node.shape}",
        ", ".join(names) or f"no {what}s",
        nearest(node.text or "", names),
    )
    return None


def _by_pump(
    reading: Reading, node: Node, pumps: tuple[str, ...], parse: Callable[[str], T], what: str
) -> dict[str, T] | None:
    """Return pump → value of `{return: 72 %}`, or of `72 %` where there is only one pump."""
    if node.pairs is None:
        value = attempt(reading, node, what, parse)
        if len(pumps) != 1:
            reading.fault(node.place, f"{node.shape}, but {len(pumps)} pumps", "{pump: " + what + "}")
            return None
        return None if value is None else {pumps[0]: value}
    found: dict[str, T] = {}
    for name, each in entries(reading, node, "values by pump", pumps).items():
        one = attempt(reading, each.value, what, parse)
        if one is not None:
            found[name] = one
    return found


def _openings(reading: Reading, entry: Entry, runs: Mapping[str, Place]) -> dict[str, float]:
    found: dict[str, float] = {}
    for name, each in entries(reading, entry.value, "valves by run").items():
        if name not in runs:
            allowed = ", ".join(runs) or "no runs"
            reading.fault(each.place, f"a valve in the unknown run '{name}'", allowed, nearest(name, runs))
            continue
        opening = attempt(reading, each.value, "45 % open, half open, open or shut", _opening)
        if opening is not None:
            found[name] = opening
    return found


def note_missing_valves(reading: Reading, entry: Entry | None, runs: Mapping[str, Run]) -> None:
    """Note readings that name the valve of a run which has none. To be called when the plumbing was read in full."""
    for item in items_of(entry.value) if entry is not None else ():
        for key, value in item.pairs or ():
            for name, _ in (value.pairs or ()) if key.text == "valves" else ():
                run = runs.get(name.text or "")
                if run is not None and not any(part.kind in THROTTLES for part in run.parts):
                    with_valve = [n for n, one in runs.items() if any(part.kind in THROTTLES for part in one.parts)]
                    allowed = "runs with a ball, gate or globe valve: " + (", ".join(with_valve) or "there is none")
                    reading.fault(name.place, f"run '{name.text}', which has no valve", allowed)


def read_calibration(
    reading: Reading, entry: Entry | None, pumps: Mapping[str, object], unit_system: str
) -> Calibration | None:
    """Return the factors; None where the file has none."""
    if entry is None:
        return None
    found = entries(reading, entry.value, "calibration", FACTOR_KEYS)
    loss, heads, shift = 1.0, None, 0.0
    if "loss factor" in found:
        loss = attempt(reading, found["loss factor"].value, "a factor, such as 1.12", _factor) or 1.0
    if "pump head factor" in found:
        what = "a factor, such as 0.94"
        heads = _by_pump(reading, found["pump head factor"].value, tuple(pumps), _factor, what)
    if "height shift" in found:
        node = found["height shift"].value
        parse = lambda text: units.parse_elevation(text, unit_system)  # noqa: E731
        shift = attempt(reading, node, "a height, such as 3 in", parse) or 0.0
    dials = {}
    if "dial" in found:
        for name, each in entries(reading, found["dial"].value, "dials by pump", tuple(pumps)).items():
            dial = read_dial(reading, each.value)
            if dial is not None:
                dials[name] = dial
    return Calibration(loss, heads or {}, shift, dials)


def _accuracy(text: str) -> float:
    share = units.parse_fraction(text)
    if not share > 0.0:
        raise QuantityError(f"'{text}'", "an accuracy above 0 % of the flow")
    return share


def _factor(text: str) -> float:
    if not re.fullmatch(r"\d*\.?\d+", text) or not 0.0 < float(text) < 100.0:
        raise QuantityError(f"'{text}'", "a plain number above 0, such as 1.12")
    return float(text)


def _opening(text: str) -> float:
    match = _OPENING.fullmatch(text)
    if match is None:
        raise QuantityError(f"'{text}'", "45 % open, half open, open or shut")
    return units.parse_fraction(match["share"]) if match["share"] else _WORD_OPENINGS[match["word"].lower()]


def under_names(measured: tuple[Measurement, ...], told: Mapping[str, str]) -> tuple[Measurement, ...]:
    """Return readings with every run under the name that it is told by."""
    return tuple(
        replace(
            one,
            run=told.get(one.run, one.run),
            openings={told.get(name, name): opening for name, opening in one.openings.items()},
        )
        for one in measured
    )
