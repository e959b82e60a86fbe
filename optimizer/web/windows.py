"""Which pages are open in the browser: each tells its name as it comes, while it is there, and as it goes."""

from __future__ import annotations

import threading
import time

PATIENCE_S = 4.0  # a page that is loaded anew goes and comes back in far less
SILENT_S = 180.0  # a page in the background may be allowed one sign of life a minute; one that crashed gives none


class Windows:
    """The open pages by their names, each with when it was last heard of [s of the monotonic clock]."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._seen: dict[str, float] = {}
        self._left_at: float | None = None  # since when none is open, once there was one

    def heard(self, name: str) -> None:
        with self._lock:
            self._seen[name] = time.monotonic()
            self._left_at = None

    def closed(self, name: str) -> None:
        with self._lock:
            self._seen.pop(name, None)
            self._note()

    @property
    def all_closed(self) -> bool:
        """Return whether there were pages and none has been open for a while."""
        with self._lock:
            now = time.monotonic()
            for name in [name for name, when in self._seen.items() if now - when > SILENT_S]:
                del self._seen[name]
                self._note()
            return self._left_at is not None and now - self._left_at > PATIENCE_S

    def _note(self) -> None:
        if not self._seen:
            self._left_at = time.monotonic()
