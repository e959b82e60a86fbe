"""Notes of the take-off as sentences, each worded here and nowhere else; and all notes of a report in their order."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from optimizer.documents.money_notes import money_notes
from optimizer.model.note import Note
from optimizer.model.outcome import PlanReport
from optimizer.units import US, show_length


def note_words(note: Note, units: str) -> str:
    """Return a note as a sentence that names its run."""
    told = note_text(note, units)
    if not note.run:
        return told
    return f"run {note.run}{', ' if note.code in _SOMEWHERE else ': '}{told}"


def note_text(note: Note, units: str) -> str:
    """Return a note as a sentence for where its run is known, its lengths in the owner's units."""
    return _SAYS[note.code](note, units)


def note_json(note: Note, units: str) -> dict[str, Any]:
    """Return a note as plain data: its code with its values [m], and the sentence."""
    return {
        "code": note.code,
        "run": note.run,
        "names": list(note.names),
        "length_m": note.length_m,
        "share": note.share,
        "text": note_words(note, units),
    }


def all_notes(report: PlanReport) -> tuple[str, ...]:
    """Return what is to be noted of a plan, each once: what its search says, its check, and its take-off."""
    return tuple(dict.fromkeys((*report.plan.notes, *warnings_of(report))))


def warnings_of(report: PlanReport) -> tuple[str, ...]:
    """Return what is to be noted of a plan besides what its search says: its check, its take-off, rates and tax."""
    own = (note_words(note, report.system.units) for note in report.notes)
    money = money_notes(report.system.money, report.bill.total_cents)
    return tuple(dict.fromkeys((*report.verification.warnings, *own, *money)))


def _between(note: Note) -> str:
    return f"between {note.names[0]} and {note.names[1]}"


def _left_over(note: Note, units: str) -> str:
    off_m = abs(note.length_m)
    size = f"{1000 * off_m:.0f} mm" + (f" ({show_length(off_m, US)})" if units == US else "")
    more = "longer" if note.length_m > 0 else "shorter"
    return (
        f"{_between(note)}: the new parts are {size} {more} than what stood there; "
        "what they join has to move by as much"
    )


def _too_long(note: Note, units: str) -> str:
    return (
        f"a piece of {show_length(note.length_m, units)} of {note.names[0]} is longer than any length this store "
        "sells: have one cut to order, or join two with a coupling"
    )


_CEMENT_STANDARD = {
    "ABS cement": "ASTM D2235",
    "transition cement": "ASTM D3138, where no pressure stands and the local code allows it",
}


def _moves_much(turn: str) -> Callable[[Note, str], str]:
    return lambda note, _: (
        f"the valve of {note.names[0]!r} stands open less than a quarter of its travel: {turn} its flow by "
        f"{round(100 * note.share)} %; a smaller line or a finer valve holds it better (`finer valves`)"
    )


_SOMEWHERE = ("not connected before", "left over")  # they say where along their run
_SAYS: Mapping[str, Callable[[Note, str], str]] = {
    "new run": lambda note, _: "it is new; measure its pieces in place before you cut them",
    "pump put in": lambda note, _: (
        "a pump was put in; shorten the sawn pipe by what it and its joints take, measured in place"
    ),
    "bends differ": lambda note, _: "bends were added or left out; measure its new pieces in place",
    "not connected before": lambda note, _: (
        f"{_between(note)}: part of it was not connected before; measure the new pieces there in place"
    ),
    "left over": _left_over,
    "too long": _too_long,
    "not on the lists": lambda note, _: (
        f"your lists have no {note.names[0]} for {', '.join(note.names[1:])}: buy it elsewhere; "
        "its price is not included"
    ),
    "unscrews": lambda note, _: (
        f"{note.names[0]} comes out by its threads alone, and pipe that is cemented on both sides does not turn: "
        "leave one side free to turn, or put a union there"
    ),
    "other cement": lambda note, _: (
        f"{note.names[1]} of its new joints take {note.names[0]} in place of PVC cement and primer, "
        f"{_CEMENT_STANDARD[note.names[0]]}; a can of 4 fl oz (118 mL) is not in the price"
    ),
    "handle moves much": _moves_much("5° of its handle move"),
    "turns move much": _moves_much("a sixteenth of its turns moves"),
    "owned pipe unused": lambda note, _: "owned pipe is not counted where pipe is bought by length",
}
