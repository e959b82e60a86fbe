"""What the thread standards fix, size by size: threads per inch, flank angle, diameter over the threads."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.model.ends import Form

NPT_FLANKS_DEG = 60  # ASME B1.20.1
BSP_FLANKS_DEG = 55  # ISO 7-1, ISO 228-1

# ASME B1.20.1, table 2: threads per inch; outside diameter of the pipe [m]
_NPT: dict[str, tuple[float, float]] = {
    "1/8 in": (27, 10.287e-3),
    "1/4 in": (18, 13.716e-3),
    "3/8 in": (18, 17.145e-3),
    "1/2 in": (14, 21.336e-3),
    "3/4 in": (14, 26.670e-3),
    "1 in": (11.5, 33.401e-3),
    "1-1/4 in": (11.5, 42.164e-3),
    "1-1/2 in": (11.5, 48.260e-3),
    "2 in": (11.5, 60.325e-3),
    "2-1/2 in": (8, 73.025e-3),
    "3 in": (8, 88.900e-3),
    "4 in": (8, 114.300e-3),
}
# ISO 7-1 and ISO 228-1 share both: threads per inch; major diameter [m]
_BSP: dict[str, tuple[float, float]] = {
    "1/8 in": (28, 9.728e-3),
    "1/4 in": (19, 13.157e-3),
    "3/8 in": (19, 16.662e-3),
    "1/2 in": (14, 20.955e-3),
    "3/4 in": (14, 26.441e-3),
    "1 in": (11, 33.249e-3),
    "1-1/4 in": (11, 41.910e-3),
    "1-1/2 in": (11, 47.803e-3),
    "2 in": (11, 59.614e-3),
    "2-1/2 in": (11, 75.184e-3),
    "3 in": (11, 87.884e-3),
    "4 in": (11, 113.030e-3),
}


@dataclass(frozen=True, slots=True)
class Thread:
    """A pipe thread of one standard and size. `diameter_m` is over the threads: of the pipe (NPT), major (BSP)."""

    standard: str
    size: str
    threads_per_inch: float
    flanks_deg: int
    diameter_m: float


def thread_of(form: Form, size: str) -> Thread | None:
    """Return what the standard says of a thread, None when the form is none or the size is not in the tables."""
    table = (_NPT if form.is_npt else _BSP) if form.is_thread else {}
    if size not in table:
        return None
    per_inch, diameter_m = table[size]
    flanks_deg = NPT_FLANKS_DEG if form.is_npt else BSP_FLANKS_DEG
    return Thread(standard_of(form), size, per_inch, flanks_deg, diameter_m)


def standard_of(form: Form) -> str:
    """Return the standard that a thread is cut to, empty for an end without one."""
    if form.is_npt:
        return "ASME B1.20.1"
    if form in (Form.G_MALE, Form.G_FEMALE):
        return "ISO 228-1"
    return "ISO 7-1" if form.is_bsp else ""
