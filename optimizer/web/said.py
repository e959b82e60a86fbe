"""What a file says under names (tanks, drains, pumps ...) → fields of a form, key by key; and typed words → values.

`SECTIONS` has every key that the reader takes, with the words of the trade for it and an example.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum, auto
from typing import Any

from optimizer.edits.changes import Set
from optimizer.edits.splice import has, value_at
from optimizer.model.network import Mounting
from optimizer.model.tanks import DrainMode
from optimizer.read.drains import ALSO_DRAIN, ALSO_TANK

PREFIX = "key "  # before the key of a field, in the name that a form has for it


class Typed(Enum):
    """How the value of a key is typed: as it is, several separated by commas, or `name: value` with semicolons."""

    TEXT = auto()
    LIST = auto()
    PAIRS = auto()


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a section: the word for it on the page, an example, how it is typed, what may be chosen."""

    key: str
    label: str
    example: str
    typed: Typed = Typed.TEXT
    choices: tuple[str, ...] = ()


_PARTS = "bulkhead, elbow, pipe 4 ft"
SECTIONS: Mapping[str, tuple[Key, ...]] = {
    "tanks": (
        Key("length", "Length", "48 in"),
        Key("width", "Width", "24 in"),
        Key("area", "Or its area alone", "8 ft2"),
        Key("weir length", "Weir length, or overflow edge", "14 in"),
        Key("teeth", "Or its teeth", "24 gaps of 6 mm, 15 mm deep"),
        Key("freeboard", "Freeboard: rim above edge", "1-1/2 in"),
        Key("return outlet depth", "Return outlet depth: the lowest below the edge", "1 in"),
        Key("siphon break depth", "Siphon break depth below the edge", "1/2 in"),
        Key("siphon breaks", "Or, of several lines, the break of each", "left line: 1/2 in", Typed.PAIRS),
        Key("overflow box volume", "Overflow box volume: water in it", "1.5 gal"),
        Key("start volume", "Start volume: held before the siphon starts", "2 gal"),
        Key("free volume", "Free volume for power-off drain-back (a sump)", "24 gal"),
        Key("usable water", "Usable water above the intake: pump reserve", "6 gal"),
        Key("top-up volume", "What the top-up holds (a sump)", "5 gal"),
        Key("fed by", "Fed by these outlets", "spray bar, left jet", Typed.LIST),
        Key("mouths", "Mouths of lines that open into it, below the edge", "gravity line: 1/2 in", Typed.PAIRS),
        Key("lines meet", "Where its lines meet, below the edge or above it", "tee 1: 6 in above", Typed.PAIRS),
    ),
    "drains": (
        Key("from", "Drains the tank", "display"),
        Key("to", "Ends in (the sump where nothing is said)", "sump"),
        Key("mode", "Runs", "full siphon", choices=tuple(str(mode) for mode in DrainMode)),
        Key("size", "Size of pipe", "1-1/2 in sch 40 PVC"),
        Key("fall", "Fall, water to water", "4 ft"),
        Key("water depth over the standpipe", "Water depth over the standpipe", "1 in"),
        Key("lip below rim", "Its lip below the tank's rim", "1-1/4 in"),
        Key("parts", "Its parts, separated by commas", _PARTS, Typed.LIST),
    ),
    "pumps": (
        Key("speed", "Speed setting now", "80 %"),
        Key("speeds", "Speed settings that it has", "40 % to 100 %", Typed.LIST),
        Key("dial", "What a speed setting means", "rpm, power, floor 30 %", Typed.PAIRS),
        Key("power", "Power at full speed", "45 W"),
        Key("mounting", "May stand", "in water", choices=tuple(str(one) for one in Mounting)),
        Key("ports", "Ports", "in: 1 in NPT female; out: 3/4 in NPT male", Typed.PAIRS),
        Key("curve", "Points of its curve", "0 gph at 12 ft, 600 gph at 8 ft, 1200 gph at 0 ft", Typed.LIST),
        Key("continued", "Points past its curve that are your own", "1300 gph at 0 ft", Typed.LIST),
    ),
    "devices": (
        Key("loss", "What it loses", "2.1 ft at 300 gph", Typed.LIST),
        Key("ports", "Ports", "3/4 in socket", Typed.PAIRS),
        Key("volume", "Water in it", "0.5 gal"),
    ),
    "supplies": (
        Key("pressure", "Pressure of the house water", "60 psi"),
        Key("elevation", "Height above the sump's water", "2 ft"),
    ),
}
_ALSO: Mapping[str, Mapping[str, str]] = {"tanks": ALSO_TANK, "drains": ALSO_DRAIN}


@dataclass(frozen=True, slots=True)
class SaidKey:
    """One field of a form: its name in it, what is written beside it, what the file says, what it could say."""

    field: str
    label: str
    value: str
    example: str
    choices: tuple[str, ...] = ()


def said(text: str, section: str, name: str) -> tuple[SaidKey, ...]:
    """Return the fields of one of a section's names, every key that it may have; none for another section."""
    told = _told(text, section, name)
    return tuple(
        SaidKey(PREFIX + row.key, row.label, plain(_value(section, told, row.key)), row.example, row.choices)
        for row in SECTIONS.get(section, ())
    )


def plain(value: Any) -> str:
    """Return what a file says as it is typed: several separated by commas, `name: value` with semicolons."""
    if isinstance(value, list):
        return ", ".join(plain(one) for one in value)
    if isinstance(value, dict):
        return "; ".join(f"{key}: {plain(one)}" for key, one in value.items())
    return "" if value is None else str(value)


def typed(words: str, how: Typed) -> Any:
    """Return what typed words are in a file; None for none."""
    if not words.strip():
        return None
    if how is Typed.PAIRS:
        pairs = [one.partition(":") for one in re.split(r"\n|;", words) if one.strip()]
        if all(mark for _, mark, _ in pairs):
            return {key.strip(): value.strip() for key, _, value in pairs}
    if how is Typed.LIST:
        several = items_of(words)
        return several if len(several) > 1 else several[0]
    return words.strip()


def items_of(words: str) -> list[str]:
    """Return what stands on lines of its own, or between commas; that of 1,200 is none."""
    return [one.strip() for one in re.split(r"\n|;|,\s", words) if one.strip()]


def value_of(section: str, key: str, words: str) -> Any:
    """Return what typed words are under a key of a section; a list where only a list will do."""
    row = next(each for each in SECTIONS[section] if each.key == key)
    value = typed(words, row.typed)
    lists = key in ("parts", "curve", "continued")
    return [value] if lists and isinstance(value, str) else value


def changes_in(form: Mapping[str, str], text: str, section: str, name: str) -> Iterator[Set]:
    """Yield a change for every key of a form in which something else stands than in the file."""
    told = _told(text, section, name)
    for row in SECTIONS[section]:
        words = form.get(PREFIX + row.key)
        if words is not None and words.strip() != plain(_value(section, told, row.key)):
            yield Set(section, name, row.key, value_of(section, row.key, words))


def new_value(form: Mapping[str, str], section: str) -> dict[str, Any]:
    """Return what a form says of something new under a section, without what was left open."""
    return {
        row.key: value_of(section, row.key, form[PREFIX + row.key])
        for row in SECTIONS[section]
        if form.get(PREFIX + row.key, "").strip()
    }


def _told(text: str, section: str, name: str) -> Mapping[str, Any]:
    found = value_at(text, (section, name)) if has(text, (section, name)) else {}
    return found if isinstance(found, dict) else {}


def _value(section: str, told: Mapping[str, Any], key: str) -> Any:
    """Return what is said under a key, or under the other word for it."""
    also = _ALSO.get(section, {})
    words = [key, *(word for word, meant in also.items() if meant == key), *([also[key]] if key in also else [])]
    return next((told[word] for word in words if word in told), None)
