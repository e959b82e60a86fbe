"""How many threads the algebra takes: one, since the networks are many and small."""

from __future__ import annotations

import os

_SAID_BY = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS")


def one_thread() -> None:
    """Ask the algebra libraries for one thread, unless the person has asked for another number.

    A draw's network has some tens of unknowns, for which a second thread waits longer than it works: the bands of 50
    tees took 13 s of processor time with two threads on a busy machine and 0.4 s with one. It must be said before numpy
    is imported for the first time.
    """
    for name in _SAID_BY:
        os.environ.setdefault(name, "1")
