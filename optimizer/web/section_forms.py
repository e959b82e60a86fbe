"""Forms of what stands beside the runs (tanks, drains, modes, owned pipe, a second pump) → changes of the file."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from optimizer.edits import changes
from optimizer.edits.changes import Change
from optimizer.edits.splice import has, remove, value_at
from optimizer.errors import EditError
from optimizer.model.ends import SizeSystem
from optimizer.read.words import DEFAULT_FAMILY, SIZE_AT_START
from optimizer.web.said import SECTIONS, Typed, changes_in, items_of, new_value, plain, typed

Form = Mapping[str, str]
PUMP, TARGET = "pump ", "target "  # before a name, in the names of a mode's fields
NOTHING_NEW = "Nothing in the form was changed."
SECOND = "second pump"
SECOND_KEYS = (
    ("line", "Its own line to the tee, part by part, where it is in parallel", "pipe 12 in, elbow, pipe 8 in"),
    ("in pipe", "Which pipe behind the pump is cut, counted from 1", "1"),
    ("another like it", "What another of the same model costs", "150 USD"),
)
SECOND_HOW = ("no", "in series", "side by side", "either")


def keys_of(form: Form, text: str) -> str:
    """Return the text with every key of one name as the form has it."""
    section, name = form.get("section", ""), form.get("name", "")
    if section not in SECTIONS:
        raise EditError("The form asks for something unknown.")
    found = list(changes_in(form, text, section, name))
    if "height" in form:
        height = plain(value_at(text, ("surfaces", name))) if has(text, ("surfaces", name)) else ""
        if form["height"].strip() not in ("", height):
            found.append(changes.Set("surfaces", name, None, form["height"].strip()))
    return _applied(found, text)


def new_name(form: Form, section: str) -> Change:
    """Return one more under a section, with what the form says of it."""
    return changes.Add(section, needed(form, "name", "a name"), new_value(form, section))


def mode_of(form: Form, text: str) -> str:
    """Return the text with a mode as the form has it: the setting of every pump, and targets of its own."""
    name, found = form.get("name", ""), list[Change]()
    for field, words in form.items():
        if field.startswith(PUMP):
            pump = field.removeprefix(PUMP)
            if words.strip() != written_in_mode(text, name, pump):
                found.append(changes.SetPumpInMode(name, pump, words.strip() or None))
        elif field.startswith(TARGET):
            run = field.removeprefix(TARGET)
            if words.strip() != written_in_mode(text, name, "targets", run):
                found.append(changes.SetTarget(run, words.strip() or None, name))
    return _applied(found, text)


def written_in_mode(text: str, mode: str, *keys: str) -> str:
    """Return what the file says in a mode, nothing where it says nothing."""
    path = (section_word(text), mode, *keys)
    return plain(value_at(text, path)) if has(text, path) else ""


def section_word(text: str) -> str:
    """Return the word under which a file has its modes."""
    return next((word for word in ("modes", "settings") if has(text, (word,))), "modes")


def owned(form: Form) -> Change:
    """Return pipe that lies there: lengths of a size; none where the form has none."""
    size = needed(form, "name", "a size of pipe, such as 1 in sch 40 PVC")
    lengths = items_of(form.get("value", ""))
    return changes.Set("owned", size, None, lengths or None)


def second_pump(form: Form) -> Change:
    """Return whether a second pump may be put, and where; as a word alone where nothing else is said of it."""
    how = form.get("how", "")
    if how not in SECOND_HOW:
        return changes.SetRule(SECOND, None)
    told: dict[str, Any] = {"how": how}
    for key, _, _ in SECOND_KEYS:
        value = typed(form.get(key, ""), Typed.LIST if key == "line" else Typed.TEXT)
        if value is not None:
            told[key] = [value] if key == "line" and isinstance(value, str) else value
    return changes.SetRule(SECOND, how if len(told) == 1 or how == "no" else told)


def tee(form: Form, text: str) -> str:
    """Return the text with a tee's sizes and whether it may go, as a form has them: a text alone where that will do."""
    name, size, condition = needed(form, "name", "a tee"), form.get("value", "").strip(), form.get("condition", "")
    path = ("tees", name)
    old = value_at(text, path) if has(text, path) else None
    told = {key: value for key, value in old.items() if key == "note"} if isinstance(old, dict) else {}
    told |= {"size": size} if size else {}
    told |= {condition: True} if condition in ("keep", "must go") else {}
    return changes.Set("tees", name, None, size if told == {"size": size} else told or None).apply(text)


def needed(form: Form, field: str, what: str) -> str:
    """Return what stands in a field; EditError where nothing does."""
    value = form.get(field, "").strip()
    if not value:
        raise EditError(f"Still missing: {what}.")
    return value


def sized(words: str) -> str:
    """Return what is typed as the size of a part, nothing where nothing is; EditError where it is no size."""
    match = SIZE_AT_START.fullmatch(words.strip())
    if words.strip() and (match is None or match["rest"]):
        raise EditError(f"found '{words.strip()[:40]}' as a size; allowed: a size such as 3/4 in, 1-1/2 in or 32 mm")
    return words.strip()


def pipe_size(words: str) -> str:
    """Return the pipe that a size alone means: of the usual family in inches, or in millimeters."""
    match = SIZE_AT_START.fullmatch(words.strip())
    if match is None or match["rest"]:
        return words.strip()
    return f"{words.strip()} {DEFAULT_FAMILY[SizeSystem.METRIC if 'mm' in words else SizeSystem.IPS]}"


def first_target(words: str) -> str:
    """Return a target as a file has it: a flow alone is the least that is asked for."""
    return f"at least {words.strip()}" if words.strip()[:1].isdigit() else words.strip()


def _applied(found: Iterable[Change], text: str) -> str:
    """Return the text with several changes, one after the other; EditError where there is none."""
    several = list(found)
    if not several:
        raise EditError(NOTHING_NEW)
    for change in several:
        text = change.apply(text)
    return text


def forget_factors(form: Form, text: str) -> str:
    """Return the text without the factors that readings gave."""
    return remove(text, ("calibration",)) if has(text, ("calibration",)) else text


TEXTS: Mapping[str, Callable[[Form, str], str]] = {
    "keys": keys_of,
    "mode": mode_of,
    "tee": tee,
    "forget factors": forget_factors,
}
CHANGES: Mapping[str, Callable[[Form], Change]] = {
    "add drain": lambda form: new_name(form, "drains"),
    "add mode": lambda form: changes.Add(
        "modes",
        needed(form, "name", "a name"),
        {needed(form, "pump", "a pump"): needed(form, "value", "a setting of the pump, such as 60 %")},
    ),
    "owned": owned,
    SECOND: second_pump,
}
