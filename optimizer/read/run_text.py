"""A run as it is written, before its parts are looked up → the size in force at every one of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from optimizer.model.catalog import PIPES, Catalog, Kind
from optimizer.model.ends import Form, SizeSystem
from optimizer.read.columns import system_of
from optimizer.read.nodes import Place
from optimizer.read.part_text import PartText
from optimizer.read.words import EndWords


@dataclass(frozen=True, slots=True)
class PipeSize:
    """The nominal size that a run has at one place. It changes behind a reducer, a bushing and some adapters."""

    size: str
    system: SizeSystem


@dataclass(frozen=True, slots=True)
class RunText:
    """A run as written, before its parts are looked up."""

    name: str
    place: Place
    size: str
    family: str
    parts: tuple[PartText | None, ...]  # None: the line could not be read
    then: tuple[tuple[int, tuple[str, str]], ...] = ()  # from which part on another size and family hold

    def family_at(self, index: int) -> str:
        """Return the family of pipe that the run is written in at a part."""
        return next((family for at, (_, family) in reversed(self.then) if at <= index), self.family)


def sizes_along(run: RunText, catalog: Catalog) -> list[PipeSize | None]:
    """Return the size in force before every part, and behind the last one; None: behind a line that is unreadable."""
    end = catalog.pipe_ends[run.family][run.size]
    sizes: list[PipeSize | None] = [PipeSize(end.size, end.system)]
    standing = sizes[0]  # the size of the part before, where one was stated in front of it
    begins = dict(run.then)
    for index, part in enumerate(run.parts):
        if index in begins:
            nominal, family = begins[index]
            end = catalog.pipe_ends[family][nominal]
            sizes[-1] = standing = PipeSize(end.size, end.system)
        beside = [run.parts[i] for i in (index - 1, index + 1) if 0 <= i < len(run.parts)]
        if part is not None and (size := sizes[-1]) is not None and (table := _own_table(part, size, beside)):
            sizes[-1] = PipeSize(part.size or size.size, table)  # hose, tube and pipe have tables of their own
        sizes.append(_size_behind(part, sizes[-1], standing))
        standing = _stated_in_front(part, sizes[-1])
    return sizes


def _own_table(part: PartText, size: PipeSize, beside: Sequence[PartText | None]) -> SizeSystem | None:
    """Return the size table of hose or tube in a run of pipe, of pipe in one of those; None where a part is as its run.

    Hose that sits on a barb is soft; other hose in a run of pipe is flexible pipe, which cements. Pipe in a run of hose
    says its family or size: a bare `pipe 3 ft` there may as well be meant for hose.
    """
    if size.system in (SizeSystem.HOSE, SizeSystem.TUBE):
        is_pipe = part.kind is Kind.PIPE and (part.made_of or part.size)
        return (SizeSystem.METRIC if (part.size or size.size).endswith("mm") else SizeSystem.IPS) if is_pipe else None
    if part.kind not in (Kind.HOSE, Kind.TUBE):
        return None
    if part.kind is Kind.TUBE:
        return SizeSystem.TUBE
    barbed = any(end.form is Form.BARB for other in beside if other is not None for end in other.ends)
    return SizeSystem.HOSE if barbed or "vinyl" in part.label else None


def _stated_in_front(part: PartText | None, size: PipeSize | None) -> PipeSize | None:
    return PipeSize(part.size, system_beside(part.size, size)) if part and part.size and size else size


def _size_behind(part: PartText | None, size: PipeSize | None, standing: PipeSize | None) -> PipeSize | None:
    """Return the size in force behind a part; `standing` is that of the part before it."""
    if part is None or size is None:
        return None
    if part.kind in PIPES:
        return size
    if part.to_size:
        return PipeSize(part.to_size, system_beside(part.to_size, size))
    offered = [_pipe_size(end, part, size) for end in part.ends if end.form is None or not end.form.is_thread]
    if len(offered) == 2 and standing in offered:
        return offered[1] if offered[0] == standing else offered[0]
    if offered == [standing] and part.ends[-1].form is not None and part.ends[-1].form.is_thread:
        return size  # it stands on a piece with a size of its own and leads to a thread: that size ends here
    changed = [other for other in offered if other != size]
    return changed[-1] if changed else size


def _pipe_size(end: EndWords, part: PartText, size: PipeSize) -> PipeSize:
    nominal = end.size or part.size or size.size
    return PipeSize(nominal, system_of(end.form, nominal) if end.form else system_beside(nominal, size))


def system_beside(nominal: str, size: PipeSize) -> SizeSystem:
    """Return the size system of a bare nominal size, met in a run of this size."""
    if size.system in (SizeSystem.HOSE, SizeSystem.TUBE):
        return size.system
    return SizeSystem.METRIC if nominal.endswith("mm") else SizeSystem.IPS
