"""The end graph: from one pipe end to another through catalog pieces, when the two do not mate by themselves."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from optimizer.joints.mating import Mating, material_refusal, mates, mating, piece_refusals
from optimizer.model.catalog import JOINERS, Catalog, CatalogItem, Kind
from optimizer.model.ends import End, Form
from optimizer.model.network import Part

if TYPE_CHECKING:
    import networkx as nx

MOST_PIECES = 4  # in a row, where fewer do not join two ends
CHAIN_KINDS = JOINERS | {Kind.UNION}
SOFT_ENDS = frozenset({Form.HOSE, Form.TUBE})  # what a barb, a compression or a push-fit end takes
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


def hose_piece(item: CatalogItem) -> Part:
    """Return one sale length of hose or tube as a piece with two soft ends."""
    return Part(
        kind=item.kind,
        ends=(item.ends[0], item.ends[0]),
        end_bores_m=(item.bore_m, item.bore_m),
        item=item,
        length_m=item.sale_length_m,
        existing=False,
        label=item.description,
    )


def material_of(part: Part) -> str:
    return part.item.material if part.item is not None else ""


@dataclass
class EndGraph:
    """All two-ended joining pieces of a catalog, by the end that they offer.

    Nodes are ends, arcs are catalog pieces; two nodes touch where `mating` says so. Unsafe metals are left out unless
    allowed, as is everything below the pressure rating asked for [Pa, gauge] and every metal taper male into a plastic
    female. With `hoses` one sale length of hose or tube is a piece as well: the way on from a barb. With `refused` the
    pieces that must not be used stay in, for whoever wants to show them with the reason.
    """

    catalog: Catalog
    allow_unsafe_metals: bool = False
    max_pieces: int = 3
    pressure_pa: float = 0.0
    hoses: bool = False
    refused: bool = False
    _rows: Mapping[End, list[tuple[CatalogItem, bool]]] = field(init=False)  # by the end offered; turned or not
    _offered: dict[End, list[Part]] = field(init=False, default_factory=dict)
    _by_far: dict[End, Mapping[End, list[Part]]] = field(init=False, default_factory=dict)
    _memo: dict[tuple[End, End, int, bool], tuple[Chain, ...]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        rows: dict[End, list[tuple[CatalogItem, bool]]] = defaultdict(list)
        for item in self.catalog.of_kind(*CHAIN_KINDS):
            if len(item.ends) == 2 and (self.refused or not self.why_refused(item)):
                rows[item.ends[0]].append((item, False))
                if item.ends[0] != item.ends[1]:
                    rows[item.ends[1]].append((item, True))
        for item in self.catalog.of_kind(Kind.HOSE, Kind.TUBE) if self.hoses else ():
            if item.ends[0].form in SOFT_ENDS and (self.refused or not self.why_refused(item)):
                rows[item.ends[0]].append((item, False))
        self._rows = rows

    def offering(self, end: End) -> list[Part]:
        """Return every piece with this end in front."""
        if end not in self._offered:
            self._offered[end] = [
                hose_piece(item) if item.kind in (Kind.HOSE, Kind.TUBE) else new_part(item, turned)
                for item, turned in self._rows.get(end, ())
            ]
        return self._offered[end]

    def _offering_to(self, end: End, far: End) -> Sequence[Part]:
        if end not in self._by_far:
            found: dict[End, list[Part]] = {}
            for part in self.offering(end):
                found.setdefault(part.ends[1], []).append(part)
            self._by_far[end] = found
        return self._by_far[end].get(far, ())

    def why_refused(self, item: CatalogItem) -> tuple[str, ...]:
        """Return why a piece must not be used in this graph's water and at its pressure."""
        return piece_refusals(item, allow_unsafe_metals=self.allow_unsafe_metals, pressure_pa=self.pressure_pa)

    def pieces_onto(self, end: End, material: str = "", far: End | None = None) -> Iterable[tuple[Mating, Part]]:
        """Yield every piece that mates with an end, oriented to go on from there; with `far`, those that lead to it.

        `material` is what the end is made of; empty: not known, taken as plastic.
        """
        for other, joint in mates(end):
            for part in self.offering(other) if far is None else self._offering_to(other, far):
                if self.refused or not material_refusal(end, material, part.ends[0], material_of(part)):
                    yield joint, part

    @cached_property
    def graph(self) -> nx.MultiDiGraph[End]:
        """The end graph: from a waiting end an arc for each piece that mates with it, to the piece's far end."""
        import networkx as nx

        graph: nx.MultiDiGraph[End] = nx.MultiDiGraph()
        ends = {End(form, end.size, end.system) for end in self._rows for form in Form}
        for end in sorted(ends):
            for _, part in self.pieces_onto(end):
                graph.add_edge(end, part.ends[1], key=part.words, part=part)
        return graph

    def why_no_way(self, start: End, goal: End) -> str:
        """Return why no chain of at most `max_pieces` pieces leads from one end to another; empty if one may."""
        import networkx as nx

        goals = {End(form, goal.size, goal.system) for form in Form}
        goals = {end for end in goals if mating(end, goal) is not None}
        if start in goals:
            return ""
        if start not in self.graph:
            return f"no piece in the catalogs goes onto {start}"
        steps = nx.single_source_shortest_path_length(self.graph, start)
        reached = [steps[end] for end in goals if end in steps]
        if not reached:
            offered = any(end in self.graph for end in goals)
            return (
                f"no chain of pieces leads from {start} to {goal}" if offered else f"no piece ends in what {goal} takes"
            )
        if min(reached) <= self.max_pieces:
            return ""
        return (
            f"from {start} to {goal} takes {min(reached)} pieces or more; over {self.max_pieces} in a row is not "
            "offered: change the size in the pipe instead"
        )

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
        own = material_of(so_far.pieces[-1]) if so_far.pieces else ""
        if last is not None and (self.refused or not material_refusal(at, own, goal, "")):
            yield Chain(so_far.pieces, (*so_far.matings, last))
        if len(so_far.pieces) == limit:
            return
        for joint, part in self.pieces_onto(at, own):
            far = part.ends[1]
            if (not unions or so_far.separable) if part.kind is Kind.UNION else far in seen:
                continue
            if len(so_far.pieces) + 1 == limit and mating(far, goal) is None:
                continue
            longer = Chain((*so_far.pieces, part), (*so_far.matings, joint))
            yield from self._walk(far, goal, longer, limit, unions, seen | {far})
