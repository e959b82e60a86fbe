"""What people read off a part → the form of an end. A guess at a spelling never crosses from one thread to another."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable

from optimizer.errors import QuantityError
from optimizer.model.ends import Form, ThreadFamily

_F = Form
# The letters of a thread → its male and its female end; None: there is no such end, or the letters say the other one.
_THREADS: dict[str, tuple[Form | None, Form | None]] = {
    "npt": (_F.NPT_MALE, _F.NPT_FEMALE),
    **dict.fromkeys(("mpt", "mip", "mipt", "mnpt"), (_F.NPT_MALE, None)),
    **dict.fromkeys(("fpt", "fip", "fipt", "fnpt"), (None, _F.NPT_FEMALE)),
    "npsm": (_F.NPSM_MALE, _F.NPSM_FEMALE),
    **dict.fromkeys(("bspt", "bsp taper"), (_F.R_MALE, _F.RC_FEMALE)),
    "r": (_F.R_MALE, None),
    "rc": (None, _F.RC_FEMALE),
    "rp": (None, _F.RP_FEMALE),
    **dict.fromkeys(("bspp", "g", "bsp parallel"), (_F.G_MALE, _F.G_FEMALE)),
    **dict.fromkeys(("ght", "garden hose thread", "garden hose", "hose thread"), (_F.GHT_MALE, _F.GHT_FEMALE)),
    **dict.fromkeys(("nh", "nhr"), (_F.GHT_MALE, _F.GHT_FEMALE)),  # as ASME B1.20.7 marks it
    **dict.fromkeys(("mht", "mght"), (_F.GHT_MALE, None)),
    **dict.fromkeys(("fht", "fght"), (None, _F.GHT_FEMALE)),
}
_SEXES = {"male": 0, "m": 0, "female": 1, "f": 1}
_PLAIN: dict[str, Form] = {
    **dict.fromkeys(("socket", "sockets", "slip", "s", "hub", "slip socket"), _F.SOCKET),
    **dict.fromkeys(("spigot", "spigots", "plain", "spg"), _F.SPIGOT),
    **dict.fromkeys(("barb", "hose barb", "barbed"), _F.BARB),
    "hose": _F.HOSE,
    "compression": _F.COMPRESSION,
    **dict.fromkeys(("push-fit", "push fit", "pushfit", "push-to-connect", "push to connect"), _F.PUSH_FIT),
    "tube": _F.TUBE,
    **dict.fromkeys(("clamped sleeve", "sleeve", "rubber sleeve"), _F.SLEEVE),
    **dict.fromkeys(("open", "open end"), _F.OPEN),
}
_TWO_THREADS = {  # letters that two kinds of thread share: what to ask
    "bsp": "BSPT (marked R, Rc or Rp: taper) or BSPP (marked G: parallel, with a washer); read the letters on the part",
    "nps": "NPT (taper) or NPSM (straight, with a gasket); read the letters on the part",
}

SHORT = 3  # of fewer letters than this any thread could be meant
_LETTERS = "the letters that stand on the part: NPT, NPSM, R, Rc, Rp, G or GHT; no thread is guessed for another"


def form_of(text: str) -> Form:
    """Return the form of an end by any of its trade words.

    Raises
    ------
    QuantityError
        Says what to ask where the words leave two ends open (`BSP`, `NPT` without male or female); suggests a spelling
        only of the thread whose letters were written.
    """
    words = " ".join(text.lower().split())
    if words in _PLAIN:
        return _PLAIN[words]
    sexes = [_SEXES[word] for word in words.split() if word in _SEXES]
    letters = " ".join(word for word in words.split() if word not in _SEXES)
    if letters in _TWO_THREADS:
        raise QuantityError(f"'{text}', which may be two threads", _TWO_THREADS[letters])
    if letters not in _THREADS:
        several = len(_families(words.split())) > 1
        allowed = _LETTERS if several else "an end: " + ", ".join(Form)
        raise QuantityError(f"'{text}' as an end", allowed, guess(words))
    return _of_thread(text, letters, sexes)


def _of_thread(text: str, letters: str, sexes: list[int]) -> Form:
    both = _THREADS[letters]
    if len(sexes) > 1:
        raise QuantityError(f"'{text}' as an end", "male or female, one of the two")
    there = [form for form in both if form is not None]
    if not sexes:
        if len(there) == 1:
            return there[0]
        raise QuantityError(f"'{text}' without male or female", f"{there[0]} or {there[1]}")
    form = both[sexes[0]]
    if form is not None:
        return form
    allowed = f"{there[0]}, which is what these letters mean"
    if letters == "r":
        allowed = f"{_F.R_MALE}, or of its two females {_F.RC_FEMALE} (Rc, taper) and {_F.RP_FEMALE} (Rp, parallel) one"
    raise QuantityError(f"'{text}' as an end", allowed)


def is_thread_word(text: str) -> bool:
    """Return whether a text is the letters of a thread: `G`, `Rp`, `NPT`."""
    return text.lower() in _THREADS or text.lower() in _TWO_THREADS


def guess(words: str) -> Form | None:
    """Return the end that was perhaps meant; None where the letters could be those of two threads."""
    unknown = [word for word in words.split() if word not in _SEXES and word not in _THREADS]
    if any(len(word) < SHORT or (word.endswith("male") and len(word) > len("female")) for word in unknown):
        return None
    families = _families(words.split())
    if not families:
        near = difflib.get_close_matches(words, _PLAIN, n=1, cutoff=0.6)
        return _PLAIN[near[0]] if near else None
    if len(families) > 1:
        return None
    (family,) = families
    own = {str(form).lower(): form for form in Form if form.thread is family}
    near = difflib.get_close_matches(words, own, n=1, cutoff=0.6)
    return own[near[0]] if near else None


def _families(words: Iterable[str]) -> set[ThreadFamily]:
    """Return the threads that any of these words may be the letters of."""
    found: set[ThreadFamily] = set()
    for word in words:
        if word in _SEXES or (len(word) < 2 and word not in _THREADS):
            continue
        near = [word] if word in _THREADS else difflib.get_close_matches(word, _THREADS, n=8, cutoff=0.6)
        found |= {form.thread for letters in near for form in _THREADS[letters] if form and form.thread}
    return found


def letters_first(text: str) -> str:
    """Return `3/4 in G male` for `G3/4 male` and `G 3/4" male`, as it is moulded on a part; other text as it is."""
    match = _MOULDED.fullmatch(text.strip())
    if match is None or not is_thread_word(match["letters"]):
        return text
    size = re.sub(r"[ ]+", "-", match["size"])
    return f"{size} in {match['letters']} {match['rest'] or ''}".strip()


_MOULDED = re.compile(
    r"(?P<letters>[A-Za-z]{1,4})[ ]*(?P<size>\d{1,4}(?:[ -]+\d{1,4}/\d{1,4}|/\d{1,4})?)[ ]*(?:in\.?|inch|[\"″”])?"
    r"(?:[ ]+(?P<rest>\w+))?",
)
