"""What the pump could burst with everything shut: kept off the shelf, and taken out where a stronger pump comes in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from optimizer.model.catalog import Catalog, CatalogItem, Kind
from optimizer.model.network import Condition, Network, Part, Tee
from optimizer.model.safety import WORSE, Check
from optimizer.model.system import System
from optimizer.verify.running import fastest
from optimizer.verify.safety import shut_off_pressure_pa


def most_pressure_pa(system: System) -> float:
    """Return the greatest pressure anywhere with everything shut, at any speed of the dials and settings [Pa]."""
    return shut_off_pressure_pa(fastest(system, system.network)) or 0.0


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
    long as the new pump presses no harder.
    """
    pressure_pa = most_pressure_pa(variant)
    if pressure_pa <= most_pressure_pa(today) * (1.0 + WORSE):
        return variant
    return _without_weak(variant, pressure_pa)


def with_weak_gone(system: System) -> System | None:
    """Return a system in which what its own pumps could burst is marked as having to go, where that is not accepted.

    None where such a part must stay.
    """
    pressure_pa = most_pressure_pa(system)
    if Check.PRESSURE in system.rules.accepted or not any(_weak(system.network, pressure_pa)):
        return system
    return _without_weak(system, pressure_pa)


def weak_words(system: System) -> list[str]:
    """Return what could burst in the plumbing as it stands, in words."""
    return [
        weak.words if isinstance(weak, Part) else weak.item.description if weak.item else ""
        for weak in _weak(system.network, most_pressure_pa(system))
    ]


def _without_weak(system: System, pressure_pa: float) -> System | None:
    network = system.network
    if any(weak.condition is Condition.KEEP for weak in _weak(network, pressure_pa)):
        return None
    runs = {
        name: replace(run, parts=tuple(_gone(part, pressure_pa) for part in run.parts))
        for name, run in network.runs.items()
    }
    tees = {
        name: replace(tee, condition=Condition.MUST_GO) if _too_weak(tee.item, pressure_pa) else tee
        for name, tee in network.tees.items()
    }
    return replace(system, network=replace(network.with_runs(runs), tees=tees))


def _weak(network: Network, pressure_pa: float) -> Iterator[Part | Tee]:
    for run in network.runs.values():
        yield from (part for part in run.parts if _weak_part(part, pressure_pa))
    yield from (tee for tee in network.tees.values() if _too_weak(tee.item, pressure_pa))


def _gone(part: Part, pressure_pa: float) -> Part:
    return replace(part, condition=Condition.MUST_GO) if _weak_part(part, pressure_pa) else part


def _weak_part(part: Part, pressure_pa: float) -> bool:
    return part.kind is not Kind.PUMP and _too_weak(part.item, pressure_pa)


def _too_weak(item: CatalogItem | None, pressure_pa: float) -> bool:
    return item is not None and 0.0 < item.pressure_rating_pa < pressure_pa
