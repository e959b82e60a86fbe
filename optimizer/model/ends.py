"""Pipe ends: the form, nominal size and size system in which two parts can meet."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from functools import cache


class Form(StrEnum):
    """The shape of an end. The value is the trade word, as printed."""

    SOCKET = "socket"
    SPIGOT = "spigot"
    NPT_MALE = "NPT male"
    NPT_FEMALE = "NPT female"
    NPSM_MALE = "NPSM male"  # ASME B1.20.1 NPSM, parallel, seals on a gasket
    NPSM_FEMALE = "NPSM female"
    R_MALE = "BSPT male"  # ISO 7-1 R, taper
    RC_FEMALE = "BSPT female"  # ISO 7-1 Rc, taper
    RP_FEMALE = "Rp female"  # ISO 7-1 Rp, parallel inside thread for an R male
    G_MALE = "BSPP male"  # ISO 228-1 G, parallel, seals on a washer
    G_FEMALE = "BSPP female"  # ISO 228-1 G
    GHT_MALE = "GHT male"  # garden hose thread, ASME B1.20.7, parallel, seals on a washer
    GHT_FEMALE = "GHT female"
    BARB = "barb"
    HOSE = "hose"  # the soft end that is pushed over a barb
    COMPRESSION = "compression"
    PUSH_FIT = "push-fit"
    TUBE = "tube"  # the plain tube end that goes into compression or push-fit
    SLEEVE = "clamped sleeve"  # rubber or a clamp around plain pipe: saddles, rubber couplings, grommets
    OPEN = "open"  # the end that stands in free water: nothing joins it

    @property
    def thread(self) -> ThreadFamily | None:
        """The thread standard that it is cut to; two families never mate, but R males go into G females."""
        return _THREADS.get(self)

    @property
    def is_thread(self) -> bool:
        return self in _THREADS

    @property
    def is_npt(self) -> bool:
        return self in (Form.NPT_MALE, Form.NPT_FEMALE)

    @property
    def is_bsp(self) -> bool:
        return self.thread in (ThreadFamily.R, ThreadFamily.G)

    @property
    def is_male(self) -> bool:
        return self.is_thread and self.value.endswith(" male")


class ThreadFamily(StrEnum):
    """A pipe thread. The value is its name as printed."""

    NPT = "NPT"  # ASME B1.20.1, taper
    NPSM = "NPSM"  # ASME B1.20.1, parallel
    R = "BSPT"  # ISO 7-1: R taper males, Rc taper and Rp parallel females
    G = "BSPP"  # ISO 228-1, parallel
    GHT = "garden hose thread"  # ASME B1.20.7, parallel


_THREADS = {
    Form.NPT_MALE: ThreadFamily.NPT,
    Form.NPT_FEMALE: ThreadFamily.NPT,
    Form.NPSM_MALE: ThreadFamily.NPSM,
    Form.NPSM_FEMALE: ThreadFamily.NPSM,
    Form.R_MALE: ThreadFamily.R,
    Form.RC_FEMALE: ThreadFamily.R,
    Form.RP_FEMALE: ThreadFamily.R,
    Form.G_MALE: ThreadFamily.G,
    Form.G_FEMALE: ThreadFamily.G,
    Form.GHT_MALE: ThreadFamily.GHT,
    Form.GHT_FEMALE: ThreadFamily.GHT,
}


class SizeSystem(StrEnum):
    """The table a nominal size belongs to. Sizes of two systems never fit by force."""

    IPS = "inch"  # outside diameters of iron pipe sizes (ASTM D1785)
    METRIC = "metric"  # outside diameter in mm (ISO 1452)
    THREAD = "thread"
    HOSE = "hose"  # named by its bore
    TUBE = "tube"  # named by its outside diameter


@dataclass(frozen=True, slots=True, order=True)
class End:
    """One end of a part: form, nominal size as the trade writes it (`1-1/2 in`, `32 mm`), size system."""

    form: Form
    size: str
    system: SizeSystem

    def __hash__(self) -> int:
        return hash(self.size)  # told often; ends of one size are few

    def __str__(self) -> str:
        return f"{self.size} {self.form}"


_SIZE = re.compile(r"(?:(\d+)-)?(\d+)(?:/(\d+))?")
_METRIC_BORE = 0.8  # of a metric size, the outside of its pipe: PVC-U 25 mm stands beside 3/4 in., 50 mm 1-1/2 in.


def size_rank(size: str) -> float:
    """Return a number to sort a nominal size by; it is never a length (`1-1/2 in` → 1.5, `32 mm` → 32)."""
    found = _SIZE.search(size)
    if found is None:
        return 0.0
    whole, upper, lower = (int(text) if text else 0 for text in found.groups())
    return float(whole + (Fraction(upper, lower) if lower else upper))


@cache
def about_as_wide_mm(size: str) -> float:
    """Return about how wide what has a nominal size is inside [mm], to tell a smaller size from a larger one.

    Sizes of the two systems that stand beside each other in the trade come out within a tenth; it enters no formula.
    """
    if not size.endswith("mm"):
        return 25.4 * size_rank(size)
    first, _, outside = size.removesuffix("mm").partition("/")
    return size_rank(first) * (1.0 if outside else _METRIC_BORE)  # `12/16 mm` of a hose names both
