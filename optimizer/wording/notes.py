"""Notes → sentences: every code is worded once, in the tables of this package."""

from __future__ import annotations

import string
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from typing import Any

from optimizer.model.note import Note, Value
from optimizer.units import show_flow, show_head, show_length, show_pressure, show_velocity, show_volume
from optimizer.wording.amounts import cases, money, percent

_SHOWN: Mapping[str, Callable[[Any, str], str]] = {
    "flow": show_flow,
    "head": show_head,
    "length": show_length,
    "volume": show_volume,
    "velocity": show_velocity,
    "pressure": show_pressure,
    "height": show_length,
    "percent": lambda share, _: percent(share),
    "cases": lambda share, _: cases(share),
    "tenths": lambda share, _: percent(share, 1),
    "number": lambda share, _: f"{100 * share:.0f}",
    "mm": lambda length_m, _: f"{1000 * length_m:.0f} mm",
}
_BETWEEN = {"list": ", ", "and": " and ", "and the": " and the ", "or": " or ", "then": "; ", "few": "; ", "joined": ""}
_FEW = 4  # of a long list that is not what matters, as many as are told


@cache
def sayings() -> Mapping[str, str | Callable[[Note, str], str]]:
    """Return how every code is worded: a sentence with its values in braces, or a function of note and units.

    `{flow_m3_s:flow}` is a flow in the owner's units, `{cents:money}` money of the note's `currency`; `{names:and}`
    joins several, `{pumps:few}` the first of many, `{name!r}` quotes; a note in a note is worded where it stands, and
    what is None is left out.
    """
    from optimizer.wording import checks, mishaps, search, studies, work

    return {**work.SAYS, **checks.SAYS, **mishaps.SAYS, **search.SAYS, **studies.SAYS}


def note_words(note: Note, units: str) -> str:
    """Return a note as a sentence that names its run, its numbers in the owner's units."""
    says = sayings()[note.code]
    if callable(says):
        return says(note, units)
    return _Wording(note, units).vformat(says, (), dict(note.values))


def note_text(note: Note, units: str) -> str:
    """Return a note as a sentence for where its run is known."""
    told = note_words(note, units)
    return told.removeprefix(f"run {note.run}: ").removeprefix(f"run {note.run}, ")


def notes_words(notes: Iterable[Note], units: str) -> tuple[str, ...]:
    """Return some notes as sentences, each once."""
    return tuple(dict.fromkeys(note_words(note, units) for note in notes))


def note_json(note: Note, units: str) -> dict[str, Any]:
    """Return a note as plain data: its code with its values, and the sentence."""
    return {
        "code": note.code,
        **{name: _plain(value, units) for name, value in note.values},
        "text": note_words(note, units),
    }


def notes_json(notes: Iterable[Note], units: str) -> list[dict[str, Any]]:
    """Return some notes as plain data."""
    return [note_json(note, units) for note in notes]


def _plain(value: Value, units: str) -> Any:
    if isinstance(value, Note):
        return note_json(value, units)
    return [_plain(one, units) for one in value] if isinstance(value, tuple) else value


class _Wording(string.Formatter):
    """Fills the braces of one sentence."""

    def __init__(self, note: Note, units: str) -> None:
        self.currency, self.units = str(dict(note.values).get("currency", "")), units

    def convert_field(self, value: Any, conversion: Any) -> Any:
        if isinstance(value, tuple):
            return tuple(self.convert_field(one, conversion) for one in value)
        return value if value is None or isinstance(value, Note) else super().convert_field(value, conversion)

    def format_field(self, value: Any, format_spec: str) -> Any:
        if value is None:
            return ""
        if isinstance(value, Note):
            return note_words(value, self.units)
        if isinstance(value, tuple):
            words = [self.format_field(one, "") for one in value]
            if format_spec == "few" and len(words) > _FEW + 1:
                words[_FEW:] = [f"and {len(words) - _FEW} more"]
            return _BETWEEN[format_spec].join(words)
        if format_spec == "money":
            return money(value, self.currency)
        show = _SHOWN.get(format_spec)
        return show(value, self.units) if show is not None else super().format_field(value, format_spec)
