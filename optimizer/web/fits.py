"""A place in a run → which kinds of part may stand there: each is put there in thought, and the reader says why not."""

from __future__ import annotations

from collections.abc import Callable

from optimizer.edits.changes import ChangePart
from optimizer.edits.outcome import Outcome
from optimizer.errors import EditError
from optimizer.model.catalog import Kind
from optimizer.web.edit_views import KindChoice, kind_choices
from optimizer.web.forms import Standing, part_of

# What goes by its own name, or is known by its ends alone, is not judged by its kind.
_UNJUDGED = frozenset({Kind.ADAPTER, Kind.NIPPLE, Kind.PUMP, Kind.DEVICE, Kind.PIPE, Kind.HOSE, Kind.TUBE})
_LONGEST = 160  # signs of a reason


def choices_at(shown: Standing, at: str, read: Callable[[str], Outcome]) -> tuple[KindChoice, ...]:
    """Return every kind of part, and for those that may not take the place of the part at `at` the reason.

    `read` gives what a text says. EditError where there is no such part.
    """
    _, _, part, written = part_of(shown, at)

    def judged(choice: KindChoice) -> KindChoice:
        kind = Kind(choice.word)
        if kind in _UNJUDGED or kind is part.kind:
            return choice
        change = ChangePart(written.run, written.item, written.repeat, written.section, kind=choice.word)
        try:
            faults = read(change.apply(shown.text)).faults
        except EditError as error:
            return KindChoice(choice.word, choice.label, str(error)[:_LONGEST])
        if not faults:
            return choice
        reason = f"found {faults[0].found}; allowed: {faults[0].allowed}"
        return KindChoice(choice.word, choice.label, reason[:_LONGEST])

    return tuple(judged(choice) for choice in kind_choices())
