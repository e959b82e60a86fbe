"""Notes as the sentences that a person reads: what a test looks for in them."""

from __future__ import annotations

from collections.abc import Iterable

from optimizer.model.note import Note, note
from optimizer.wording.notes import note_words, notes_words


def said(notes: Iterable[Note], units: str = "metric") -> tuple[str, ...]:
    """Return some notes in words."""
    return notes_words(notes, units)


def worded(note: Note | None, units: str = "metric") -> str:
    """Return one note in words; nothing where there is none."""
    return "" if note is None else note_words(note, units)


def free(text: str) -> Note:
    """Return a note that says what a test wants it to say."""
    return note("row", text=text)
