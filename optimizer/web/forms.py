"""The fields of a form → the change of the file that they ask for. Nothing of a form is trusted, no file is touched.

`DONE` holds what can be done by the name that forms give it under `do`. Each takes the fields and what the page shows,
and gives a change, or a text where there is no text yet to change.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from optimizer import pipeline
from optimizer.edits import changes
from optimizer.edits.changes import Change, PartAt, parts_at
from optimizer.edits.factors import with_factors
from optimizer.edits.new_file import Answers as FirstAnswers
from optimizer.edits.new_file import new_text, starter_text
from optimizer.edits.part_words import PartWords, part_words
from optimizer.edits.shelf_pump import pump_of_shelf
from optimizer.edits.splice import value_at
from optimizer.errors import EditError
from optimizer.model.catalog import Catalog
from optimizer.model.network import Part, Run
from optimizer.model.rules import RULES, Written
from optimizer.model.system import System
from optimizer.web import section_forms
from optimizer.web.fault_views import mend
from optimizer.web.said import Typed, typed
from optimizer.web.said import items_of as _lines
from optimizer.web.section_forms import NOTHING_NEW, PUMP, first_target, pipe_size, sized
from optimizer.web.section_forms import needed as _needed

Form = Mapping[str, str]
MOST_TEXT = 1_000_000  # of a whole file
_LISTS = (Written.SIZES, Written.CHECKS)


@dataclass(frozen=True)
class Standing:
    """What the page shows: the text of the file, and what it was read as, where it has no faults."""

    text: str
    system: System | None = None
    catalog: Catalog | None = None


def changed(form: Form, shown: Standing) -> str:
    """Return the text with what a form asks for; EditError, in words to show, where that cannot be."""
    from optimizer.web.adding import ADDING

    what = form.get("do", "")
    if what in ADDING:
        return ADDING[what](form, shown)
    if what == "mend":
        return mend(form, shown.text)
    if what in section_forms.TEXTS:
        return section_forms.TEXTS[what](form, shown.text)
    if what in section_forms.CHANGES:
        return section_forms.CHANGES[what](form).apply(shown.text)
    done = DONE.get(what)
    if done is None:
        raise EditError("The form asks for something unknown.")
    result = done(form, shown)
    return result if isinstance(result, str) else result.apply(shown.text)


def part_of(shown: Standing, at: str) -> tuple[Run, int, Part, PartAt]:
    """Return the part with a handle: its run, its index in it, itself, and where it is written."""
    run, index = _run_and_index(shown, at)
    if index is None or index >= len(run.parts):
        raise EditError("That part is no longer there.")
    written = parts_at(shown.text, [part.place for part in run.parts])
    return run, index, run.parts[index], written[index]


def run_of(shown: Standing, at: str) -> Run:
    """Return the run of a handle, of its own or of a part."""
    return _run_and_index(shown, at)[0]


def written_run(shown: Standing, run: Run) -> str:
    """Return the name under which the file has a run, or the first of those that were joined into it."""
    return parts_at(shown.text, [run.parts[0].place])[0].run if run.parts else run.name


def _run_and_index(shown: Standing, at: str) -> tuple[Run, int | None]:
    match = re.fullmatch(r"(?:run-(\d{1,5})|part-(\d{1,5})-(\d{1,5}))", at)
    runs = list(shown.system.network.runs.values()) if shown.system else []
    place = int(match[1] or match[2]) if match else -1
    if not 0 <= place < len(runs):
        raise EditError("That run is no longer there.")
    return runs[place], None if match is None or match[3] is None else int(match[3])


def words_of(shown: Standing, written: PartAt) -> tuple[PartWords, Mapping[str, str]]:
    """Return a part's words as the file has them, and what it says besides (keep, must go, room ...)."""
    item = value_at(shown.text, written.path)
    said = dict(item) if isinstance(item, dict) else {"part": item}
    head = next((key for key in ("part", "pump", "device") if key in said), "part")
    words = str(said.pop(head, "") or "")
    return part_words(words if head == "part" else f"{head} {words}"), {key: str(value) for key, value in said.items()}


def _change_part(form: Form, shown: Standing) -> Change:
    """Return a part with what is new in the form; what stands there as before is left as the file writes it."""
    _, _, _, at = part_of(shown, form["at"])
    old, said = words_of(shown, at)
    new: dict[str, str | None] = {}
    for field, before in (
        ("kind", old.kind),
        ("size", old.size),
        ("length", old.length),
        ("to_size", old.to_size),
        ("ends", old.rest),
        ("opening", old.opening),
        ("room", said.get("room", "")),
        ("least_flow", said.get("least flow", "")),
        ("stays_open", said.get("stays open", "")),
        ("condition", _condition(said)),
    ):
        value = form.get(field)
        if value is not None and value.strip() != before:
            new[field] = sized(value) if field in ("size", "to_size") else value.strip()
    if not new:
        raise EditError(NOTHING_NEW)
    return changes.ChangePart(at.run, at.item, at.repeat, at.section, **new)  # type: ignore[arg-type]


def _condition(said: Mapping[str, str]) -> str:
    if said.get("must go") == "yes":
        return "must go"
    return {"yes": "keep", "no": "may change"}.get(said.get("keep", ""), "")


def _rewrite_part(form: Form, shown: Standing) -> Change:
    _, _, _, at = part_of(shown, form["at"])
    return changes.ChangePart(at.run, at.item, at.repeat, at.section, text=_needed(form, "words", "the part"))


def _set_opening(form: Form, shown: Standing) -> Change:
    """Return a valve at a share of its opening; fully open needs no words."""
    _, _, _, at = part_of(shown, form["at"])
    share = _number(form.get("opening", ""), 0, 100)
    words = "" if share == 100 else "shut" if share == 0 else f"{share:g} %"
    return changes.ChangePart(at.run, at.item, at.repeat, at.section, opening=words)


def new_part_words(form: Form) -> str:
    """Return a part that is to be put in, in the words of a file: its kind and what is said of it."""
    kind = _needed(form, "kind", "a kind of part")
    size = sized(form.get("size", ""))
    return " ".join(word for word in (size, kind, form.get("detail", "").strip()) if word)


def _insert(form: Form, shown: Standing) -> Change:
    words, behind = new_part_words(form), form.get("where") != "before"
    if form["at"].startswith("run-"):
        run = run_of(shown, form["at"])
        name = written_run(shown, run)
        count = len(value_at(shown.text, ("runs", name, "parts")) or ())
        return changes.InsertPart(name, count if behind else 0, words)
    _, _, _, at = part_of(shown, form["at"])
    return changes.InsertPart(at.run, at.item, words, behind, at.repeat, at.section)


def _remove_part(form: Form, shown: Standing) -> Change:
    run, _, _, at = part_of(shown, form["at"])
    if len(run.parts) == 1:
        raise EditError("A run needs a part: remove the run itself, or put another part in first.")
    return changes.RemovePart(at.run, at.item, at.repeat, at.section)


def _move_part(form: Form, shown: Standing) -> Change:
    """Return a part one place on, against the flow direction or with it."""
    run, index, _, at = part_of(shown, form["at"])
    step = -1 if form.get("way") == "earlier" else 1
    if not 0 <= index + step < len(run.parts):
        raise EditError("It is the first part of its run." if step < 0 else "It is the last part of its run.")
    other = parts_at(shown.text, [part.place for part in run.parts])[index + step]
    if other.run != at.run or other.item == at.item:
        raise EditError("The part beside it is the same, or another run begins there.")
    return changes.MovePart(at.run, at.item, at.run, at.item + step, at.repeat, at.section, at.section)


def _repeat_part(form: Form, shown: Standing) -> Change:
    """Return one more of a part, behind it."""
    _, _, _, at = part_of(shown, form["at"])
    words = replace(words_of(shown, at)[0], count=1).text
    return changes.InsertPart(at.run, at.item, words, True, at.repeat, at.section)


def _set_run(form: Form, shown: Standing) -> Change:
    run = written_run(shown, run_of(shown, form["at"]))
    key = form.get("key", "")
    if key == "name":
        return changes.RenameRun(run, _needed(form, "value", "a name"))
    return changes.SetRun(run, key, form.get("value", "").strip() or None)


def _remove_run(form: Form, shown: Standing) -> Change:
    return changes.RemoveRun(written_run(shown, run_of(shown, form["at"])))


def _add_run(form: Form, shown: Standing) -> Change:
    return changes.AddRun(
        _needed(form, "name", "a name"),
        _needed(form, "start", "where it begins"),
        _needed(form, "end", "where it ends"),
        _needed(form, "size", "a size, such as 3/4 in sch 40 PVC"),
        _lines(_needed(form, "parts", "a part, such as pipe 2 ft")),
    )


def _branch(form: Form, shown: Standing) -> Change:
    """Return a run out of a tee that is put in before a part."""
    run, index, _, at = part_of(shown, form["at"])
    if index == 0 or at.repeat:
        raise EditError("A tee needs parts of the run on both sides: choose a part further on.")
    name = _needed(form, "name", "a name for the new run")
    tee = _needed(form, "tee", "a name for the tee")
    size = form.get("size", "").strip() or f"{run.size} {run.family}"
    parts = _lines(_needed(form, "parts", "a part, such as pipe 2 ft"))
    end = _needed(form, "end", "where the new run ends")
    return changes.AddBranch(at.run, at.item, tee, f"{at.run} after {tee}", name, end, size, parts)


def _target(form: Form, shown: Standing) -> Change:
    mode = form.get("of_mode", "").strip() or None
    return changes.SetTarget(_needed(form, "name", "a run"), form.get("value", "").strip() or None, mode)


def _rule(form: Form, shown: Standing) -> Change:
    key, value = form.get("key", ""), form.get("value", "").strip()
    if key in RULES and RULES[key].written in _LISTS and "," in value:
        return changes.SetRule(key, [one.strip() for one in value.split(",") if one.strip()])
    return changes.SetRule(key, value or None)


def _head(form: Form, shown: Standing) -> Change:
    return changes.SetHead(form.get("key", ""), form.get("value", "").strip() or None)


def _add(form: Form, shown: Standing) -> Change:
    """Return one more water, outlet, pump or device."""
    section, name = form.get("section", ""), _needed(form, "name", "a name")
    if section == "pumps":
        return changes.Add(section, name, pump_value(form, shown))
    if section == "devices":
        return changes.Add(section, name, device_value(form))
    return changes.Add(section, name, _needed(form, "value", "a height, such as 4 ft 7 in"))


def device_value(form: Form) -> object:
    """Return a device: what it loses, its ports."""
    curve = _lines(_needed(form, "loss", "what it loses, such as 2.1 ft at 300 gph"))
    ports = _needed(form, "ports", "its ports, such as 3/4 in socket")
    return {"loss": curve[0] if len(curve) == 1 else curve, "ports": ports}


def pump_value(form: Form, shown: Standing) -> object:
    """Return a pump of the shelf, or one by typed points."""
    own = form.get("curve", "").strip()  # whoever types a curve means that pump
    if form.get("shelf") and not own and shown.catalog is not None and shown.system is not None:
        return pump_of_shelf(form["shelf"], shown.catalog, shown.system.units)
    curve = _lines(_needed(form, "curve", "points of its curve, such as 0 gph at 12 ft"))
    told: dict[str, object] = {"curve": curve, "ports": _needed(form, "ports", "its ports, such as 3/4 in NPT male")}
    return told | ({"speeds": form["speeds"].strip()} if form.get("speeds", "").strip() else {})


def _set(form: Form, shown: Standing) -> Change:
    """Return what is said of a water, a pump, a device, a tank: one key of it, or all of it where there is no key."""
    section, name, key = form.get("section", ""), form.get("name", ""), form.get("key", "").strip() or None
    value = form.get("value", "").strip() or None
    if key == "curve" and value is not None:
        return changes.Set(section, name, key, _lines(value))
    return changes.Set(section, name, key, value)


def _remove(form: Form, shown: Standing) -> Change:
    return changes.Remove(form.get("section", ""), form.get("name", ""))


def _rename(form: Form, shown: Standing) -> Change:
    return changes.Rename(form.get("section", ""), form.get("name", ""), _needed(form, "value", "a name"))


def _speed(form: Form, shown: Standing) -> Change:
    """Return a pump at a setting of its speed, in the mode that is shown where there are modes."""
    share = _number(form.get("speed", ""), 0, 100)
    if form.get("mode"):
        return changes.SetPumpInMode(form["mode"], form.get("pump", ""), f"{share:g} %" if share else "off")
    return changes.Set("pumps", form.get("pump", ""), "speed", f"{share:g} %")


def _reading(form: Form, shown: Standing) -> Change:
    showed = {key.removeprefix(PUMP): value.strip() for key, value in form.items() if key.startswith(PUMP)}
    at = {pump: speed for pump, speed in showed.items() if speed} or None
    valves, accuracy = typed(form.get("valves", ""), Typed.PAIRS), form.get("accuracy", "").strip() or None
    return changes.AddReading(_needed(form, "run", "a run"), _needed(form, "flow", "a flow"), at, valves, accuracy)


def _remove_reading(form: Form, shown: Standing) -> Change:
    return changes.RemoveReading(int(_number(form.get("index", ""), 0, 100_000)))


def _whole(form: Form, shown: Standing) -> str:
    """Return the whole text as it was typed; line ends as the file has them."""
    text = form.get("text", "").replace("\r\n", "\n")
    return text.replace("\n", "\r\n") if "\r\n" in shown.text else text


def _begin(form: Form, shown: Standing) -> str:
    """Return the text of a new file from a few answers."""
    if shown.text.strip() and not form.get("anyway"):
        raise EditError("The file is no longer empty.")
    if form.get("example"):
        return starter_text()
    units = form.get("units", "US")
    if form.get("shelf") and not form.get("curve", "").strip():  # whoever types a curve means that pump
        if shown.catalog is None:
            raise EditError("The catalogs cannot be read.")
        pump: object = pump_of_shelf(form["shelf"], shown.catalog, units)
    else:
        curve = _lines(_needed(form, "curve", "points of the pump's curve, such as 0 gph at 12 ft"))
        pump = {"curve": curve, "ports": _needed(form, "ports", "the pump's ports, such as 3/4 in NPT male")}
    return new_text(
        FirstAnswers(
            _needed(form, "title", "a name for the plumbing"),
            units,
            _needed(form, "display", "the height of the display"),
            pump,
            pipe_size(_needed(form, "size", "a size of pipe")),
            target=first_target(form.get("target", "")),
        )
    )


def _calibrate(form: Form, shown: Standing) -> str:
    """Return the text with the factors of the first explanation of its readings."""
    best = pipeline.calibrate(shown.system).best if shown.system is not None else None
    if best is None:
        raise EditError("Nothing plausible explains the readings: there are no factors to keep.")
    return with_factors(shown.text, best.calibration)


def _data(form: Form, shown: Standing) -> Change:
    """Return a change that the page was given as data: what would make a plan possible."""
    try:
        return changes.from_data(json.loads(form.get("data", "")))
    except (ValueError, RecursionError):
        raise EditError("The form asks for something unknown.") from None


def _number(words: str, low: float, high: float) -> float:
    if not re.fullmatch(r"\d{1,6}(?:\.\d{1,4})?", words) or not low <= float(words) <= high:
        raise EditError(f"found '{words[:20]}'; allowed: a number from {low:g} to {high:g}")
    return float(words)


DONE: dict[str, Callable[[Form, Standing], Change | str]] = {
    "change part": _change_part,
    "rewrite part": _rewrite_part,
    "opening": _set_opening,
    "insert": _insert,
    "remove part": _remove_part,
    "move part": _move_part,
    "repeat part": _repeat_part,
    "set run": _set_run,
    "remove run": _remove_run,
    "add run": _add_run,
    "branch": _branch,
    "target": _target,
    "rule": _rule,
    "head": _head,
    "add": _add,
    "set": _set,
    "remove": _remove,
    "rename": _rename,
    "speed": _speed,
    "reading": _reading,
    "remove reading": _remove_reading,
    "calibrate": _calibrate,
    "whole": _whole,
    "begin": _begin,
    "data": _data,
}
