"""Jobs → their results: what is kept of an earlier start, the rest by workers, told how far it is as it goes."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from optimizer.errors import DocumentError, OptimizerError
from optimizer.many.answer import Answered, Job, Row
from optimizer.many.results import Kept
from optimizer.model.plan import Status
from optimizer.whole_file import put_all, put_folder, sweep

_PLANNED = (Status.OPTIMAL.value, Status.FEASIBLE.value)
Work = Callable[[Iterator[Job]], Iterator[Answered]]


@dataclass(frozen=True, slots=True)
class Progress:
    """How far it is: `done` of `all_` systems, `kept` of them from an earlier start, after so many seconds."""

    done: int
    all_: int
    kept: int
    seconds: float

    @property
    def rate(self) -> float | None:
        """Systems a second that were worked on in this start; None before the first one."""
        worked = self.done - self.kept
        return worked / self.seconds if worked and self.seconds > 0.0 else None

    @property
    def left_s(self) -> float | None:
        return None if self.rate is None else (self.all_ - self.done) / self.rate


@dataclass(frozen=True, slots=True)
class Ran:
    """The rows that are there, in the order of the jobs; fewer than there are jobs where it was stopped."""

    rows: Sequence[Row]
    stopped: bool


def run(
    jobs: Iterator[Job],
    number: int,
    work: Work,
    kept_at: Path,
    papers: Path | None = None,
    tell: Callable[[Progress], None] = lambda told: None,
) -> Ran:
    """Work on all jobs that are not worked out yet, until all are or Ctrl-C.

    Parameters
    ----------
    jobs
        All jobs, read as they are wanted.
    number
        How many there are.
    work
        What answers jobs, as they come.
    kept_at
        Where rows are kept as they come, so that nothing is worked out twice.
    papers
        The folder for papers, a folder in it for each system; None where none are wanted.
    tell
        Is told how far it is after every answer.

    Raises
    ------
    OptimizerError
        Where rows can not be kept, or papers not be written; what was worked out until then is kept.
    """
    began = time.monotonic()
    keys: list[str] = []
    before = worked = 0
    names: dict[str, str] = {}

    def open_jobs() -> Iterator[Job]:
        nonlocal before
        for job in jobs:
            keys.append(job.key)
            if job.key in kept and (papers is None or _has_papers(kept.row(job.key), folder_of(papers, job.name))):
                before += 1
                continue
            if papers is not None:
                names[job.key] = job.name
            yield job

    if papers is not None:
        _sweep_all(papers)
    with Kept(kept_at) as kept:
        stopped = False
        try:
            for one in work(open_jobs()):
                name = names.pop(one.key, "")
                if papers is not None and one.papers:
                    _put_papers(folder_of(papers, name), one.papers)
                kept.keep(one.key, one.row)
                worked += 1
                tell(Progress(before + worked, number, before, time.monotonic() - began))
        except KeyboardInterrupt:
            stopped = True
            keys += [job.key for job in jobs]
        lost = 0 if stopped else sum(key not in kept for key in keys)
        if lost:
            words = "1 system has no answer" if lost == 1 else f"{lost:,} systems have no answer"
            raise OptimizerError(f"{words} from the workers; the same command asks for the rest")
        return Ran(kept.rows_of(keys), stopped)


def _has_papers(row: Row | None, folder: Path) -> bool:
    """Return whether the papers of a row are there, or there are none to write."""
    return row is not None and (row.status not in _PLANNED or folder.is_dir())


def folder_of(papers: Path, name: str) -> Path:
    """Return the folder for a system's papers: no name leads out of `papers`, and no two names share a folder."""
    parts = [part for part in PurePosixPath(name.replace("\\", "/")).parts if part not in ("/", ".", "..")]
    return papers.joinpath(*[part.replace(":", "-") for part in parts])


def _put_papers(folder: Path, files: Mapping[str, bytes]) -> None:
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DocumentError(f"{folder}: cannot be made, {error.strerror or error}") from error
    if folder.is_dir():
        put_all({folder / file: content for file, content in files.items()})
    else:
        put_folder(folder, files)


def _sweep_all(papers: Path) -> None:
    """See to what a kill has left anywhere among the papers: each system has a folder of its own, at any depth."""
    for place, _, _ in os.walk(papers):
        sweep(Path(place))
