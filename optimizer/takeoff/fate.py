"""What becomes of a part that is taken out: it serves again, or it is scrap, and why.

Solvent-cemented joints are for ever; threads, barbs, compression and push-fit joints open again (common practice, no
source).
"""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.model.ends import End, Form, ThreadFamily
from optimizer.model.kinds import KINDS, PIPES, Kind, Reuse

REUSABLE, SCRAP = "reusable", "scrap"
_CEMENTED = frozenset({Form.SOCKET, Form.SPIGOT})
_WORTH = {
    Reuse.OFFCUT: (SCRAP, "sawn off at its cemented joints; a clean straight piece can still serve as a stub"),
    Reuse.BODY: (REUSABLE, "the valve body unscrews from its cemented end pieces; it needs new ones of the same make"),
    Reuse.NUT: (SCRAP, "its halves are cemented to the old pipe; keep the nut and the O-ring as spares"),
}


def fate_of(kind: Kind, ends: Sequence[End]) -> tuple[str, str]:
    """Return ("reusable" or "scrap", why) of a part by its kind and the joints that its ends were made with."""
    cemented = sum(end.form in _CEMENTED for end in ends)
    if KINDS[kind].reuse is Reuse.WHOLE:
        return REUSABLE, "comes apart at its ports"
    if cemented:
        return _cemented_fate(kind, all_ends=cemented == len(ends))
    if kind in PIPES:
        return REUSABLE, "pulls off its joints; cut back the stretched or marked ends"
    return REUSABLE, _separable_words(ends)


def _cemented_fate(kind: Kind, *, all_ends: bool) -> tuple[str, str]:
    scrap = SCRAP, "its joints are cemented" if all_ends else "one of its joints is cemented; only the other opens"
    return _WORTH.get(KINDS[kind].reuse, scrap)


_ON_TAPE = frozenset({ThreadFamily.NPT, ThreadFamily.R})


def _separable_words(ends: Sequence[End]) -> str:
    forms = {end.form for end in ends}
    renew = []
    threads = {form.thread for form in forms if form.thread is not None}
    if threads - _ON_TAPE:
        renew.append("washer")
    if threads & _ON_TAPE:
        renew.append("tape")
    if forms & {Form.BARB, Form.HOSE}:
        renew.append("hose clamp")
    opens = "its joints open without a saw"
    return f"{opens}; renew the {' and the '.join(renew)}" if renew else opens
