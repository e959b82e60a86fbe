"""The end graph: from one pipe end to another through catalog pieces, when the two do not mate by themselves."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from optimizer.joints.mating import Mating, mating
from optimizer.model.catalog import JOINERS, Catalog, CatalogItem, Kind
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.network import Part

CHAIN_KINDS = JOINERS | {Kind.UNION}
STUB_CLEARANCE_M = 0.010  # pipe that shows between two hubs: common practice, no source


@dataclass(frozen=True, slots=True)
class Chain:
    """Pieces in a row from one end to another. `matings` has one entry more than `pieces`."""

    pieces: tuple[Part, ...]
    matings: tuple[Mating, ...]

    @property
    def price_cents(self) -> int:
        return sum(piece.item.price_cents for piece in self.pieces if piece.item is not None)

    @property
    def separable(self) -> bool:
        """Whether a union in the chain lets it be unbolted."""
        return any(piece.kind is Kind.UNION for piece in self.pieces)


def new_part(item: CatalogItem, reverse: bool = False, length_m: float = 0.0) -> Part:
    """Return a catalog row as a bought part, its ends in the order of the run."""
    order = slice(None, None, -1) if reverse else slice(None)
    return Part(
        kind=item.kind,
        ends=item.ends[order],
        end_bores_m=item.end_bores_m[order],
        item=item,
        reverse=reverse,
        length_m=length_m,
        existing=False,
        label=item.description,
    )


@dataclass
class EndGraph:
    """All two-ended joining pieces of a catalog, by the end that they offer.

    Nodes are ends, arcs are catalog pieces; two nodes touch where `mating` says so. Unsafe metals are left out unless
    allowed, as is everything below the pressure rating asked for.
    """

    catalog: Catalog
    allow_unsafe_metals: bool = False
    max_pieces: int = 3
    _by_form: Mapping[tuple[Form, str, SizeSystem], list[Part]] = field(init=False)
    _memo: dict[tuple[End, End, int, bool], tuple[Chain, ...]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        by_end: dict[tuple[Form, str, SizeSystem], list[Part]] = defaultdict(list)
        for item in self.catalog.of_kind(*CHAIN_KINDS):
            if len(item.ends) != 2 or not (item.reef_safe or self.allow_unsafe_metals):
                continue
            for reverse in (False, True) if item.ends[0] != item.ends[1] else (False,):
                part = new_part(item, reverse)
                by_end[(part.ends[0].form, part.ends[0].size, part.ends[0].system)].append(part)
        self._by_form = by_end

    def pieces_onto(self, end: End) -> Iterable[tuple[Mating, Part]]:
        """Yield every piece that mates with an end, oriented to go on from there."""
        for form in Form:
            joint = mating(end, End(form, end.size, end.system))
            if joint is not None:
                for part in self._by_form.get((form, end.size, end.system), ()):
                    yield joint, part

    def chains(self, start: End, goal: End, max_pieces: int | None = None, unions: bool = True) -> tuple[Chain, ...]:
        """Return every sensible way from one end to another with at most `max_pieces` pieces.

        The direct joint counts as a chain of no pieces. Left out are chains that come back to an end they passed, and,
        unless asked for, chains with a union in them.
        """
        limit = self.max_pieces if max_pieces is None else max_pieces
        key = (start, goal, limit, unions)
        if key not in self._memo:
            self._memo[key] = tuple(self._walk(start, goal, Chain((), ()), limit, unions, frozenset({start})))
        return self._memo[key]

    def _walk(
        self, at: End, goal: End, so_far: Chain, limit: int, unions: bool, seen: frozenset[End]
    ) -> Iterable[Chain]:
        last = mating(at, goal)
        if last is not None:
            yield Chain(so_far.pieces, (*so_far.matings, last))
        if len(so_far.pieces) == limit:
            return
        for joint, part in self.pieces_onto(at):
            far = part.ends[1]
            if (not unions or so_far.separable) if part.kind is Kind.UNION else far in seen:
                continue
            if len(so_far.pieces) + 1 == limit and mating(far, goal) is None:
                continue
            longer = Chain((*so_far.pieces, part), (*so_far.matings, joint))
            yield from self._walk(far, goal, longer, limit, unions, seen | {far})
