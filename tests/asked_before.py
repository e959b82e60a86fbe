"""A search that several tests ask for is done once: the same question, to the last number, has the same answer.

It is so only for searches that were proved to their end. A test that changes the program under it (`monkeypatch` of
anything but the command line and what is printed) asks anew, and so does one that is short of time or that listens.
"""

from __future__ import annotations

import hashlib
import io
import pickle
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import fields, is_dataclass
from functools import lru_cache, wraps
from typing import Any

import pytest

from optimizer.clock import left_s
from optimizer.documents import raster
from optimizer.model.plan import Status
from optimizer.search import cheapest, unknown_pumps

MOST = 60  # answers that are kept, with all their tables: the latest, and those that took longest
TIME_S = 20.0  # who has less may not get an answer that took longer
_NOT_ASKED = ("time_limit_s",)  # what does not change a proved answer
_HARMLESS = ("optimizer.cli", "optimizer.documents", "os", "sys")
_known: dict[str, tuple[float, Any]] = {}  # processor time that it took [s], answer
_catalogs: list[object] = []  # each of those that differ
_latest: deque[tuple[object, bytes]] = deque(maxlen=4)
_changed: list[str] = []  # what the test that runs has put in the program's place


def remembering(search: Callable[..., Any]) -> Callable[..., Any]:
    """Return a search that gives the answer that it gave before, where it was asked the same before."""

    def ask(system: object, catalog: object, *others: object, **terms: Any) -> Any:
        heard = terms.get("progress") is not None  # whoever listens wants to hear how it goes
        if _changed or heard or min(left_s(), terms.get("time_limit_s", 60.0)) < TIME_S:
            return search(system, catalog, *others, **terms)
        asked = {name: value for name, value in terms.items() if name not in _NOT_ASKED and terms[name] is not None}
        words = _told((search.__name__, system, others, asked)) + _catalog(catalog)
        key = hashlib.sha256(words).hexdigest()
        if key not in _known:
            begun = time.process_time()
            found = search(system, catalog, *others, **terms)
            if not _is_final(found):
                return found
            if len(_known) >= MOST:
                del _known[min(list(_known)[: MOST // 2], key=lambda each: _known[each][0])]
            _known[key] = (time.process_time() - begun, found)
        _known[key] = _known.pop(key)  # the latest is the last
        return _known[key][1]

    return ask


class _Fields(pickle.Pickler):
    """Writes of a dataclass its fields alone, without what it keeps beside them once it was asked for it."""

    def reducer_override(self, told: Any) -> Any:
        if is_dataclass(told) and not isinstance(told, type):
            return _never, (type(told).__qualname__, *(getattr(told, field.name) for field in fields(told)))
        return NotImplemented


def _never(*_: object) -> None:
    """Stand for what makes the dataclass again; nobody does."""


def _told(asked: object) -> bytes:
    made = io.BytesIO()
    _Fields(made).dump(asked)
    return made.getvalue()


def _is_final(found: Any) -> bool:
    if found is None or isinstance(found, list):
        return True
    return found.plan.status in (Status.OPTIMAL, Status.INFEASIBLE) and not getattr(found, "by_hand", False)


def all_at_once(steps: Callable[..., Iterator[Any] | None]) -> Callable[..., list[Any] | None]:
    """Return what comes one by one as a list, which may be gone through again."""

    @wraps(steps)
    def made(*asked: Any) -> list[Any] | None:
        found = steps(*asked)
        return None if found is None else list(found)

    return made


def _catalog(catalog: object) -> bytes:
    """Return the number of a catalog: every other one with the same rows has the same."""
    for known, number in _latest:
        if known is catalog:
            return number
    if catalog not in _catalogs:
        _catalogs.append(catalog)
    number = str(_catalogs.index(catalog)).encode()
    _latest.append((catalog, number))
    return number


def install() -> None:
    """Put it before the searches, as long as nobody has imported them by name; no picture is drawn twice either."""
    raster.png_of = lru_cache(maxsize=200)(raster.png_of)
    cheapest.find_plan = remembering(cheapest.find_plan)
    unknown_pumps.find_any = remembering(unknown_pumps.find_any)
    from optimizer.search.studies import frontier  # which imports the others by name

    frontier.efficient_plans = remembering(all_at_once(frontier.efficient_plans))
    put = pytest.MonkeyPatch.setattr

    def noting(self: pytest.MonkeyPatch, target: Any, *more: Any, **words: Any) -> None:
        name = target if isinstance(target, str) else getattr(target, "__module__", None) or target.__name__
        if not name.startswith(_HARMLESS):
            _changed.append(name)
        put(self, target, *more, **words)

    pytest.MonkeyPatch.setattr = noting  # type: ignore[method-assign]


@contextmanager
def one_test(anew: bool = False) -> Iterator[None]:
    """Forget at the end of a test what it changed; with `anew` it asks all anew, as one does that takes times."""
    _changed[:] = ["times are taken"] if anew else []
    yield
    _changed.clear()
