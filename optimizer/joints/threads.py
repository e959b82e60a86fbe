"""What the thread standards fix, size by size: threads per inch, flank angle, diameter over the threads."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.model.ends import Form, ThreadFamily

NPT_FLANKS_DEG = 60  # ASME B1.20.1, and B1.20.7 for garden hose thread
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
# ASME B1.20.1, NPSM (free-fitting mechanical joints), major diameter of the male, from memory
_NPSM: dict[str, tuple[float, float]] = {
    "1/8 in": (27, 10.08e-3),
    "1/4 in": (18, 13.36e-3),
    "3/8 in": (18, 16.81e-3),
    "1/2 in": (14, 20.90e-3),
    "3/4 in": (14, 26.26e-3),
    "1 in": (11.5, 32.84e-3),
    "1-1/4 in": (11.5, 41.61e-3),
    "1-1/2 in": (11.5, 47.68e-3),
    "2 in": (11.5, 59.72e-3),
}
# ASME B1.20.7, 3/4-11.5NH: major diameter of the male 1-1/16 in., from memory
_GHT: dict[str, tuple[float, float]] = {"3/4 in": (11.5, 26.99e-3)}
_TABLES = {
    ThreadFamily.NPT: _NPT,
    ThreadFamily.NPSM: _NPSM,
    ThreadFamily.R: _BSP,
    ThreadFamily.G: _BSP,
    ThreadFamily.GHT: _GHT,
}
_STANDARDS = {
    ThreadFamily.NPT: "ASME B1.20.1",
    ThreadFamily.NPSM: "ASME B1.20.1",
    ThreadFamily.R: "ISO 7-1",
    ThreadFamily.G: "ISO 228-1",
    ThreadFamily.GHT: "ASME B1.20.7",
}


@dataclass(frozen=True, slots=True)
class Thread:
    """A pipe thread of one standard and size. `diameter_m` is over the threads: of the pipe (NPT), else major."""

    standard: str
    size: str
    threads_per_inch: float
    flanks_deg: int
    diameter_m: float


def thread_of(form: Form, size: str) -> Thread | None:
    """Return what the standard says of a thread, None when the form is none or the size is not in the tables."""
    table = _TABLES[form.thread] if form.thread is not None else {}
    if size not in table:
        return None
    per_inch, diameter_m = table[size]
    return Thread(standard_of(form), size, per_inch, flanks_deg(form), diameter_m)


def flanks_deg(form: Form) -> int:
    """Return the angle between the flanks of a thread [°]."""
    return BSP_FLANKS_DEG if form.is_bsp else NPT_FLANKS_DEG


def standard_of(form: Form) -> str:
    """Return the standard that a thread is cut to, empty for an end without one."""
    return _STANDARDS[form.thread] if form.thread is not None else ""
