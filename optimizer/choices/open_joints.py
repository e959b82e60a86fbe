"""A system with places that are not connected yet → which of them parts of the catalogs can join, and why others not.

Told before any search: each place is tried for itself, by what joins the parts of a run in every plan.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimizer.choices.for_sale import for_sale
from optimizer.joints.mating import comes_off
from optimizer.model.catalog import PIPES, Catalog, Kind
from optimizer.model.ends import End, Form
from optimizer.model.kinds import MACHINES, SEPARABLE
from optimizer.model.network import Part, Run
from optimizer.model.system import Rules, System

if TYPE_CHECKING:
    from optimizer.joints.efficient import EfficientChains


@dataclass(frozen=True, slots=True)
class OpenPlace:
    """A place in a run that is not connected yet, between two ends; `why_not` is empty where pieces join them.

    `least_cents` is what the cheapest pieces cost, without what seals their joints.
    """

    run: str
    words: str  # "between 'pipe 4 in' and 'device uv'"
    first: End
    second: End
    least_cents: int | None = None
    why_not: str = ""


def open_places(system: System, catalog: Catalog) -> tuple[OpenPlace, ...]:
    """Return every place that is not connected yet, in the order of the runs, with whether it can be."""
    places = [
        (run, index)
        for run in system.network.runs.values()
        for index, part in enumerate(run.parts)
        if part.kind is Kind.OPEN_JOINT and len(part.ends) == 2
    ]
    if not places:
        return ()
    from optimizer.joints.chains import EndGraph
    from optimizer.joints.efficient import EfficientChains

    sold = for_sale(system, catalog)
    chains = EfficientChains(EndGraph(sold, system.rules.allow_unsafe_metals), measure=None)
    return tuple(_tried(run, index, chains, sold, system.rules) for run, index in places)


def _tried(run: Run, index: int, chains: EfficientChains, catalog: Catalog, rules: Rules) -> OpenPlace:
    first, second = run.parts[index].ends
    words = f"between {_beside(run, index - 1)} and {_beside(run, index + 1)}"
    cents = chains.least_cents(first, second)
    if cents is None:
        cents = _least_over_soft_tail(run, index, chains, catalog, rules)
    if cents is not None:
        return OpenPlace(run.name, words, first, second, cents)
    from optimizer.joints.chains import MOST_PIECES, EndGraph

    metals = chains.end_graph.allow_unsafe_metals
    graph = EndGraph(catalog, metals, max_pieces=MOST_PIECES)
    why = graph.why_no_way(first, second) or "every row of pieces has a joint that must not be made"
    return OpenPlace(run.name, words, first, second, None, why)


def _least_over_soft_tail(run: Run, index: int, chains: EfficientChains, catalog: Catalog, rules: Rules) -> int | None:
    """Return what pieces cost at least with a tail of hose or tube on an end that takes nothing else; None: no way."""
    from optimizer.choices.alternatives import parts_cents
    from optimizer.choices.candidates import Shelf
    from optimizer.choices.fronts import Front
    from optimizer.choices.graph import Arc
    from optimizer.choices.joining import Joiner

    joiner = Joiner(Shelf(catalog, run, rules), catalog.socket_depths_m, chains)
    first, second = run.parts[index].ends
    return min(
        (parts_cents(Arc(0, joint.parts)) for joint in joiner.between(Front(first), Front(second), 0)), default=None
    )


def _beside(run: Run, index: int) -> str:
    if not 0 <= index < len(run.parts):
        return "the tee"
    part = run.parts[index]
    return part.words if part.kind in MACHINES else f"the {part.label or part.words}"


def cemented_machines(system: System) -> tuple[tuple[str, str], ...]:
    """Return (run, part) of every pump and device that cement holds on a side where nothing comes apart.

    What comes apart on a side: a union or its like up to the next machine, hose or tube on its way, an end of the line
    that is free in the water, or a port that unscrews, pulls off or is not connected yet.
    """
    return tuple(
        (run.name, part.words)
        for run in system.network.runs.values()
        for index, part in enumerate(run.parts)
        if part.kind in MACHINES
        and not (
            _comes_apart(run.parts, index, -1, system.network.points[run.start.point].is_fixed)
            and _comes_apart(run.parts, index, 1, system.network.points[run.end.point].is_fixed)
        )
    )


def _comes_apart(parts: tuple[Part, ...], index: int, step: int, free: bool) -> bool:
    port = parts[index].ends[0 if step < 0 else -1]
    if comes_off(port):
        return True
    at = index + step
    while 0 <= at < len(parts) and parts[at].kind not in MACHINES:
        part = parts[at]
        soft = part.kind in PIPES and part.ends[0].form is not Form.SPIGOT
        if part.kind in SEPARABLE or part.kind is Kind.OPEN_JOINT or soft:
            return True
        at += step
    return free and not 0 <= at < len(parts)
