"""What the pump could burst with everything shut: kept off the shelf, and taken out where a stronger pump comes in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from optimizer.choices.for_sale import of_one_plastic
from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.checks import Check
from optimizer.model.network import Condition, Network, Part, Tee
from optimizer.model.safety import WORSE
from optimizer.model.system import System
from optimizer.verify.running import fastest
from optimizer.verify.shut_off import pressure_at_pa, shut_off_pressures_pa


def most_pressures_pa(system: System) -> dict[str, float]:
    """Return the greatest pressure in each run with everything shut, at any speed of the dials and settings [Pa]."""
    return shut_off_pressures_pa(fastest(system, system.network))


def rated_shelves(system: System, catalog: Catalog) -> dict[str, Catalog]:
    """Return the catalog that each run buys from: nothing that could burst in it or takes other cement than its pipe.

    Runs that may buy the same share one.

    A tee buys as any of its runs does: they hang together, and the same presses in all of them.
    """
    pressures_pa = dict.fromkeys(system.network.runs, 0.0) | most_pressures_pa(system)
    families = {name: run.family for name, run in system.network.runs.items()}
    shelves: dict[frozenset[str], Catalog] = {}
    made: dict[tuple[float, str], Catalog] = {}
    for pressure_pa, family in sorted({(pressures_pa[name], family) for name, family in families.items()}):
        shelf = of_one_plastic(rated(catalog, pressure_pa), family)
        made[pressure_pa, family] = shelves.setdefault(frozenset(shelf.items), shelf)
    return {name: made[pressures_pa[name], family] for name, family in families.items()}


def rated(catalog: Catalog, pressure_pa: float) -> Catalog:
    """Return a catalog that sells nothing that the pump or house water could burst with everything shut.

    What is too weak is still known, for plumbing that stands is made of it; unrated parts are sold.
    """
    weak = {key: item for key, item in catalog.items.items() if _too_weak(item, pressure_pa)}
    if not weak:
        return catalog
    kept = {key: item for key, item in catalog.items.items() if key not in weak}
    return replace(catalog, items=kept, elsewhere={**catalog.elsewhere, **weak})


def with_pump_borne(today: System, variant: System) -> System | None:
    """Return a system with another pump in it, what that one could burst marked as having to go.

    None where such a part must stay: then that pump is none for this plumbing. What is too weak already may stay as
    long as the new pump presses no harder in its run.
    """
    now = most_pressures_pa(today)
    harder = {
        name: pressure_pa
        for name, pressure_pa in most_pressures_pa(variant).items()
        if pressure_pa > now.get(name, 0.0) * (1.0 + WORSE)
    }
    return _without_weak(variant, harder) if harder else variant


def with_weak_gone(system: System) -> System | None:
    """Return a system in which what its own pumps could burst is marked as having to go, where that is not accepted.

    None where such a part must stay.
    """
    pressures_pa = most_pressures_pa(system)
    if Check.PRESSURE in system.rules.accepted or not any(_weak(system.network, pressures_pa)):
        return system
    return _without_weak(system, pressures_pa)


def weak_parts(system: System) -> list[str]:
    """Return what could burst in the plumbing as it stands, in words."""
    return [
        weak.words if isinstance(weak, Part) else weak.item.description if weak.item else ""
        for weak in _weak(system.network, most_pressures_pa(system))
    ]


def _without_weak(system: System, pressures_pa: Mapping[str, float]) -> System | None:
    network = system.network
    weak = [*_weak(network, pressures_pa)]
    if any(each.condition is Condition.KEEP for each in weak):
        return None
    runs = {
        name: replace(run, parts=tuple(_gone(part, pressures_pa.get(name, 0.0)) for part in run.parts))
        for name, run in network.runs.items()
    }
    tees = {
        point: replace(tee, condition=Condition.MUST_GO) if tee in weak else tee for point, tee in network.tees.items()
    }
    return replace(system, network=replace(network.with_runs(runs), tees=tees))


def _weak(network: Network, pressures_pa: Mapping[str, float]) -> Iterator[Part | Tee]:
    for run in network.runs.values():
        yield from (part for part in run.parts if _weak_part(part, pressures_pa.get(run.name, 0.0)))
    for point, tee in network.tees.items():
        if _too_weak(tee.item, pressure_at_pa(network, pressures_pa, point)):
            yield tee


def _gone(part: Part, pressure_pa: float) -> Part:
    return replace(part, condition=Condition.MUST_GO) if _weak_part(part, pressure_pa) else part


def _weak_part(part: Part, pressure_pa: float) -> bool:
    return part.kind is not Kind.PUMP and _too_weak(part.item, pressure_pa)


def _too_weak(item: CatalogItem | None, pressure_pa: float) -> bool:
    return item is not None and 0.0 < item.pressure_rating_pa < pressure_pa
