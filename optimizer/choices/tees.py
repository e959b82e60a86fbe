"""What may stand at a tee or cross: the fitting as it is, or a new one whose openings take the sizes of the runs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from optimizer.choices.graph import KEPT, EndState, Opening, TeeEnd
from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.ends import End, Form, SizeSystem
from optimizer.model.network import LEGS, Condition, Leg, Network, Tee


@dataclass(frozen=True, slots=True)
class TeeOption:
    """One fitting that may stand at a tee, with the state that each of its openings gives to the run there.

    `unit` is how many units of its price make a cent: more than one where prices are told finer.
    """

    tee: Tee
    states: Mapping[Leg, EndState]
    unit: int = 1

    @property
    def cents(self) -> int:
        return 0 if self.tee.existing or self.tee.item is None else self.unit * self.tee.item.price_cents

    @property
    def item(self) -> CatalogItem:
        assert self.tee.item is not None
        return self.tee.item


def tee_options(
    network: Network, point: str, catalog: Catalog, sizes: Mapping[Leg, tuple[End, ...]]
) -> list[TeeOption]:
    """Return every fitting that may stand at a tee or cross.

    Parameters
    ----------
    network, catalog
        The plumbing as it is; the rows that may be bought.
    point
        Name of the tee.
    sizes
        The sockets that the run at each leg could start from in a new fitting.
    """
    tee = network.tees[point]
    found: list[TeeOption] = []
    if tee.item is not None and tee.condition is not Condition.MUST_GO:
        found.append(TeeOption(tee, dict.fromkeys(sizes, KEPT)))
    if tee.condition is not Condition.KEEP or tee.item is None:
        found += list(_new_fittings(point, catalog, sizes))
    return found


def _new_fittings(point: str, catalog: Catalog, sizes: Mapping[Leg, tuple[End, ...]]) -> Iterable[TeeOption]:
    legs = [leg for leg in LEGS if leg in sizes]
    seen: set[tuple[End, ...]] = set()
    rows = sorted(catalog.of_kind(Kind.TEE if len(legs) == 3 else Kind.CROSS), key=lambda item: item.price_cents)
    for item in rows:
        for ends in dict.fromkeys((item.ends, (*item.ends[:2][::-1], *item.ends[2:]))):
            fits = len(ends) == len(legs) and all(end in sizes[leg] for leg, end in zip(legs, ends, strict=False))
            if fits and item.reef_safe and ends not in seen:
                seen.add(ends)
                turned = _turned(item, ends)
                openings = map(Opening, ends, turned.end_bores_m)
                yield TeeOption(Tee(point, turned, existing=False), dict(zip(legs, openings, strict=True)))


def _turned(item: CatalogItem, ends: tuple[End, ...]) -> CatalogItem:
    """Return the row with its two run openings in the order of the point's legs."""
    if item.ends == ends:
        return item
    bores, take_outs = item.end_bores_m, item.take_outs_m
    return replace(
        item,
        ends=ends,
        end_bores_m=(bores[1], bores[0], *bores[2:]),
        take_outs_m=(take_outs[1], take_outs[0], *take_outs[2:]),
    )


def leg_sockets(sizes: Iterable[str], system: SizeSystem) -> tuple[End, ...]:
    """Return the sockets of these nominal sizes in a size system."""
    return tuple(End(Form.SOCKET, size, system) for size in sizes)


def tee_end(options: list[TeeOption], leg: Leg, opening: Opening | None) -> TeeEnd:
    """Return what a run sees of a tee through one of its legs."""
    states = dict.fromkeys(option.states[leg] for option in options)
    return TeeEnd(opening, KEPT in states, tuple(state for state in states if isinstance(state, Opening)))
