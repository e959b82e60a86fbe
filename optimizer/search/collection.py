"""Garbage collection held off while many small values are made that refer to each other in no circle."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def collection_held() -> Iterator[None]:
    """Hold the collector off, as a context or around a function: labels and steps by the ten thousand set it off.

    Looking through all that is held again and again took a quarter of the time of a search, and once more an eighth
    where it was let go while they were all there. What was made meanwhile counts as old then: it is looked through with
    all that is, not at once and three times over, which took a twelfth.
    """
    if not gc.isenabled():
        yield
        return
    gc.disable()
    try:
        yield
    finally:
        if not gc.get_freeze_count():  # nobody keeps anything apart
            gc.freeze()  # both together only tell the collector that all is old
            gc.unfreeze()
        gc.enable()
