"""A search that several tests ask for is done once: the same question, to the last number, has the same answer.

It is so only for searches that were proved to their end. A test that changes the program under it (`monkeypatch` of
anything but the command line and what is printed) asks anew, and so does one that is short of time.
"""

from __future__ import annotations

import hashlib
import pickle
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from optimizer.clock import left_s
from optimizer.model.plan import Status
from optimizer.search import cheapest, unknown_pumps

MOST = 40  # answers that are kept, with all their tables
TIME_S = 20.0  # who has less may not get an answer that took longer
_NOT_ASKED = ("progress", "time_limit_s")  # what does not change a proved answer
_HARMLESS = ("optimizer.cli", "optimizer.documents", "os", "sys")
_known: OrderedDict[str, Any] = OrderedDict()
_catalogs: dict[int, tuple[object, bytes]] = {}
_changed: list[str] = []  # what the test that runs has put in the program's place


def remembering(search: Callable[..., Any]) -> Callable[..., Any]:
    """Return a search that gives the answer that it gave before, where it was asked the same before."""

    def ask(system: object, catalog: object, **terms: Any) -> Any:
        if _changed or min(left_s(), terms.get("time_limit_s", 60.0)) < TIME_S:
            return search(system, catalog, **terms)
        asked = {name: value for name, value in terms.items() if name not in _NOT_ASKED}
        key = hashlib.sha256(pickle.dumps((search.__name__, system, asked)) + _catalog(catalog)).hexdigest()
        if key in _known:
            _known.move_to_end(key)
            return _known[key]
        found = search(system, catalog, **terms)
        if found.plan.status in (Status.OPTIMAL, Status.INFEASIBLE) and not getattr(found, "by_hand", False):
            _known[key] = found
            if len(_known) > MOST:
                _known.popitem(last=False)
        return found

    return ask


def _catalog(catalog: object) -> bytes:
    """Return what a catalog is known by; it is kept, so that no other one is ever at its place."""
    if id(catalog) not in _catalogs:
        _catalogs[id(catalog)] = (catalog, hashlib.sha256(pickle.dumps(catalog)).digest())
    return _catalogs[id(catalog)][1]


def install() -> None:
    """Put it before both searches, as long as nobody has imported them by name."""
    cheapest.find_plan = remembering(cheapest.find_plan)
    unknown_pumps.find_any = remembering(unknown_pumps.find_any)
    put = pytest.MonkeyPatch.setattr

    def noting(self: pytest.MonkeyPatch, target: Any, *more: Any, **words: Any) -> None:
        name = target if isinstance(target, str) else getattr(target, "__module__", None) or target.__name__
        if not name.startswith(_HARMLESS):
            _changed.append(name)
        put(self, target, *more, **words)

    pytest.MonkeyPatch.setattr = noting  # type: ignore[method-assign]


@contextmanager
def one_test() -> Iterator[None]:
    """Forget at the end of a test what it changed."""
    _changed.clear()
    yield
    _changed.clear()
