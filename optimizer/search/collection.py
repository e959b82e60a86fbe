"""Garbage collection held off while a function makes many small values that refer to each other in no circle."""

from __future__ import annotations

import functools
import gc
from collections.abc import Callable
from typing import ParamSpec, TypeVar

_P = ParamSpec("_P")
_T = TypeVar("_T")


def without_collection(work: Callable[_P, _T]) -> Callable[_P, _T]:
    """Return the function as it is, but for the collector: labels and arcs by the ten thousand set it off in vain.

    Looking through all that is held again and again took a quarter of the time of a search.
    """

    @functools.wraps(work)
    def held(*args: _P.args, **kwargs: _P.kwargs) -> _T:
        if not gc.isenabled():
            return work(*args, **kwargs)
        gc.disable()
        try:
            return work(*args, **kwargs)
        finally:
            gc.enable()

    return held
