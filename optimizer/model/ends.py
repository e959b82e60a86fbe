"""Pipe ends: the form, nominal size and size system in which two parts can meet."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Form(StrEnum):
    """The shape of an end. The value is the trade word, as printed."""

    SOCKET = "socket"
    SPIGOT = "spigot"
    NPT_MALE = "NPT male"
    NPT_FEMALE = "NPT female"
    R_MALE = "BSPT male"  # ISO 7-1 R, taper
    RC_FEMALE = "BSPT female"  # ISO 7-1 Rc, taper
    RP_FEMALE = "Rp female"  # ISO 7-1 Rp, parallel inside thread for an R male
    G_MALE = "BSPP male"  # ISO 228-1 G, parallel, seals on a washer
    G_FEMALE = "BSPP female"  # ISO 228-1 G
    BARB = "barb"
    HOSE = "hose"  # the soft end that is pushed over a barb
    COMPRESSION = "compression"
    PUSH_FIT = "push-fit"
    TUBE = "tube"  # the plain tube end that goes into compression or push-fit

    @property
    def is_thread(self) -> bool:
        return self in _THREADS

    @property
    def is_npt(self) -> bool:
        return self in (Form.NPT_MALE, Form.NPT_FEMALE)

    @property
    def is_bsp(self) -> bool:
        return self.is_thread and not self.is_npt

    @property
    def is_male(self) -> bool:
        return self in (Form.NPT_MALE, Form.R_MALE, Form.G_MALE)


_THREADS = frozenset(
    {Form.NPT_MALE, Form.NPT_FEMALE, Form.R_MALE, Form.RC_FEMALE, Form.RP_FEMALE, Form.G_MALE, Form.G_FEMALE}
)


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

    def __str__(self) -> str:
        return f"{self.size} {self.form}"
