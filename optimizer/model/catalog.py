"""Catalog rows as values: what a part is, how its ends look, what it loses and what it costs."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property
from typing import TYPE_CHECKING

from optimizer.errors import CatalogError
from optimizer.model.ends import End
from optimizer.model.kinds import CHECKS as CHECKS
from optimizer.model.kinds import JOINERS as JOINERS
from optimizer.model.kinds import PIPES as PIPES
from optimizer.model.kinds import SEPARABLE as SEPARABLE
from optimizer.model.kinds import THROTTLES as THROTTLES
from optimizer.model.kinds import Kind as Kind
from optimizer.model.materials import stands_salt_water
from optimizer.model.meters import MeterData

if TYPE_CHECKING:
    from optimizer.model.network import Pump


class LossMethod(StrEnum):
    """How a row's loss coefficients are to be read. K is on the velocity in `bore_m`, V²/2g."""

    THREE_K = "3-K"  # coefficients K1, Ki, Kd and nominal inches: K = K1/Re + Ki (1 + Kd/NPS^0.3)
    TWO_K = "2-K"  # K1, Kinf: K = K1/Re + Kinf (1 + 1/bore_in)
    CRANE = "L/D"  # multiple of the fully turbulent friction factor of the bore
    KV = "Kv"  # m3/h at 1 bar
    K = "K"  # a plain K
    BORES = "bores"  # from the two end bores: contraction or enlargement, by direction; bore_m is the narrower
    TEE = "tee"  # Crane run/branch by flow split
    NONE = "none"


@dataclass(frozen=True, slots=True)
class LossData:
    """Loss coefficients of a catalog row, with their source and the band they are good to."""

    method: LossMethod
    coefficients: tuple[float, ...] = ()
    bore_m: float = 0.0  # K is on the velocity in this bore
    source: str = ""
    band_low: float = 0.7  # true K may be this multiple of the stated one ...
    band_high: float = 1.3  # ... to this one


@dataclass(frozen=True, slots=True)
class CatalogItem:
    """A thing that can be bought.

    `ends` has two entries (a cap one, a tee three: run, run, branch, a cross four: run, run, branch, branch);
    `end_bores_m` and `take_outs_m` go with them. A take-out is the length from the part's centre to the bottom of that
    socket or thread, for a spigot or male thread to its tip, for a barb to the shoulder where the hose stops: the
    centres of two joined parts stand the sum of their take-outs apart. Pipe, hose and tube are sold by `sale_length_m`;
    all else by the piece (`sale_length_m` 0). A consumable has no ends, and its `family` says its use: "cement",
    "primer", "tape", "washer" or "clamp".
    """

    item_id: str
    kind: Kind
    description: str
    family: str  # "sch 40 PVC", "PVC-U PN16", ...: what a run's `size` names beside the nominal size
    material: str  # wetted material, "PVC", "brass", ...
    ends: tuple[End, ...]
    end_bores_m: tuple[float, ...]
    take_outs_m: tuple[float, ...]
    loss: LossData
    price_cents: int
    currency: str
    price_date: datetime.date
    source: str
    standard: str = ""
    pressure_rating_pa: float = 0.0
    sale_length_m: float = 0.0
    outside_diameter_m: float = 0.0  # pipe only
    bore_min_wall_m: float = 0.0  # pipe only: the largest bore the standard allows
    roughness_m: float = 0.0  # pipe only
    basis: str = "published"  # one of BASES; of lengths and bores, the loss has its own source
    note: str = ""

    @property
    def bore_m(self) -> float:
        return self.end_bores_m[0] if self.end_bores_m else 0.0

    @property
    def reef_safe(self) -> bool:
        return stands_salt_water(self.material)


BASES = ("published", "common practice, no source", "from memory", "estimate")


@dataclass(frozen=True, slots=True)
class Source:
    """Where a number comes from; `basis` is one of BASES."""

    key: str
    title: str
    place: str  # page, table, section
    date: str
    basis: str


@dataclass(frozen=True)
class Catalog:
    """All rows that may be bought or met, by id, with the sources that their keys stand for.

    Where only the owner's lists count (see `choices.for_sale`), `items` are the rows that they price and `elsewhere` is
    all the rest: met in the plumbing, never bought.
    """

    items: Mapping[str, CatalogItem]
    sources: Mapping[str, Source]
    currency: str
    socket_depths_m: Mapping[End, float] = field(default_factory=dict)  # how deep a pipe goes into this end

    fitting_families: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # pipe family -> fittings, best first
    joints_per_pack: Mapping[str, Mapping[str, int]] = field(default_factory=dict)  # consumable id -> size -> joints
    pumps: Mapping[str, Pump] = field(default_factory=dict)  # curves of the rows of kind pump, by id
    meters: Mapping[str, MeterData] = field(default_factory=dict)  # what the rows of kind flow meter read, by id
    own: frozenset[str] = frozenset()  # ids that the owner's files added or priced
    elsewhere: Mapping[str, CatalogItem] = field(default_factory=dict)  # rows that are not for sale, by id
    remarks: tuple[str, ...] = ()  # what is odd in the owner's rows, each with its place, and counts all the same
    quoted_lengths: Mapping[str, int] = field(default_factory=dict)  # what a store asks for a length of pipe [cents]

    @cached_property
    def _by_kind(self) -> Mapping[Kind, tuple[CatalogItem, ...]]:
        found: dict[Kind, list[CatalogItem]] = {}
        for key in sorted(self.items):
            found.setdefault(self.items[key].kind, []).append(self.items[key])
        return {kind: tuple(items) for kind, items in found.items()}

    @cached_property
    def _by_kind_and_size(self) -> Mapping[tuple[Kind, str], tuple[CatalogItem, ...]]:
        found: dict[tuple[Kind, str], list[CatalogItem]] = {}
        for item in (self.items[key] for key in sorted(self.items)):
            for size in dict.fromkeys(end.size for end in item.ends):
                found.setdefault((item.kind, size), []).append(item)
        return {key: tuple(items) for key, items in found.items()}

    def with_end(self, kind: Kind, size: str) -> tuple[CatalogItem, ...]:
        """Return the items of a kind with an end of a nominal size, in id order."""
        return self._by_kind_and_size.get((kind, size), ())

    def of_kind(self, *kinds: Kind) -> tuple[CatalogItem, ...]:
        """Return the rows of these kinds, in id order."""
        if len(kinds) == 1:
            return self._by_kind.get(kinds[0], ())
        found = (item for kind in set(kinds) for item in self._by_kind.get(kind, ()))
        return tuple(sorted(found, key=lambda item: item.item_id))

    @cached_property
    def pipe_ends(self) -> Mapping[str, Mapping[str, End]]:
        """Family → nominal size → the end of that pipe, hose or tube, for all that the catalog sells."""
        found: dict[str, dict[str, End]] = {}
        for item in self.of_kind(*PIPES):
            found.setdefault(item.family, {})[item.ends[0].size] = item.ends[0]
        return found

    def families_for(self, family: str) -> tuple[str, ...]:
        """Return the families of fittings that go onto pipe of a family, the first choice first."""
        return self.fitting_families.get(family, (family,))

    def pipes_known(self, family: str) -> tuple[CatalogItem, ...]:
        """Return the pipe, hose or tube of a family, for sale or not, narrow to wide."""
        rows = (*self.of_kind(*PIPES), *(item for item in self.elsewhere.values() if item.kind in PIPES))
        return tuple(sorted((item for item in rows if item.family == family), key=lambda item: item.bore_m))

    def pipe(self, family: str, size: str) -> CatalogItem:
        """Return the pipe, hose or tube of a family and nominal size; CatalogError names the sizes that there are."""
        rows = self.pipes_known(family)
        for item in rows:
            if item.ends[0].size == size:
                return item
        sizes = ", ".join(item.ends[0].size for item in rows)
        raise CatalogError(
            f"no {family} in size {size}; sizes in the catalogs: {sizes or 'none, the family is unknown'}"
        )

    def by_ends(self, kind: Kind, ends: Sequence[End], family: str | None = None) -> tuple[CatalogItem, ...]:
        """Return the rows of a kind with these ends, in either direction (of a tee: the run's two).

        With a pipe `family` only its fittings count, the first choice first. Otherwise the cheapest comes first; ids
        break ties.
        """
        wanted = tuple(ends)
        turned = (*wanted[:2][::-1], *wanted[2:])
        families = self.families_for(family) if family is not None else ()
        found = [
            item
            for item in self.of_kind(kind)
            if item.ends in (wanted, turned) and (family is None or item.family in families)
        ]
        return tuple(sorted(found, key=lambda item: (_rank(item, families), item.price_cents, item.item_id)))

    def consumables(self, use: str, size: str) -> tuple[tuple[CatalogItem, int], ...]:
        """Return (row, joints that a pack does) of what seals a joint, the smallest pack first.

        `use` is "cement", "primer", "tape", "washer" or "clamp"; `size` the joint's nominal size.
        """
        found = [
            (item, self.joints_per_pack[item.item_id][size])
            for item in self.of_kind(Kind.CONSUMABLE)
            if item.family == use and size in self.joints_per_pack.get(item.item_id, {})
        ]
        return tuple(sorted(found, key=lambda pair: (pair[1], pair[0].price_cents)))


def _rank(item: CatalogItem, families: tuple[str, ...]) -> int:
    return families.index(item.family) if item.family in families else 0
