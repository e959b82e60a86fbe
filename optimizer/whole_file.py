"""Bytes put into files whole or not at all, several of them together; nothing is left lying about, whatever ends it.

New content is first written in a folder of its own beside its target, which is named after the process that writes.
Where several files belong together that folder is then renamed, from which on they count as written: a process that is
killed between two of them is finished by the next start of the program (`sweep_below`), any other is swept away by it.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import re
import shutil
import stat
import sys
import threading
import time
import zlib
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

from optimizer.errors import DocumentError

_MARK = ".retrofit-"
_STAGED = re.compile(
    rf"{re.escape(_MARK)}(?P<host>[0-9a-f]{{8}})-(?P<process>\d+)-[0-9a-f]{{8}}\.(?P<state>part|ready)"
)
_MOST_BELOW = 200  # folders in a folder that are looked into: a start must not take long
_OLD_S = 86_400.0  # what another machine left on a shared disk is litter after a day


def free_target(path: Path, overwrite: bool, ending: str, inputs: Iterable[Path] = ()) -> Path:
    """Return where to write, through links, once it is clear that nothing is in the way.

    Parameters
    ----------
    path
        Where to write; the folder exists.
    overwrite
        Whether a file that is there may be replaced.
    ending
        What the name must end in, such as ".xlsx".
    inputs
        Files that are read: none of them is ever replaced, also not under another name.

    Raises
    ------
    DocumentError
        Another ending, a folder, no such folder, an input, or a file that may not be replaced.
    """
    try:
        return _free_target(Path(path), overwrite, ending, inputs)
    except (OSError, RuntimeError, ValueError) as error:  # no permission, links in a circle, a zero byte in a name
        raise DocumentError(f"{path}: cannot be written, {getattr(error, 'strerror', None) or error}") from error


def _free_target(path: Path, overwrite: bool, ending: str, inputs: Iterable[Path]) -> Path:
    target = path.resolve()
    if target.is_dir() or not target.parent.is_dir():
        why = "it is a folder" if target.is_dir() else f"there is no folder {target.parent}"
        if target.parent.exists() and not target.parent.is_dir():
            why = f"{target.parent} is a file, not a folder"
        raise DocumentError(f"{path}: cannot be written, {why}")
    if target.suffix.lower() != ending and path.suffix.lower() == ending:
        raise DocumentError(f"{path}: is a link to {target}, whose name does not end in {ending}; choose another name")
    if target.suffix.lower() != ending:
        raise DocumentError(f"{path}: the name of this file ends in {ending}; write {path.with_suffix(ending).name}")
    for read in inputs:
        if _one_file(target, read):
            raise DocumentError(
                f"{path}: is {read}, which is read; an output never replaces an input, choose another name"
            )
    sweep(target.parent)
    if target.exists():
        _refuse_taken(path, target, overwrite)
    return target


def _one_file(target: Path, other: Path) -> bool:
    """Return whether two names mean one file, also through links and hard links."""
    with contextlib.suppress(OSError):
        return target == Path(other).resolve() or (target.exists() and os.path.samefile(target, other))
    return False


def _refuse_taken(path: Path, target: Path, overwrite: bool) -> None:
    if not overwrite:
        raise DocumentError(f"{path}: is there already; choose another name, or allow it (--replace)")
    if not target.is_file():
        raise DocumentError(f"{path}: cannot be written, it is no ordinary file")
    if not os.access(target, os.W_OK):
        raise DocumentError(f"{path}: cannot be written, it is marked read-only")


def put_whole(target: Path, content: bytes) -> None:
    """Put the content in place in one step, as `put_all` does."""
    put_all({target: content})


def put_all(contents: Mapping[Path, bytes | Iterable[bytes]]) -> None:
    """Put several files in place, all or none; what was there keeps its mode and its hard links.

    Content may come in pieces; what makes a piece may raise, and nothing is put in place then.

    Raises
    ------
    DocumentError
        When one cannot be written; what was there is still there then.
    """
    folders: dict[Path, dict[str, bytes | Iterable[bytes]]] = {}
    for target, content in contents.items():
        folders.setdefault(target.parent, {})[target.name] = content
    staged: list[Path] = []
    try:
        for folder, files in folders.items():
            staged.append(_staging(folder))
            for name, content in files.items():
                _write(staged[-1] / name, content, folder / name)
        _uninterrupted(lambda: _commit(staged, several=len(contents) > 1), contents)
    except OSError as error:
        names = ", ".join(str(target) for target in contents)
        raise DocumentError(f"{names}: cannot be written, {error.strerror or error}") from error
    finally:
        _clear(staged)


def put_folder(folder: Path, contents: Mapping[str, bytes]) -> None:
    """Make a folder with these files in it, in one step.

    Raises
    ------
    DocumentError
        When it cannot be made; nothing is there then.
    """
    staged: Path | None = None
    try:
        staged = made = _staging(folder.parent)
        for name, content in contents.items():
            _write(made / name, content, made / name)
        made.chmod(0o777 & ~_umask())
        _uninterrupted(lambda: made.rename(folder), [folder])
    except OSError as error:
        raise DocumentError(f"{folder}: this folder cannot be made, {error.strerror or error}") from error
    finally:
        if staged is not None:
            _clear([staged])


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def _staging(folder: Path) -> Path:
    staged = folder / f"{_MARK}{_host()}-{os.getpid()}-{os.urandom(4).hex()}.part"
    _GATE.staged.append(staged)
    staged.mkdir(mode=0o700)
    return staged


def _clear(staged: Iterable[Path]) -> None:
    for each in staged:
        shutil.rmtree(each, ignore_errors=True)
        shutil.rmtree(each.with_suffix(".ready"), ignore_errors=True)


def _host() -> str:
    import platform

    return f"{zlib.crc32(platform.node().encode()):08x}"


def _write(path: Path, content: bytes | Iterable[bytes], target: Path) -> None:
    with path.open("xb") as file:
        for piece in (content,) if isinstance(content, bytes) else content:
            file.write(piece)
        file.flush()
        os.fsync(file.fileno())
    with contextlib.suppress(FileNotFoundError):
        path.chmod(stat.S_IMODE(target.stat().st_mode))


def _commit(staged: Iterable[Path], several: bool) -> None:
    """Move what is staged into place. A single file is there in one step; several first count as written."""
    ready = []
    for each in staged:
        several = several or any(_is_shared(each.parent / one.name) for one in each.iterdir())
        ready.append(each.rename(each.with_suffix(".ready")) if several else each)
    for each in ready:
        _move_out(each)


def _is_shared(target: Path) -> bool:
    """Return whether a file has several names (hard links), which a rename would part."""
    with contextlib.suppress(FileNotFoundError):
        return target.stat().st_nlink > 1
    return False


def _move_out(staged: Path) -> None:
    for one in sorted(staged.iterdir()):
        target = staged.parent / one.name
        if _is_shared(target):
            with target.open("r+b") as file:
                file.write(one.read_bytes())
                file.truncate()
                file.flush()
                os.fsync(file.fileno())
            one.unlink()
        else:
            os.replace(one, target)
    staged.rmdir()


def sweep(folder: Path) -> None:
    """Finish or clear away in a folder what processes that are no more have left there."""
    try:
        found = [(entry, _STAGED.fullmatch(entry.name)) for entry in os.scandir(folder) if entry.name.startswith(_MARK)]
    except OSError:
        return  # whoever writes there will hear of it
    for entry, match in found:
        if match is None or not entry.is_dir(follow_symlinks=False) or not _is_over(entry, match):
            continue
        with contextlib.suppress(OSError):
            if match["state"] == "ready":
                _move_out(Path(entry.path))
        shutil.rmtree(entry.path, ignore_errors=True)


def sweep_below(folder: Path) -> None:
    """Do so in a folder and in those that stand in it: pictures are written into a folder of their own."""
    sweep(folder)
    with contextlib.suppress(OSError):
        below = (entry for entry in os.scandir(folder) if entry.is_dir(follow_symlinks=False))
        for entry in itertools.islice(below, _MOST_BELOW):
            sweep(Path(entry.path))


def _is_over(entry: os.DirEntry[str], match: re.Match[str]) -> bool:
    process = int(match["process"])
    if process == os.getpid() and match["host"] == _host():
        return False
    if match["host"] == _host() and sys.platform != "win32":  # there, signal 0 is no question but a Ctrl-C
        try:
            os.kill(process, 0)
        except ProcessLookupError:
            return True
        except OSError:
            return False
    with contextlib.suppress(OSError):
        return time.time() - entry.stat().st_mtime > _OLD_S
    return False


class _Gate:
    """What was written so far; once it is shut, nothing more is."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.shut = False
        self.written: list[Path] = []
        self.staged: list[Path] = []


_GATE = _Gate()


def open_gate() -> None:
    """Begin anew to count what is written."""
    with _GATE.lock:
        _GATE.shut, _GATE.written, _GATE.staged = False, [], []


def shut_gate() -> tuple[Path, ...]:
    """Let nothing more be written, once what is being put in place is there; return what was."""
    with _GATE.lock:
        _GATE.shut = True
        _clear(_GATE.staged)
        return tuple(_GATE.written)


def _uninterrupted(work: Callable[[], object], targets: Iterable[Path]) -> None:
    """Do what must not be half done: beside the main thread, which alone hears of Ctrl-C, and then raises it."""
    failed: list[OSError] = []

    def run() -> None:
        with _GATE.lock:
            if _GATE.shut:
                return
            try:
                work()
                _GATE.written.extend(targets)
            except OSError as error:
                failed.append(error)

    thread = threading.Thread(target=run)
    stopped: KeyboardInterrupt | None = None
    thread.start()
    done = False
    while not done:
        try:
            thread.join()
            done = True
        except KeyboardInterrupt as error:
            stopped = error
            done = not thread.is_alive()
    if stopped is not None:
        raise stopped
    if failed:
        raise failed[0]
