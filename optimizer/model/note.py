"""What a step of the program has to tell a person, as data: a code and its values. `documents` words it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeAlias, Union

Value: TypeAlias = Union[str, int, float, "Note", tuple["Value", ...], None]
"""A name, a number whose own name ends in its unit, a note that is part of another, or several of them."""


@dataclass(frozen=True, slots=True)
class Note:
    """A code and what its sentence needs, by name. Made by `note`."""

    code: str
    values: tuple[tuple[str, Value], ...] = ()

    @property
    def run(self) -> str:
        """Return the run that it is about; empty where it is about none, or about all."""
        run = dict(self.values).get("run")
        return run if isinstance(run, str) else ""

    def __str__(self) -> str:
        raise TypeError(f"the note {self.code!r} must be worded before it is printed")


def note(code: str, /, **values: Value) -> Note:
    """Return a note; numbers are SI, and their names end in their unit: `note("too long", length_m=3.2)`."""
    return Note(code, tuple(values.items()))


def money_note(cents: int, currency: str) -> Note:
    """Return an amount of money as a note that others have in them."""
    return note("amount", cents=cents, currency=currency)


def runs_together(notes: Iterable[Note]) -> tuple[Note, ...]:
    """Return each of some notes once; those that differ in nothing but their `runs` as one about the runs of all."""
    runs: dict[Note, dict[str, None]] = {}
    for each in notes:
        values = dict(each.values)
        own = values.pop("runs", ())
        assert isinstance(own, tuple)
        runs.setdefault(note(each.code, **values), {}).update(dict.fromkeys(map(str, own)))
    return tuple(note(each.code, **dict(each.values), runs=tuple(of)) if of else each for each, of in runs.items())
