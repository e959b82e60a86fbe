"""One file that is worked on: what stands in it now, what stood before each change, what the disk has meanwhile."""

from __future__ import annotations

import os
import threading
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from optimizer.edits import saving
from optimizer.edits.outcome import Outcome, outcome
from optimizer.errors import Fault, InputError
from optimizer.model.catalog import Catalog
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.nodes import read_tree
from optimizer.web.answers import Answers
from optimizer.web.forms import Standing, changed
from optimizer.web.plans import Plans
from optimizer.web.steps import Steps
from optimizer.web.windows import Windows
from optimizer.web.worker import Asked
from optimizer.whole_file import put_whole

MOST_BYTES = 1_000_000  # of a system file: more is not read
MOST_STEPS = 500  # that can be undone


@dataclass(frozen=True)
class Sheet:
    """What stands in the file at one moment of the sitting. `answers` are None where it has `faults`.

    `revision` rises with each change; `saved` tells whether the file has it, `changed_on_disk` whether the file has
    something that no page showed yet. `before` and `after` count what can be undone and done again.
    """

    revision: int
    text: str
    answers: Answers | None
    faults: tuple[Fault, ...]
    saved: bool
    changed_on_disk: bool = False
    before: int = 0
    after: int = 0


class Refused(Exception):  # noqa: N818 - the owner may want it all the same
    """A change would leave errors in a file that has none; carries them."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        super().__init__(f"{len(faults)} errors")
        self.faults = faults


class Stale(Exception):  # noqa: N818 - it is no error: somebody else was faster
    """A change was asked for of a sheet that is no longer the last one."""


class Sitting:
    """A file with the changes of a sitting. All methods may be called from several threads.

    `given` are catalog files of the command line. InputError where the path is a folder, a device, or far too large.
    """

    def __init__(self, path: Path, given: Sequence[Path] = ()) -> None:
        self.path = path
        self.given = tuple(given)
        self.windows = Windows()
        self.plans = Plans()
        self._lock = threading.RLock()
        self._lists: tuple[str, ...] = ()
        self._outcome: tuple[object, Outcome] | None = None  # the last one read, with the stamps of its lists
        self._shelf: Catalog | None = None
        self._past: list[str] = []
        self._future: list[str] = []
        self._revision = 0
        self._steps = Steps()
        self._disk = _bytes_of(path)
        if self._disk is None and os.path.lexists(path):
            read_tree(path)  # which says why it is none that can be worked on
        self._text = _text(self._disk)
        self._sheet: Sheet | None = None
        self.last_read: System | None = None  # as the file last was without errors

    @property
    def sheet(self) -> Sheet:
        """Return what stands in the file now, read and ready to be asked."""
        with self._lock:
            if self._sheet is None:
                self._sheet = self._read()
            disk = _bytes_of(self.path)
            return replace(self._sheet, changed_on_disk=disk != self._disk)

    @property
    def revision(self) -> int:
        return self._revision

    @property
    def folder_lists(self) -> tuple[tuple[str, bool], ...]:
        """Return the CSV files beside the system file by name, and whether each counts."""
        folder = self.path.absolute().parent
        found = sorted(path.name for path in folder.glob("*.csv") if path.is_file()) if folder.is_dir() else []
        return tuple((name, name in self._lists) for name in found)

    def take_lists(self, names: Sequence[str], window: str = "") -> None:
        """Let these price lists of the folder count, and no others; names that are not there are passed over."""
        with self._lock:
            self._lists = tuple(name for name, _ in self.folder_lists if name in names)
            self._step(window)
            self._sheet = None

    @property
    def catalogs(self) -> tuple[Path, ...]:
        """Return the owner's catalog files that count."""
        folder = self.path.absolute().parent
        return (*self.given, *(folder / name for name in self._lists))

    def put(self, revision: int, text: str, window: str = "") -> None:
        """Make this the text of the file, as a step that can be undone; Stale where another window was faster."""
        with self._lock:
            self._expect(revision, window)
            if text == self._text:
                return
            self._past = [*self._past, self._text][-MOST_STEPS:]
            self._future = []
            self._turn_to(text, window)

    def change(self, form: Mapping[str, str], window: str = "") -> None:
        """Change the file as a form asks, as a step that can be undone; `window` is the name of the page it is in.

        Raises
        ------
        Stale
            The form belongs to an earlier text, changed since in another window.
        Refused
            It would leave errors in a file that has none, or is empty, and the form does not say `anyway`.
        EditError
            It cannot be done.
        """
        with self._lock:
            self._expect(int(form["rev"]) if form.get("rev", "").isdigit() else -1, window, form.get("at", ""))
            answers = self.sheet.answers
            told = (answers.system, answers.catalog) if answers else (None, self.shelf)
            text = changed(form, Standing(self._text, *told))
            was_sound = answers is not None or not self._text.strip()
            if was_sound and not form.get("anyway"):
                faults = self._read_as(text).faults
                if faults:
                    raise Refused(faults)
            self.put(self._revision, text, window)

    def save(self, over: bool = False, window: str = "") -> None:
        """Put the text into the file; FileChangedError where that has something else by now, unless `over` is said."""
        with self._lock:
            known = _bytes_of(self.path) if over else self._disk
            if not self._text and known is None:
                return
            self._disk = saving.save(self.path, known, self._text)
            self._sheet = None
            self._step(window)

    def read_as(self, text: str) -> Outcome:
        """Return what a text would say in place of the one that stands; nothing is kept of it."""
        with self._lock:
            kept = self._outcome
        if kept is None:
            return outcome(text, self.path, self.catalogs)
        return outcome(text, self.path, self.catalogs, kept[1])

    @property
    def shelf(self) -> Catalog | None:
        """Return the catalogs, for a file that cannot be read yet; None where they have faults of their own."""
        with self._lock:
            if self._outcome is not None and self._outcome[1].catalog is not None:
                return self._outcome[1].catalog
            if self._shelf is None:
                with suppress(InputError):
                    self._shelf = load_catalog(self.catalogs)
            return self._shelf

    def undo(self, revision: int, window: str = "") -> None:
        """Go back one step; nothing happens where there is none."""
        with self._lock:
            self._expect(revision, window)
            if self._past:
                self._future.append(self._text)
                self._turn_to(self._past.pop(), window)

    def redo(self, revision: int, window: str = "") -> None:
        """Do again what was undone last."""
        with self._lock:
            self._expect(revision, window)
            if self._future:
                self._past.append(self._text)
                self._turn_to(self._future.pop(), window)

    def read_again(self, revision: int, window: str = "") -> None:
        """Take what the disk has, as a step that can be undone."""
        with self._lock:
            disk = _bytes_of(self.path)
            self.put(revision, _text(disk), window)
            self._disk = disk
            self._sheet = None

    def _expect(self, revision: int, window: str = "", at: str = "") -> None:
        """Raise Stale where a form was made for another revision, but for the own last steps of a quick window."""
        if revision == self._revision:
            return
        answers = self.sheet.answers
        system = answers.system if answers is not None else None
        own = self._steps.own(revision, self._revision, window)
        if not own or not self._steps.means_the_same(at, revision, system):
            raise Stale

    def _turn_to(self, text: str, window: str = "") -> None:
        self._text = text
        self._step(window)
        self._sheet = None

    def _step(self, window: str = "") -> None:
        self._revision += 1
        self._steps.made(self._revision, window)

    def _read(self) -> Sheet:
        """Return the sheet of the text as it stands."""
        counts = (len(self._past), len(self._future))
        saved = self._text is not None and self.content == (self._disk or b"")
        told = self._read_as(self._text)
        answers = None if told.system is None or told.catalog is None else Answers(told.system, told.catalog)
        self.last_read = told.system or self.last_read
        self._steps.showed(self._revision, told.system)
        return Sheet(self._revision, self._text, answers, told.faults, saved, False, *counts)

    def _read_as(self, text: str) -> Outcome:
        """Return a text as the reader understands it; the catalogs are read anew only where the lists changed."""
        stamps = tuple((path, path.stat().st_mtime_ns if path.exists() else 0) for path in self.catalogs)
        before = self._outcome[1] if self._outcome is not None and self._outcome[0] == stamps else None
        if before is not None and before.text == text:
            return before
        try:
            told = outcome(text, self.path, self.catalogs, before)
        except UnicodeEncodeError:  # it came from bytes that are no text
            told = Outcome(text, None, None, _faults_of(self.path, bytes_of_text(text)))
        self._outcome = (stamps, told)
        return told

    def asked(
        self, what: str, time_limit_s: float, quote: bytes = b"", options: Mapping[str, str] | None = None
    ) -> Asked:
        """Return a piece of work on what stands in the file now; `options` are fields of a form, trusted in nothing."""
        lists = tuple(self.path.absolute().parent / name for name, _ in self.folder_lists)
        with self._lock:
            work = Asked(what, self.path, bytes_of_text(self._text), self.catalogs, time_limit_s, quote=quote)
            return replace(work, options=dict(options or {}), lists=lists)

    @property
    def content(self) -> bytes:
        """Return what the file would hold now."""
        return bytes_of_text(self._text)

    def leave(self) -> list[str]:
        """End what still runs; return what is to be said."""
        self.plans.jobs.end()
        with self._lock:
            if self.content == (self._disk or b""):
                return []
            kept = self.unsaved_path
            put_whole(kept, self.content)
            return [f"What was not saved is in {kept}; {self.path} is as it was."]

    @property
    def unsaved_path(self) -> Path:
        """Return where an unsaved text goes at the end, beside the file."""
        path = self.path.resolve()
        return path.with_name(f"{path.stem}.unsaved{path.suffix or '.yaml'}")

    @property
    def left_over(self) -> bool:
        """Return whether an earlier sitting ended with changes that were not saved."""
        return self.unsaved_path.is_file()

    def take_left_over(self, revision: int, keep: bool) -> None:
        """Take up what an earlier sitting did not save, as a step that can be undone, or throw it away."""
        with self._lock:
            self._expect(revision)
            content = _bytes_of(self.unsaved_path)
            if content is not None and keep:
                self.put(revision, _text(content))
            self.unsaved_path.unlink(missing_ok=True)
            self._step()
            self._sheet = None


def _faults_of(path: Path, content: bytes) -> tuple[Fault, ...]:
    """Return what the reader has to say of bytes that it cannot read."""
    try:
        read_tree(path, content)
    except InputError as error:
        return error.faults
    return ()


def _bytes_of(path: Path) -> bytes | None:
    """Return what a file holds; None where there is none, or nothing that is a file of text."""
    try:
        if path.is_file() and path.stat().st_size <= MOST_BYTES:
            return path.read_bytes()
    except OSError:
        return None
    return None


def bytes_of_text(text: str) -> bytes:
    """Return what a text is in a file."""
    return text.encode("utf-8", errors="surrogateescape")


def _text(content: bytes | None) -> str:
    """Return the bytes of a file as text; what is no text stands for itself, so that its fault is told."""
    return (content or b"").decode("utf-8", errors="surrogateescape")
