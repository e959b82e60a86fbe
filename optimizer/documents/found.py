"""A system that was read, told back to its owner: what was understood, before anything is worked out from it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from optimizer.choices.demands import forgotten_runs, forgotten_words
from optimizer.choices.for_sale import other_currency
from optimizer.choices.open_joints import OpenPlace, cemented_machines, open_places
from optimizer.documents.money_notes import money_notes
from optimizer.documents.tables import Block, Heading, Lines, table
from optimizer.documents.targets import target_words, targets_json, targets_on_sums
from optimizer.model.catalog import PIPES, Catalog, Kind
from optimizer.model.network import Point, PointKind, Run
from optimizer.units import show_head, show_length
from optimizer.wording.amounts import money
from optimizer.wording.notes import notes_words

if TYPE_CHECKING:
    from optimizer.model.system import System, Target

KIND_WORDS = {PointKind.SURFACE: "water level"}


def check_blocks(system: System, catalog: Catalog) -> list[Block]:
    """Return what was found in a system file: counts, points, machines, runs with what is wanted of them."""
    told = ", ".join(
        f"{number} {_counted(words, number)}"
        for words, number in counts(system).items()
        if number or words in ("runs", "parts", "targets")
    )
    return [
        Heading(system.name),
        Lines((f"Everything can be read, and every end fits its neighbor: {told}.", _catalog_words(catalog))),
        table(("point", "kind", "height"), (_point_row(point, system.units) for point in _fixed(system)), right=(2,)),
        table(
            ("run", "from", "to", "size", "parts", "pipe", "target"),
            [
                *(_run_row(run, system) for run in system.network.runs.values()),
                *(_sum_row(target, system.units) for target in targets_on_sums(system.targets)),
            ],
            right=(4, 5),
        ),
        *_open_joint_lines(system, catalog),
        *_remark_lines(system, catalog),
    ]


def _counted(words: str, number: int) -> str:
    if words == "open joints":
        return "place not connected yet" if number == 1 else "places not connected yet"
    return words if number != 1 else words.removesuffix("s")


def check_json(system: System, catalog: Catalog) -> dict[str, Any]:
    """Return what was found in a system file as plain data: SI numbers whose key names their unit."""
    return {
        "system": system.name,
        "units": system.units,
        "counts": counts(system),
        "catalog": {"rows": len(catalog.items), "own": len(catalog.own), "currency": catalog.currency},
        "points": [
            {"point": point.name, "kind": point.kind.value, "elevation_m": point.elevation_m, "head_m": point.head_m}
            for point in system.network.points.values()
        ],
        "runs": [_run_json(run) for run in system.network.runs.values()],
        "targets": targets_json(system.targets),
        "open_joints": [
            {
                "run": place.run,
                "from": str(place.first),
                "to": str(place.second),
                "least_cents": place.least_cents,
                "why_no_way": place.why_not or None,
            }
            for place in open_places(system, catalog)
        ],
        "cemented_in": [{"run": run, "part": words} for run, words in cemented_machines(system)],
        "faults": [],
        "remarks": list(remarks(system, catalog)),
    }


def counts(system: System) -> dict[str, int]:
    """Return how many there are of each thing; a part is what stands in a run, tees are apart."""
    network = system.network
    parts = [part for run in network.runs.values() for part in run.parts]
    return {
        "runs": len(network.runs),
        "parts": sum(part.kind is not Kind.OPEN_JOINT for part in parts),
        "open joints": sum(part.kind is Kind.OPEN_JOINT for part in parts),
        "tees": sum(not point.is_fixed for point in network.points.values()),
        "pumps": len(network.pumps),
        "devices": len(network.devices),
        "targets": len(system.targets),
    }


def _catalog_words(catalog: Catalog) -> str:
    own = f", {len(catalog.own)} of them from your own lists" if catalog.own else ""
    return f"The catalog holds {len(catalog.items)} rows{own}, priced in {catalog.currency}."


def _fixed(system: System) -> list[Point]:
    return [point for point in system.network.points.values() if point.is_fixed]


def _point_row(point: Point, units: str) -> tuple[str, str, str]:
    height_m = point.elevation_m if point.elevation_m is not None else point.head_m
    return (
        point.name,
        KIND_WORDS.get(point.kind, point.kind.value),
        "" if height_m is None else show_head(height_m, units),
    )


def _run_row(run: Run, system: System) -> tuple[str, ...]:
    length_m = _pipe_length_m(run)
    return (
        run.name,
        f"{run.start.point} {run.start.leg}".strip(),
        f"{run.end.point} {run.end.leg}".strip(),
        f"{run.size} {run.family}",
        str(sum(part.kind is not Kind.OPEN_JOINT for part in run.parts)),
        show_length(length_m, system.units) if length_m else "",
        target_words(system.targets, run.name, system.units),
    )


def _sum_row(target: Target, units: str) -> tuple[str, ...]:
    return (target.run, "", "", "", "", "", target_words([target], target.run, units))


def _pipe_length_m(run: Run) -> float:
    return sum(part.length_m for part in run.parts if part.kind in PIPES)


def _open_joint_lines(system: System, catalog: Catalog) -> list[Block]:
    """Return each place that is not connected yet: what the pieces cost at least, or why nothing joins its two ends."""
    lines = [_open_words(place, catalog.currency) for place in open_places(system, catalog)]
    lines += [
        f"Run {run}: {words} is cemented in on a side where nothing comes apart. Can it be taken out there?"
        for run, words in cemented_machines(system)
    ]
    return [Lines(tuple(lines))] if lines else []


def _open_words(place: OpenPlace, currency: str) -> str:
    where = f"Run {place.run}, not connected yet {place.words}: {place.first} to {place.second}"
    if place.least_cents is None:
        return f"{where}. There is NO way to connect them: {place.why_not}."
    if not place.least_cents:
        return f"{where}, which go together without a piece between."
    return f"{where}, pieces from {money(place.least_cents, currency)}."


def remarks(system: System, catalog: Catalog) -> tuple[str, ...]:
    """Return what is odd in the file and in the owner's lists, and what will keep a plan from being made."""
    money = other_currency(system, catalog)
    stops = [] if money is None else [f"{money}; until then there is no plan, all else works"]
    stops += map(forgotten_words, forgotten_runs(system) if system.targets else ())
    return (*stops, *system.remarks, *catalog.remarks, *notes_words(money_notes(system.money), system.units))


def _remark_lines(system: System, catalog: Catalog) -> list[Block]:
    lines = tuple(f"Note: {text}." for text in remarks(system, catalog))
    return [Lines(lines)] if lines else []


def _run_json(run: Run) -> dict[str, Any]:
    return {
        "run": run.name,
        "from": run.start.point,
        "to": run.end.point,
        "size": run.size,
        "family": run.family,
        "pipe_length_m": _pipe_length_m(run),
        "parts": [part.label or part.words for part in run.parts],
    }
