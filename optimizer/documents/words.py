"""Sentences and phrases that every document shares: what was wanted, steps, money, flows, valves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from optimizer.errors import visible
from optimizer.model.dial import RPM, DialKind
from optimizer.model.note import Note
from optimizer.units import flow_unit, show_flow
from optimizer.wording.amounts import SIGNS, percent
from optimizer.wording.notes import note_words

if TYPE_CHECKING:
    from optimizer.model.network import Part, Pump


def money_number_format(currency: str) -> str:
    """Return the spreadsheet number format that shows a price as `money` does."""
    sign = SIGNS.get(currency)
    return f'"{sign}"#,##0.00' if sign else f'#,##0.00 "{currency.replace(chr(34), "")}"'


def steps_of(changes: Sequence[Note]) -> list[str]:
    """Return what is done, one thing a line: what comes out and what goes in stand apart."""
    return [note_words(change, "") for change in changes] or ["parts only"]


def reached(share: float) -> str:
    """Return a multiple of the targets, rounded down: `99 %` is not reached, however near it comes."""
    return f"{math.floor(100 * share + 1e-6)} %"


def in_mode(title: str, mode: str, between: str = " ") -> str:
    """Return a title with the mode that it is about, where there are modes."""
    return f"{title}{between}in mode '{mode}'" if mode else title


def pump_setting(pump: Pump, speed: float | None = None) -> str:
    """Return `72 %`, or `72 % (90 % of full rpm)` where the dial does not show rpm."""
    fraction = pump.speed if speed is None else speed
    if fraction <= 0.0:
        return "off"
    dial = pump.dial or RPM
    shown = percent(dial.setting(fraction))
    return shown if dial.kind is DialKind.RPM else f"{shown} ({percent(fraction)} of full rpm)"


def flow_words(flow_m3_s: float, units: str) -> str:
    """Return `118 gph`, or `118 gal/h backwards` for a flow against the way in which its run is written down."""
    shown = show_flow(abs(flow_m3_s), units)
    nothing = shown == show_flow(0.0, units)
    return f"{shown} backwards" if flow_m3_s < 0.0 and not nothing else shown


def flow_span(low_m3_s: float, high_m3_s: float, units: str) -> str:
    """Return `1,070 to 1,230 gph`, or `15 backwards to 30 gph` where the low end runs the other way."""
    unit = f" {flow_unit(units)}"
    if math.isinf(high_m3_s):
        return f"at least {flow_words(low_m3_s, units)}"
    if high_m3_s < 0.0:
        return f"{show_flow(-high_m3_s, units).removesuffix(unit)} to {flow_words(low_m3_s, units)}"
    return f"{flow_words(low_m3_s, units).replace(unit, '')} to {show_flow(high_m3_s, units)}"


def gain_span(low_m3_s: float, high_m3_s: float, units: str) -> str:
    """Return `+85 to +160 gph`, what a flow gains; less than before has a minus, what shows as nothing no sign."""
    unit, nothing = f" {flow_unit(units)}", show_flow(0.0, units)
    low, high = (
        shown if (shown := show_flow(abs(flow), units)) == nothing else ("-" if flow < 0.0 else "+") + shown
        for flow in (low_m3_s, high_m3_s)
    )
    return f"{low.removesuffix(unit)} to {high}"


def part_place(parts: Sequence[Part], index: int) -> str:
    """Return which part of a run is meant, as one counts along the pipe: `3/4 in ball valve, the 2nd of 3`."""
    if not 0 <= index < len(parts):
        return f"part {index + 1}"
    words = _short_words(parts[index])
    same = [place for place, part in enumerate(parts) if _short_words(part) == words]
    return words if len(same) < 2 else f"{words}, the {_ordinal(same.index(index) + 1)} of {len(same)}"


def _short_words(part: Part) -> str:
    return " ".join(word for word in (part.ends[0].size if part.ends else "", part.kind.value, part.name) if word)


def _ordinal(number: int) -> str:
    ending = {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th") if number % 100 not in (11, 12, 13) else "th"
    return f"{number}{ending}"


def clean(text: str) -> str:
    """Return the text on one line, with control characters written out: they could move a cursor or split a row."""
    return visible(text)
