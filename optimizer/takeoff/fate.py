"""What becomes of a part that is taken out: it serves again, or it is scrap, and why.

Solvent-cemented joints are for ever; threads, barbs, compression and push-fit joints open again (common practice, no
source).
"""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.model.ends import End, Form, ThreadFamily
from optimizer.model.kinds import KINDS, PIPES, Kind, Reuse
from optimizer.model.note import Note, note

REUSABLE, SCRAP = "reusable", "scrap"
_CEMENTED = frozenset({Form.SOCKET, Form.SPIGOT})
_WORTH = {
    Reuse.OFFCUT: (SCRAP, note("sawn off")),
    Reuse.BODY: (REUSABLE, note("body unscrews")),
    Reuse.NUT: (SCRAP, note("halves cemented")),
}


def fate_of(kind: Kind, ends: Sequence[End]) -> tuple[str, Note]:
    """Return ("reusable" or "scrap", why) of a part by its kind and the joints that its ends were made with."""
    cemented = sum(end.form in _CEMENTED for end in ends)
    if KINDS[kind].reuse is Reuse.WHOLE:
        return REUSABLE, note("comes apart")
    if cemented:
        return _cemented_fate(kind, all_ends=cemented == len(ends))
    if kind in PIPES:
        return REUSABLE, note("pulls off")
    return REUSABLE, _separable(ends)


def _cemented_fate(kind: Kind, *, all_ends: bool) -> tuple[str, Note]:
    scrap = SCRAP, note("cemented" if all_ends else "one side cemented")
    return _WORTH.get(KINDS[kind].reuse, scrap)


_ON_TAPE = frozenset({ThreadFamily.NPT, ThreadFamily.R})


def _separable(ends: Sequence[End]) -> Note:
    forms = {end.form for end in ends}
    renew = []
    threads = {form.thread for form in forms if form.thread is not None}
    if threads - _ON_TAPE:
        renew.append("washer")
    if threads & _ON_TAPE:
        renew.append("tape")
    if forms & {Form.BARB, Form.HOSE}:
        renew.append("hose clamp")
    return note("opens and renew", what=tuple(renew)) if renew else note("opens")
