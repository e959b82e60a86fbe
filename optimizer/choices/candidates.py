"""Which catalog parts may take the place of an existing one: the shelf that a run may choose from."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from optimizer.errors import CatalogError
from optimizer.joints.chains import new_part
from optimizer.joints.mating import mating
from optimizer.model.catalog import PIPES, THROTTLES, Catalog, CatalogItem, Kind
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.kinds import KINDS
from optimizer.model.network import Part, Run
from optimizer.model.rules import LARGER_SIZES, Rules


@dataclass(frozen=True, slots=True)
class Candidate:
    """New parts in place of `span` existing ones, with the take-outs that they add at either end."""

    parts: tuple[Part, ...]
    span: int = 1
    entry_take_out_m: float = 0.0
    exit_take_out_m: float = 0.0

    @property
    def entry(self) -> End:
        return self.parts[0].ends[0]

    @property
    def exit(self) -> End:
        return self.parts[-1].ends[-1]

    @property
    def pipe(self) -> CatalogItem | None:
        return self.parts[0].item if self.parts[0].kind in PIPES else None


@dataclass
class Shelf:
    """The catalog rows that one run may be built from, by kind and nominal size."""

    catalog: Catalog
    run: Run
    rules: Rules
    sizes: tuple[str, ...] = field(init=False)
    system: SizeSystem = field(init=False)
    _socketed: dict[tuple[Kind, str], list[CatalogItem]] = field(init=False)
    _stretches: dict[tuple[str, str], Shelf] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        pipes = self.catalog.pipes_known(self.run.family)
        names = list(dict.fromkeys(item.ends[0].size for item in pipes))
        if self.run.size not in names:
            raise CatalogError(f"run {self.run.name!r}: the catalogs hold no {self.run.family} pipe of {self.run.size}")
        own = names.index(self.run.size)
        more = LARGER_SIZES if self.rules.resize else 0
        allowed = (self.rules.resize and self.rules.sizes) or tuple(names[own : own + 1 + more])
        self.sizes = tuple(name for name in names if name in allowed or name == self.run.size)
        self.system = self.catalog.pipe(self.run.family, self.run.size).ends[0].system
        self._socketed = defaultdict(list)
        families = self.catalog.families_for(self.run.family)
        for item in self.catalog.items.values():
            if self._fits(item, families):
                self._socketed[(item.kind, item.ends[0].size)].append(item)
        for rows in self._socketed.values():  # another class only where the run's own is not made
            first = min(_rank(item, families) for item in rows)
            rows[:] = [item for item in rows if _rank(item, families) == first]

    def _fits(self, item: CatalogItem, families: tuple[str, ...]) -> bool:
        if not self._may_be_wet(item):
            return False
        if item.kind in PIPES:
            return item.family == self.run.family
        if item.family not in families:
            return False
        same_ends = len(item.ends) == 2 and item.ends[0] == item.ends[1] and item.ends[0].form is Form.SOCKET
        return same_ends and item.ends[0].system == self.system

    def _may_be_wet(self, item: CatalogItem) -> bool:
        return item.reef_safe or self.rules.allow_unsafe_metals

    def items(self, kind: Kind, size: str) -> list[CatalogItem]:
        return self._socketed.get((kind, size), [])

    def pipe(self, size: str) -> CatalogItem | None:
        """Return the run's own kind of pipe in a size, None when it is not for sale."""
        rows = [item for kind in PIPES for item in self.items(kind, size)]
        return rows[0] if rows else None

    def stub_pipe(self, end: End) -> CatalogItem | None:
        """Return the pipe that joins two hubs of this end: the run's own family first, else the cheapest that fits."""
        own = self.pipe(end.size) if end.system == self.system else None
        if own is not None and own.ends[0].form is Form.SPIGOT:
            return own
        spigot = End(Form.SPIGOT, end.size, end.system)
        rows = [item for item in self.catalog.of_kind(Kind.PIPE) if item.ends[0] == spigot and self._may_be_wet(item)]
        return min(rows, key=lambda item: (item.price_cents, item.item_id), default=None)

    def soft_onto(self, end: End) -> list[CatalogItem]:
        """Return the hose or tube that a barb, a compression or a push-fit end takes, in id order."""
        rows = self.catalog.of_kind(Kind.HOSE, Kind.TUBE)
        return [item for item in rows if mating(end, item.ends[0]) is not None and self._may_be_wet(item)]

    def goes_onto(self, item: CatalogItem, pipe: CatalogItem) -> bool:
        """Return whether a fitting goes onto a hose or tube with both its ends, and may be wet."""
        return self._may_be_wet(item) and all(mating(pipe.ends[0], end) is not None for end in item.ends)

    def candidates(self, parts: tuple[Part, ...], index: int) -> Iterable[Candidate]:
        """Yield all that may be bought in place of the part at an index (and, where it spans two, of the next one)."""
        part = parts[index]
        shelf = self.at(parts, index)
        if shelf is not self:
            yield from shelf.candidates(parts, index)
            return
        for kind in KINDS[part.kind].substitutes:
            for size in self.sizes:
                for item in self.items(kind, size):
                    yield Candidate((new_part(item, length_m=part.length_m),)) if kind in PIPES else _single(item)
        if part.kind in (Kind.ELBOW, Kind.SWEEP_ELBOW):
            yield from self._pairs_of_45()
        if index + 1 < len(parts):
            yield from self._spans(part, parts[index + 1])

    def at(self, parts: tuple[Part, ...], index: int) -> Shelf:
        """Return the shelf of the stretch that a part stands in: a run may go over from hose to pipe and back.

        A stretch is of the pipe that fits the part: its own, else the next one of its size, ahead or behind. Where
        there is none, or one of what the run is written in, the part belongs to that.
        """
        near = sorted(range(len(parts)), key=lambda i: (abs(i - index), i))
        pipes = [parts[i].item for i in near if parts[i].kind in PIPES]
        own = {(end.size, end.system) for end in parts[index].ends if not end.form.is_thread}
        fits = [item for item in pipes if item is not None and (item.ends[0].size, item.ends[0].system) in own]
        pipe = fits[0] if fits else None
        pipeless = parts[index].kind not in PIPES and any(item.family == self.run.family for item in fits)
        if pipe is None or pipeless or pipe.family == self.run.family:
            return self
        key = (pipe.family, pipe.ends[0].size)
        if key not in self._stretches:
            run = replace(self.run, family=pipe.family, size=pipe.ends[0].size)
            self._stretches[key] = Shelf(self.catalog, run, self.rules)
        return self._stretches[key]

    def _pairs_of_45(self) -> Iterable[Candidate]:
        for size in self.sizes:
            for item in self.items(Kind.ELBOW_45, size):
                stub = self.stub_pipe(item.ends[0])
                if stub is not None:
                    halves = new_part(item), new_part(stub), new_part(item)
                    take_out = 2 * item.take_outs_m[0]
                    yield Candidate(halves, 1, take_out, take_out)

    def _spans(self, first: Part, second: Part) -> Iterable[Candidate]:
        kinds = {first.kind, second.kind}
        one: Kind | None = None
        if Kind.UNION in kinds and kinds & THROTTLES:
            one = Kind.TRUE_UNION_BALL_VALVE
        elif kinds == {Kind.ELBOW_45}:
            one = Kind.SWEEP_ELBOW
        if one is not None:
            for size in self.sizes:
                for item in self.items(one, size):
                    yield _single(item, span=2)


def _rank(item: CatalogItem, families: tuple[str, ...]) -> int:
    return families.index(item.family) if item.family in families else 0


def _single(item: CatalogItem, span: int = 1) -> Candidate:
    return Candidate((new_part(item),), span, item.take_outs_m[0], item.take_outs_m[-1])
