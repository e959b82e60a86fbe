"""Every picture of a system or of a plan, by name: for the report and for a folder of files."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from optimizer import pipeline
from optimizer.documents.drawing.certainty_chart import certainty_chart, told_points
from optimizer.documents.drawing.curves import PumpPicture, curves_chart, pump_picture
from optimizer.documents.drawing.frontier_chart import frontier_chart, has_reach
from optimizer.documents.drawing.head_line import head_line_chart
from optimizer.documents.drawing.labels import Shown
from optimizer.documents.drawing.loss_bars import loss_bars
from optimizer.documents.drawing.schematic import schematic
from optimizer.documents.report_facts import (
    ReportFacts,
    Solved,
    line_along,
    shown_after,
    shown_now,
    solved,
    wanted_paths,
)
from optimizer.documents.words import in_mode
from optimizer.model.catalog import THROTTLES
from optimizer.model.network import Network
from optimizer.model.system import System

if TYPE_CHECKING:
    from optimizer.hydraulics.head_line import HeadPoint
    from optimizer.model.safety import SafetyReport

_BARS = 12


@dataclass(frozen=True, slots=True)
class Picture:
    """An SVG with the name that its file or anchor gets, and a caption in a sentence."""

    name: str
    caption: str
    svg: str


def system_pictures(system: System, *, alone: bool = False) -> tuple[Picture, ...]:
    """Return the pictures of a plumbing as it stands: schematic, and head lines, curves and losses in every mode."""
    modes = [(name, at, solved(at.network)) for name, at in system.ways_to_run]
    return (
        schematic_now(system, modes[0][2], alone=alone),
        *(p for mode, mark in zip(modes, _marks(system), strict=True) for p in _in_mode(*mode, mark, alone)),
    )


def _marks(system: System) -> list[str]:
    """Return what each mode adds to the names of its pictures: its own name, with its number where two are alike."""
    slugs = ["-".join(re.findall(r"\w+", name.lower())) for name, _ in system.ways_to_run]
    if not system.settings:
        return [""]
    alike = [not slug or slugs.count(slug) > 1 for slug in slugs]
    return [
        f"-{number}{slug}" if two else f"-{slug}"
        for number, (slug, two) in enumerate(zip(slugs, alike, strict=True), 1)
    ]


def _in_mode(name: str, at: System, now: Solved, mark: str, alone: bool) -> Iterator[Picture]:
    """Yield the pictures of one mode."""
    yield from _head_lines(at, now, None, alone, mark, name)
    yield from _curves(at.units, now, None, alone, mark, name)
    yield losses_picture(at.units, now, "now", alone=alone, mark=mark, mode=name)


def plan_pictures(facts: ReportFacts, *, alone: bool = False) -> tuple[Picture, ...]:
    """Return all pictures of a plan."""
    system = facts.report.system
    return (
        schematic_after(facts, alone=alone),
        schematic_now(system, facts.now, facts, alone=alone),
        *head_lines(facts, alone=alone),
        *curves(facts, alone=alone),
        losses_picture(facts.units, facts.now, "now", alone=alone),
        losses_picture(facts.units, facts.after, "after", alone=alone),
        *frontier(facts, alone=alone),
        *certainty(facts, alone=alone),
    )


def schematic_after(facts: ReportFacts, shown: Shown | None = None, *, alone: bool = False) -> Picture:
    """Return the plumbing after the work; `shown` where what is drawn of it was chosen already."""
    shown = shown_after(facts) if shown is None else shown
    title = f"{facts.report.system.name}: the plumbing after the work"
    return Picture(
        "schematic-after", after_words(shown, facts), schematic(shown, title=title, key="schematic-after", alone=alone)
    )


def after_words(shown: Shown, facts: ReportFacts) -> str:
    """Return the caption of the plumbing after the work; it says so where its drains are left out."""
    marks = (
        "New parts have a thick line and an N."
        if shown.new or shown.new_tees
        else "No part is new: only settings change."
    )
    no_drains = facts.report.system.drains and not shown.drains
    left_out = " Its drains are left out: the plan does not change them." if no_drains else ""
    return f"The plumbing after the work: each run with its flow now → after{_first_mode(shown)}. {marks}{left_out}"


def _first_mode(shown: Shown) -> str:
    """Return which mode pumps and heads are shown in, where each run has its flow in several."""
    if len(shown.by_mode) < 2:
        return ""
    return f" in every mode; what pumps are set to and what is lost are those of mode '{shown.by_mode[0][0]}'"


def schematic_now(system: System, now: Solved, facts: ReportFacts | None = None, *, alone: bool = False) -> Picture:
    shown = shown_now(system, now, facts.report if facts else None, _safety_now(system, facts))
    standing = {name: run for name, run in shown.network.runs.items() if run.is_plumbed}
    shown = replace(shown, network=replace(shown.network, runs=standing))
    caption = f"The plumbing as it stands, each run with its flow and what it loses{_first_mode(shown)}."
    if shown.gone or shown.gone_tees:
        caption += " What comes out has a broken line and an X."
    title = f"{system.name}: the plumbing as it stands"
    return Picture("schematic-now", caption, schematic(shown, title=title, key="schematic-now", alone=alone))


def _safety_now(system: System, facts: ReportFacts | None) -> SafetyReport | None:
    """Return what is known of the drains of the plumbing as it stands; nothing where there are none."""
    if not system.drains:
        return None
    return facts.report.verification.safety if facts is not None else pipeline.safety(system)


def head_lines(facts: ReportFacts, *, alone: bool = False) -> tuple[Picture, ...]:
    """Return the head line of every path through a run that something was asked of, now and after."""
    return tuple(_head_lines(facts.report.system, facts.now, facts.after, alone))


def curves(facts: ReportFacts, *, alone: bool = False) -> tuple[Picture, ...]:
    """Return pump and system curves of every pump, now and after."""
    return tuple(_curves(facts.units, facts.now, facts.after, alone))


def frontier(facts: ReportFacts, *, alone: bool = False) -> tuple[Picture, ...]:
    """Return cost against flow where it was worked out."""
    if not facts.frontier:
        return ()
    currency = facts.report.bill.currency
    by_reach = has_reach(facts.frontier)
    svg = frontier_chart(
        facts.frontier,
        facts.chosen,
        facts.units,
        currency,
        title="Cost against share of target" if by_reach else "Cost against flow",
        key="frontier",
        flow_words="pump flow",
        alone=alone,
    )
    gives = "what share of the minimum flows it gives" if by_reach else "what it gives"
    caption = f"What each plan costs and {gives}; the full mark is the chosen one."
    return (Picture("frontier", caption, svg),)


def certainty(facts: ReportFacts, *, alone: bool = False) -> tuple[Picture, ...]:
    """Return cost against the share of cases in which each plan works, where that was worked out of more than one."""
    if len(told_points(facts.frontier)) < 2:
        return ()
    svg = certainty_chart(
        facts.frontier,
        facts.chosen,
        facts.report.bill.currency,
        title="Cost against chance",
        key="certainty",
        alone=alone,
    )
    caption = (
        "What each plan costs and in what share of cases it meets every target, valves and pump trimmed by meters; the "
        "full mark is the chosen one."
    )
    return (Picture("certainty", caption, svg),)


def losses_picture(
    units: str, state: Solved, when: str, *, alone: bool = False, mark: str = "", mode: str = ""
) -> Picture:
    """Return where the most head is lost; `when` is "now" or "after"."""
    words = {"now": "as it stands", "after": "after the work"}[when]
    title = in_mode(f"Largest head losses, {words}", mode, ", ")
    svg = loss_bars(
        state.losses,
        units,
        title=title,
        key=f"losses-{when}{mark}",
        limit=_BARS,
        role=f"{when}-bar",
        throttled=_throttled(state.network),
        alone=alone,
    )
    caption = f"{title}: head lost in each part, its share of all lost power, and what its run would gain without it."
    if _throttled(state.network):
        caption += " What a valve takes on purpose stands apart."
    return Picture(f"losses-{when}{mark}", caption, svg)


def _throttled(network: Network) -> frozenset[tuple[str, int]]:
    """Return the valves that are partly shut, by run and part index."""
    return frozenset(
        (name, index)
        for name, run in network.runs.items()
        for index, part in enumerate(run.parts)
        if part.kind in THROTTLES and part.opening < 1.0
    )


def _head_lines(
    system: System, now: Solved, after: Solved | None, alone: bool, mark: str = "", mode: str = ""
) -> Iterator[Picture]:
    """Yield the head line of every path; paths whose lines are the same share one."""
    paths = dict.fromkeys((*wanted_paths(system, after or now), *wanted_paths(system, now)))
    alike: dict[object, list[tuple[str, ...]]] = {}
    for path in paths:
        lines = line_along(now, path), line_along(after, path) if after else ()
        alike.setdefault(tuple(map(_course, lines)), []).append(path)
    set_so = _throttled((after or now).network)
    for number, (path, *others) in enumerate(alike.values(), 1):
        lines = line_along(now, path), line_along(after, path) if after else ()
        ends = " and ".join(_target_of(system, one) for one in (path, *others))
        title, key = in_mode(f"Head along the path through {ends}", mode), f"head-{number}{mark}"
        svg = head_line_chart(*lines, system.units, title=title, key=key, throttled=set_so, alone=alone)
        alike_words = f"; {', '.join(map(', '.join, others))} is the same" if others else ""
        yield Picture(key, f"{title}: {', '.join(path)}{alike_words}.", svg)


def _course(line: Sequence[HeadPoint]) -> tuple[tuple[float, float], ...]:
    """Return where a head line goes, to the centimeter: what can be told apart in a picture."""
    return tuple((round(place.distance_m, 2), round(place.head_m, 2)) for place in line)


def _target_of(system: System, path: tuple[str, ...]) -> str:
    wanted = [name for name in path if any(target.run == name for target in system.targets)]
    return (wanted or list(path))[-1]


def _curves(
    units: str, now: Solved, after: Solved | None, alone: bool, mark: str = "", mode: str = ""
) -> Iterator[Picture]:
    for number, name in enumerate(dict.fromkeys((*now.network.pumps, *(after.network.pumps if after else ()))), 1):
        pictures = _picture(now, name), _picture(after, name) if after else None
        title, key = in_mode(f"Pump {name} and its plumbing", mode), f"pump-{number}{mark}"
        if pictures == (None, None):
            continue
        svg = curves_chart(*pictures, units, title=title, key=key, alone=alone)
        caption = (
            f"{title}: the thin line is what the pump gives at its speed, the thick one what the plumbing takes at "
            "each flow. Where they meet, the pump works."
        )
        yield Picture(key, caption, svg)


def _picture(state: Solved, name: str) -> PumpPicture | None:
    """Return a pump's curves, or nothing for a pump that stands in no run or is off."""
    pump = state.network.pumps.get(name)
    if pump is None or pump.speed <= 0.0 or not _stands(state.network, name):
        return None
    return pump_picture(state.network, state.solution, pump)


def _stands(network: Network, name: str) -> bool:
    return any(part.name == name for run in network.runs.values() for part in run.parts)
