"""Where the names of a system file are mentioned elsewhere in it: what follows when one is renamed or taken out."""

from __future__ import annotations

from typing import Any

from optimizer.edits.change import section
from optimizer.edits.plain import Path
from optimizer.edits.splice import has, move, remove, set_value, value_at

_LEGS = (" branch", " branch 1", " branch 2", " run 1", " run 2", " run")


def renamed_run(text: str, old: str, new: str) -> str:
    """Return the text with a run, or a device, under another name in all targets, sums and shares, and in readings."""
    for path in _targets(text):
        for name, value in value_at(text, path).items():
            share = str(value or "")
            if " of " in share and (other := _in_sum(share.split(" of ", 1)[1], old, new)) is not None:
                text = set_value(text, (*path, name), f"{share.split(' of ', 1)[0]} of {other}")
            if (called := _in_sum(name, old, new)) is not None:
                text = move(text, (*path, name), (*path, called))
    for index, reading in enumerate(_readings(text)):
        if reading.get("run") == old:
            text = set_value(text, ("measured", index, "run"), new)
        if isinstance(reading.get("valves"), dict) and old in reading["valves"]:
            text = move(text, ("measured", index, "valves", old), ("measured", index, "valves", new))
    for path in _openings(text, old):
        text = move(text, path, (*path[:-1], new))
    return text


def _in_sum(words: str, old: str, new: str) -> str | None:
    """Return a sum of runs with one of them renamed, None where it is not in it."""
    share, within, tolerance = words.partition(" within ")
    pieces = [share] if share == old else share.split("+")
    if old not in [piece.strip() for piece in pieces]:
        return None
    return "+".join(piece.replace(old, new) if piece.strip() == old else piece for piece in pieces) + within + tolerance


def without_run(text: str, name: str) -> str:
    """Return the text without the targets and readings of a run, or a device, that is no more.

    Sums and shares that it is part of stay: what they are to be now only the owner knows.
    """
    for path in _targets(text):
        if has(text, (*path, name)):
            text = remove(text, (*path, name))
    for index, reading in reversed(list(enumerate(_readings(text)))):
        if reading.get("run") == name:
            text = remove(text, ("measured", index))
        elif isinstance(reading.get("valves"), dict) and name in reading["valves"]:
            text = remove(text, ("measured", index, "valves", name))
    for path in _openings(text, name):
        text = remove(text, path)
    return text


def renamed_point(text: str, old: str, new: str) -> str:
    """Return the text with a tank, an outlet, a supply or a tee under another name wherever runs and drains name it."""
    for kind in ("runs", "drains"):
        for name, line in _mapping(text, (kind,)).items():
            for key in ("from", "to"):
                end = line.get(key) if isinstance(line, dict) else None
                if isinstance(end, str) and (end == old or any(end == old + leg for leg in _LEGS)):
                    text = set_value(text, (kind, name, key), new + end[len(old) :])
    for kind in ("tanks", "tees"):
        if has(text, (kind, old)):
            text = move(text, (kind, old), (kind, new))
    return _renamed_in_tanks(text, old, new)


def _renamed_in_tanks(text: str, old: str, new: str) -> str:
    for name, tank in _mapping(text, ("tanks",)).items():
        fed = tank.get("fed by") if isinstance(tank, dict) else None
        if fed == old:
            text = set_value(text, ("tanks", name, "fed by"), new)
        elif isinstance(fed, list) and old in fed:
            text = set_value(text, ("tanks", name, "fed by"), [new if one == old else one for one in fed])
        if has(text, ("tanks", name, "lines meet", old)):
            text = move(text, ("tanks", name, "lines meet", old), ("tanks", name, "lines meet", new))
    return text


def renamed_machine(text: str, kind: str, old: str, new: str) -> str:
    """Return the text with a pump or a device (`kind`) under another name among the parts, in modes and in readings."""
    for path, item in _parts(text):
        if isinstance(item, dict) and item.get(kind) == old:
            text = set_value(text, (*path, kind), new)
        elif item == f"{kind} {old}":
            text = set_value(text, path, f"{kind} {new}")
        elif isinstance(item, dict) and item.get("part") == f"{kind} {old}":
            text = set_value(text, (*path, "part"), f"{kind} {new}")
    if kind == "device":
        return renamed_run(text, old, new)
    for path in _by_pump(text, old):
        text = move(text, path, (*path[:-1], new))
    return text


def without_machine(text: str, kind: str, name: str) -> str:
    """Return the text without a pump or a device (`kind`) among the parts, in modes and in readings."""
    words = f"{kind} {name}"
    for path, item in reversed(list(_parts(text))):
        if item == words or (isinstance(item, dict) and (item.get(kind) == name or item.get("part") == words)):
            text = remove(text, path)
    if kind == "device":
        return without_run(text, name)
    for path in _by_pump(text, name):
        text = remove(text, path)
    return text


def _mapping(text: str, path: Path) -> dict[str, Any]:
    found = value_at(text, path) if has(text, path) else None
    return found if isinstance(found, dict) else {}


def _targets(text: str) -> list[Path]:
    """Return where targets are written: under `targets`, and in modes."""
    modes = section(text, "modes")
    paths: list[Path] = [(modes, name, "targets") for name in _mapping(text, (modes,))]
    return [path for path in [("targets",), *paths] if _mapping(text, path)]


def _readings(text: str) -> list[dict[str, Any]]:
    found = value_at(text, ("measured",)) if has(text, ("measured",)) else None
    return [one if isinstance(one, dict) else {} for one in found] if isinstance(found, list) else []


def _openings(text: str, run: str) -> list[Path]:
    keys = ("mouths", "siphon breaks")
    paths: list[Path] = [("tanks", name, key, run) for name in _mapping(text, ("tanks",)) for key in keys]
    return [path for path in paths if run in _mapping(text, path[:-1])]


def _parts(text: str) -> list[tuple[Path, Any]]:
    found: list[tuple[Path, Any]] = []
    for name, line in _mapping(text, ("runs",)).items():
        items = line.get("parts") if isinstance(line, dict) else None
        found += [
            (("runs", name, "parts", index), item) for index, item in enumerate(items or ()) if isinstance(items, list)
        ]
    return found


def _by_pump(text: str, pump: str) -> list[Path]:
    """Return where something is said of a pump by its name: in modes, in readings, among the factors."""
    modes = section(text, "modes")
    paths: list[Path] = [(modes, name, pump) for name in _mapping(text, (modes,))]
    paths += [("measured", index, "at", pump) for index in range(len(_readings(text)))]
    paths += [("calibration", key, pump) for key in ("pump head factor", "dial")]
    return [path for path in paths if pump in _mapping(text, path[:-1])]
