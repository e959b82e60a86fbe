"""A file with errors → each at its line and at its part: in the drawing of what can be read without them.

A part that cannot be read is drawn as a place that is not connected yet. Where that is not enough to read the file, the
plumbing is drawn as it last could be read, and the errors stand at what of it they are about.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from optimizer.edits.outcome import Outcome
from optimizer.edits.part_changes import parts_at
from optimizer.edits.plain import Path
from optimizer.edits.splice import has, path_at, remove, set_value, value_at
from optimizer.errors import EditError, Fault
from optimizer.model.catalog import Kind
from optimizer.model.system import System
from optimizer.web.overlays import Mark, Overlay
from optimizer.web.said import plain

Form = Mapping[str, str]
_OPEN = "open joint"
_ROUNDS = 3  # of leaving out parts, after each of which others may prove to be wrong
_MARK = Mark(sign="✗", grade="bad")
_LONGEST = 90  # signs of what is said at a part


@dataclass(frozen=True, slots=True)
class FaultAt:
    """One error: its words, its line (empty: none), and where it can be mended by typing: path, what stands there."""

    words: str
    line: str
    path: str = ""
    label: str = ""
    value: str = ""


def faults_at(text: str, faults: Sequence[Fault]) -> list[FaultAt]:
    """Return the errors of a text, each with its line and with what of the file it is about."""
    found = []
    for fault in faults:
        path = _path(text, fault)
        value = value_at(text, path) if path and has(text, path) else None
        if isinstance(value, str):
            label = ", ".join(str(key + 1) if isinstance(key, int) else key for key in path)
            found.append(FaultAt(str(fault), line_of(fault), json.dumps(path), label, value))
        else:
            found.append(FaultAt(str(fault), line_of(fault)))
    return found


def line_of(fault: Fault) -> str:
    """Return the line of the file that an error stands in, as digits; nothing where it names none."""
    line = fault.place.rsplit(":", 2)[-2] if fault.place.count(":") >= 2 else ""
    return line if line.isdigit() else ""


def lines_of(text: str, faults: Sequence[Fault]) -> list[dict[str, Any]]:
    """Return the lines of a file, each with what is wrong in it."""
    wrong: dict[int, list[str]] = {}
    for fault in faults:
        if line := line_of(fault):
            wrong.setdefault(int(line), []).append(f"found {fault.found}; allowed: {fault.allowed}")
    return [
        {"number": number, "text": line, "faults": wrong.get(number, [])}
        for number, line in enumerate(shown_text(text).splitlines(), start=1)
    ]


def shown_text(text: str) -> str:
    """Return a text as a page can show it: what came from bytes that are no text is a question mark."""
    return text.encode("utf-8", errors="replace").decode()


def mend(form: Form, text: str) -> str:
    """Return the text with other words at a place where an error was; only words that stand there are replaced."""
    try:
        path = json.loads(form.get("path", ""))
    except (ValueError, RecursionError):
        path = None
    if not isinstance(path, list) or not all(isinstance(key, (str, int)) for key in path) or not path:
        raise EditError("The form asks for something unknown.")
    keys = tuple(path)
    if not has(text, keys) or not isinstance(value_at(text, keys), str):
        raise EditError("That is no longer there.")
    return set_value(text, keys, form.get("words", "").strip())


@dataclass(frozen=True)
class Drawable:
    """What can be drawn of a file with errors: a system, its errors laid over it, and what is said of the drawing."""

    system: System
    laid: Overlay
    words: str


def drawable(
    text: str, faults: Sequence[Fault], read: Callable[[str], Outcome], good: System | None
) -> Drawable | None:
    """Return the plumbing with its errors; None where nothing of it could be read yet.

    `read` gives what a text says; `good` is the system as it last was read.
    """
    wrong: dict[tuple[str, int], list[str]] = {}
    trial, left, without = text, list(faults), False
    for _ in range(_ROUNDS):
        places = [(path, fault) for fault in left if (path := _part_path(trial, fault))]
        drains = dict.fromkeys(path[:2] for fault in left if (path := _path(trial, fault))[:1] == ("drains",))
        if not places and not drains:
            break
        for path, fault in places:
            wrong.setdefault((str(path[1]), int(path[3])), []).append(_short(fault))
        with suppress(EditError):
            for path in dict.fromkeys(path for path, _ in places):
                trial = set_value(trial, path, _OPEN)
            for path in drains:
                trial, without = remove(trial, path), True
        told = read(trial)
        if told.system is not None:
            said = "Errors are marked ✗. A part with an error is drawn as not connected yet."
            said += " Drains with an error are left out." if without else ""
            return Drawable(told.system, _laid(told.system, trial, wrong), said)
        left = list(told.faults)
    if good is None:
        return None
    said = "This is the plumbing before the errors, which are marked ✗."
    return Drawable(good, _by_name(good, text, faults, wrong), said)


def _laid(system: System, text: str, wrong: Mapping[tuple[str, int], Sequence[str]]) -> Overlay:
    """Return the errors at the parts of a system that was read from a text."""
    said: dict[tuple[str, int], str] = {}
    for run in system.network.runs.values():
        for index, at in enumerate(parts_at(text, [part.place for part in run.parts])):
            if at.section == "runs" and (at.run, at.item) in wrong:
                said[run.name, index] = "; ".join(wrong[at.run, at.item])[:_LONGEST]
    return Overlay("", said, at_parts=dict.fromkeys(said, _MARK))


def _by_name(
    system: System, text: str, faults: Sequence[Fault], wrong: Mapping[tuple[str, int], Sequence[str]]
) -> Overlay:
    """Return the errors at what of an earlier system has their names."""
    runs, said_of_runs, points, said = system.network.runs, dict[str, str](), dict[str, str](), dict[Any, str]()
    drains = dict[str, str]()
    for fault in faults:
        path = _path(text, fault)
        name = str(path[1]) if len(path) > 1 else ""
        if path[:1] == ("runs",) and name in runs:
            part = path[3] if len(path) > 3 and path[2] == "parts" else None
            if isinstance(part, int) and part < len(runs[name].parts):
                said[name, part] = "; ".join(wrong.get((name, part), (_short(fault),)))[:_LONGEST]
            else:
                said_of_runs[name] = _short(fault)
        elif path[:1] == ("drains",) and name:
            drains[name] = _short(fault)
        elif name in system.network.points:
            points[name] = _short(fault)
        elif path[:1] in (("pumps",), ("devices",)):
            kind = Kind.PUMP if path[0] == "pumps" else Kind.DEVICE
            for run in runs.values():
                said |= {
                    (run.name, index): _short(fault)
                    for index, each in enumerate(run.parts)
                    if each.kind is kind and each.name == name
                }
    marks = dict.fromkeys([*said, *((run, -1) for run in said_of_runs)], _MARK)
    at_points, at_drains = dict.fromkeys(points, _MARK), dict.fromkeys(drains, _MARK)
    return Overlay("", said, said_of_runs, points, marks, at_points, drains, at_drains)


def _short(fault: Fault) -> str:
    return plain(f"found {fault.found}")[:_LONGEST]


def _path(text: str, fault: Fault) -> Path:
    """Return where in the file an error stands; nothing where the text is none that can be taken apart."""
    if not line_of(fault):
        return ()
    line, column = fault.place.rsplit(":", 2)[1:]
    try:
        return path_at(text, int(line), int(column))
    except (EditError, ValueError, IndexError):
        return ()


def _part_path(text: str, fault: Fault) -> Path:
    """Return the item of a run's parts that an error is in, nothing where it is in none."""
    path = _path(text, fault)
    inside = len(path) >= 4 and path[0] == "runs" and path[2] == "parts" and isinstance(path[3], int)
    return path[:4] if inside else ()
