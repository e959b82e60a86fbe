"""What a file says beside its runs → the values of the forms for tanks, drains, modes, pipe that is there, water."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from optimizer.edits.splice import has, value_at
from optimizer.model.network import PointKind
from optimizer.model.system import System
from optimizer.web.forms import Standing
from optimizer.web.said import SECTIONS, SaidKey, plain, said
from optimizer.web.section_forms import PUMP, SECOND, SECOND_HOW, SECOND_KEYS, TARGET, section_word, written_in_mode

WATER = (("salinity", "Salinity", "35 g/kg"), ("temperature", "Temperature", "77 degF"))


def tank_forms(shown: Standing, system: System) -> dict[str, Any]:
    """Return the values of all forms of the view of tanks, drains, modes and pipe that is there."""
    points = system.network.points.values()
    return {
        "tanks": [
            {"name": one.name, "height": _at(shown, "surfaces", one.name), "keys": said(shown.text, "tanks", one.name)}
            for one in points
            if one.kind is PointKind.SURFACE
        ],
        "supplies": [_named(shown, "supplies", one.name) for one in points if one.kind is PointKind.SUPPLY],
        "drains": [_named(shown, "drains", name) for name in _names(shown, "drains")],
        "new_drain": new_drain(),
        "modes": [mode_form(shown, system, name) for name in _names(shown, section_word(shown.text))],
        "new_mode": {"pump": next(iter(system.network.pumps), ""), "setting": "100 %"},
        "owned": [(name, _at(shown, "owned", name)) for name in _names(shown, "owned")],
        "water": [(key, label, _at(shown, "water", key), example) for key, label, example in WATER],
        "surfaces": [one.name for one in points if one.kind is PointKind.SURFACE],
    }


def drain_form(shown: Standing, system: System, at: str) -> dict[str, Any]:
    """Return the values of the form of the drain with a handle."""
    return _named(shown, "drains", system.drains[int(at.partition("-")[2])].name)


def mode_form(shown: Standing, system: System, name: str) -> dict[str, Any]:
    """Return the fields of a mode: every pump, and every run that a target is on somewhere."""
    network, text = system.network, shown.text
    there = value_at(text, (section_word(text), name, "targets")) if _has_targets(text, name) else {}
    asked = dict.fromkeys((*(one.run for one in system.targets), *(there if isinstance(there, dict) else ())))
    pumps = [(PUMP + one, one, written_in_mode(text, name, one)) for one in network.pumps]
    targets = [(TARGET + run, run, written_in_mode(text, name, "targets", run)) for run in asked if run]
    return {"name": name, "pumps": pumps, "targets": targets}


def second_pump_form(shown: Standing) -> dict[str, Any]:
    """Return the fields of the rule for a second pump."""
    path = ("rules", SECOND)
    told = value_at(shown.text, path) if has(shown.text, path) else None
    keys: Mapping[str, Any] = told if isinstance(told, dict) else {}
    return {
        "how": plain(keys.get("how")) if isinstance(told, dict) else plain(told),
        "choices": SECOND_HOW,
        "keys": [SaidKey(key, label, plain(keys.get(key)), example) for key, label, example in SECOND_KEYS],
    }


def price_rows(shown: Standing) -> list[tuple[str, str]]:
    """Return what one unit of every other currency costs."""
    return [(name, _at(shown, "prices", name)) for name in _names(shown, "prices")]


def calibration_rows(shown: Standing) -> list[tuple[str, str]]:
    """Return the factors that the readings gave, as the file has them."""
    return [(name, _at(shown, "calibration", name)) for name in _names(shown, "calibration")]


def _has_targets(text: str, mode: str) -> bool:
    return has(text, (section_word(text), mode, "targets"))


def _named(shown: Standing, section: str, name: str) -> dict[str, Any]:
    return {"name": name, "keys": said(shown.text, section, name)}


def new_drain() -> tuple[SaidKey, ...]:
    """Return the empty fields of one more drain."""
    return _empty("drains")


def _empty(section: str) -> tuple[SaidKey, ...]:
    return tuple(SaidKey(f"key {row.key}", row.label, "", row.example, row.choices) for row in SECTIONS[section])


def _names(shown: Standing, section: str) -> list[str]:
    told = value_at(shown.text, (section,)) if has(shown.text, (section,)) else {}
    return list(told) if isinstance(told, dict) else []


def _at(shown: Standing, section: str, name: str) -> str:
    return plain(value_at(shown.text, (section, name))) if has(shown.text, (section, name)) else ""
