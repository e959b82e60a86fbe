"""What the page shows → the values of its forms: what a part, a run or a point is now, and what may be chosen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from optimizer.documents.targets import target_words
from optimizer.edits.splice import has, value_at
from optimizer.errors import EditError
from optimizer.model.catalog import CHECKS, PIPES, THROTTLES, Catalog, Kind
from optimizer.model.dial import RPM
from optimizer.model.kinds import KINDS
from optimizer.model.network import Network, Part, PointKind, Pump
from optimizer.model.rules import RULES, Written
from optimizer.model.system import System
from optimizer.read.part_text import STEPS
from optimizer.web.forms import Standing, part_of, run_of, words_of, written_run
from optimizer.web.said import plain
from optimizer.web.said import said as said_keys

_MACHINES = {Kind.PUMP: "pumps", Kind.DEVICE: "devices"}
_SECTIONS = {PointKind.SURFACE: "surfaces", PointKind.OUTLET: "outlets", PointKind.SUPPLY: "supplies"}


@dataclass(frozen=True, slots=True)
class KindChoice:
    """A kind of part to choose; `word` is what a file calls it, `refused` why it cannot stand there."""

    word: str
    label: str
    refused: str = ""


def kind_choices() -> tuple[KindChoice, ...]:
    """Return every kind that a run may have, pipe and what turns or joins it first."""
    return tuple(KindChoice(row.kind.value, row.words) for row in KINDS.values() if row.synonyms is not None)


def part_form(shown: Standing, at: str, system: System) -> dict[str, Any]:
    """Return the values of the form of a part; `system` as it is run in the mode that is shown."""
    run, index, part, written = part_of(shown, at)
    try:
        words, said = words_of(shown, written)
    except EditError:  # its words are none that can be taken apart: it is written anew, as a whole
        whole = {"whole": str(value_at(shown.text, written.path)), "words": None, "valve": None, "slider": None}
        place = {"first": index == 0, "last": index == len(run.parts) - 1}
        return {**whole, **place, "machine": "", "section": "", "kind": part.kind.value, "name": part.name}
    condition = (
        "must go" if said.get("must go") == "yes" else {"yes": "keep", "no": "may change"}.get(said.get("keep", ""), "")
    )
    return {
        "words": words,
        "whole": words.text,
        "kind": part.kind.value,
        "piped": part.kind in PIPES,
        "steps": part.kind in STEPS,
        "machine": part.kind.value if part.kind in _MACHINES else "",
        "name": part.name,
        "valve": valve_percent(part.opening) if part.kind in THROTTLES else None,
        "condition": condition,
        "room": said.get("room", ""),
        "check": part.kind in CHECKS,
        "least_flow": said.get("least flow", ""),
        "stays_open": said.get("stays open", "") == "yes",
        "slider": next((one for one in sliders(system) if _is_of(one, at, part)), None),
        "first": index == 0,
        "last": index == len(run.parts) - 1,
        "said": said_keys(shown.text, _MACHINES[part.kind], part.name) if part.kind in _MACHINES else (),
        "section": _MACHINES.get(part.kind, ""),
        "run": run.name,
        "target": written_target(shown, run.name),
    }


def _is_of(slider: Slider, at: str, part: Part) -> bool:
    return slider.at == at or (part.kind is Kind.PUMP and slider.pump == part.name)


def valve_percent(opening: float) -> int:
    return round(100 * opening)


def run_form(shown: Standing, at: str) -> dict[str, Any]:
    """Return the values of the form of a run."""
    run = run_of(shown, at)
    name = written_run(shown, run)
    line = value_at(shown.text, ("runs", name))
    return {
        "name": name,
        "run": run.name,
        "from": str(line.get("from", "")),
        "to": str(line.get("to", "")),
        "size": str(line.get("size", "")),
        "note": plain(line.get("note")),
        "target": written_target(shown, run.name),
    }


def written_target(shown: Standing, name: str, mode: str = "") -> str:
    """Return a target as the file has it, nothing where there is none."""
    path = ("modes", mode, "targets", name) if mode else ("targets", name)
    return str(value_at(shown.text, path) or "") if has(shown.text, path) else ""


def point_form(shown: Standing, name: str, network: Network) -> dict[str, Any]:
    """Return the values of the form of a water, an outlet or a tee."""
    point = network.points[name]
    section = _SECTIONS.get(point.kind, "tees")
    value = value_at(shown.text, (section, name)) if has(shown.text, (section, name)) else None
    told = value if isinstance(value, dict) and section == "tees" else {}
    return {
        "section": section,
        "name": name,
        "value": plain(told.get("size") if told else value),
        "condition": "must go" if told.get("must go") == "yes" else "keep" if told.get("keep") == "yes" else "",
        "tank": section == "surfaces",
    }


def points_of(network: Network) -> tuple[str, ...]:
    """Return where a run may begin or end: every water and outlet, and the side of every tee."""
    return tuple(
        f"{point.name} branch" if point.kind is PointKind.TEE else point.name for point in network.points.values()
    )


def pipe_sizes(catalog: Catalog) -> tuple[str, ...]:
    """Return sizes of pipe with their families, as a run is written in."""
    return tuple(dict.fromkeys(f"{item.ends[0].size} {item.family}" for item in catalog.of_kind(Kind.PIPE)))


def known_ends(catalog: Catalog) -> tuple[str, ...]:
    """Return every end that the catalogs have, in words."""
    return tuple(sorted({str(end) for item in catalog.items.values() for end in item.ends}))


def shelf_pumps(catalog: Catalog | None) -> tuple[tuple[str, str], ...]:
    """Return the pumps of the catalogs: id and description."""
    if catalog is None:
        return ()
    return tuple((key, catalog.items[key].description if key in catalog.items else key) for key in catalog.pumps)


@dataclass(frozen=True, slots=True)
class RuleField:
    """One rule as a field: its key, what it means, an example, what holds without it, what the file says."""

    key: str
    meaning: str
    example: str
    default: str
    value: str
    choices: tuple[str, ...]


def rule_fields(shown: Standing) -> tuple[RuleField, ...]:
    """Return a field for every rule of the table of rules."""
    rules = value_at(shown.text, ("rules",)) if has(shown.text, ("rules",)) else {}
    rules = rules if isinstance(rules, dict) else {}
    return tuple(
        RuleField(
            row.key,
            row.meaning,
            row.example,
            row.default,
            _rule_value(rules.get(row.key)),
            ("yes", "no") if row.written is Written.YES_NO else (),
        )
        for row in RULES.values()
        if row.written is not Written.SECOND_PUMP  # it has a form of its own
    )


def _rule_value(value: Any) -> str:
    if isinstance(value, dict):
        return "written in the file in several lines; see File"
    return ", ".join(str(one) for one in value) if isinstance(value, list) else "" if value is None else str(value)


@dataclass(frozen=True, slots=True)
class TargetField:
    name: str
    value: str
    told: str


def target_fields(shown: Standing, system: System, mode: str) -> tuple[TargetField, ...]:
    """Return a field for the target of every run, and for what else has one."""
    names = dict.fromkeys((*system.network.runs, *(one.run for one in system.all_targets)))
    by_mode = mode if has(shown.text, ("modes", mode, "targets")) else ""
    return tuple(
        TargetField(name, written_target(shown, name, by_mode), target_words(system.targets, name, system.units))
        for name in names
    )


@dataclass(frozen=True, slots=True)
class Slider:
    """A valve or a pump to be set by hand: its field, the handle of a valve, its words, where it stands."""

    name: str
    at: str
    words: str
    percent: int
    pump: str = ""


def sliders(system: System) -> tuple[Slider, ...]:
    """Return all pumps, then all valves, in file order."""
    pumps = [
        Slider(f"pump {place}", "", f"pump {pump.name}, speed", _setting(pump), pump.name)
        for place, pump in enumerate(system.network.pumps.values())
    ]
    valves = [
        Slider(
            f"valve {row} {index}",
            f"part-{row}-{index}",
            f"{part.kind.value} in {run.name}, position {index + 1}",
            valve_percent(part.opening),
        )
        for row, run in enumerate(system.network.runs.values())
        for index, part in enumerate(run.parts)
        if part.kind in THROTTLES
    ]
    return (*pumps, *valves)


def settings_in(system: System) -> tuple[tuple[str, str], ...]:
    """Return what the dial of every pump shows as a system is run; nothing while one is off, as no reading says so."""
    pumps = system.network.pumps.values()
    return (
        tuple((pump.name, f"{_setting(pump)} %") for pump in pumps) if all(pump.speed > 0.0 for pump in pumps) else ()
    )


def _setting(pump: Pump) -> int:
    return round(100 * (pump.dial or RPM).setting(pump.speed))


def head_fields(shown: Standing) -> Mapping[str, str]:
    """Return title, note and money as the file has them."""
    return {
        key: plain(value_at(shown.text, (key,))) if has(shown.text, (key,)) else ""
        for key in ("system", "note", "currency", "tax", "mark-up", "pipe")
    }


def reading_rows(shown: Standing) -> list[dict[str, Any]]:
    """Return what was measured, reading by reading, as the file has it."""
    told = value_at(shown.text, ("measured",)) if has(shown.text, ("measured",)) else []
    told = [told] if isinstance(told, dict) else told or []
    return [
        {
            "index": index,
            "run": str(one.get("run", "")),
            "flow": str(one.get("flow", "")),
            "valves": plain(one.get("valves")),
            "accuracy": plain(one.get("accuracy")),
            "at": ", ".join(f"{name} {value}" for name, value in one["at"].items())
            if isinstance(one.get("at"), dict)
            else plain(one.get("at")),
        }
        for index, one in enumerate(told)
        if isinstance(one, dict)
    ]
