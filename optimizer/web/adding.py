"""Forms that add what a file takes only together: a tank with the run that leads to it, a pump with its place in a run.

A pump or a device gets places that are not connected yet beside it: what joins it to its neighbors the plan finds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from optimizer.edits import changes
from optimizer.edits.changes import parts_at
from optimizer.errors import EditError
from optimizer.model.catalog import Kind
from optimizer.web.forms import Form, Standing, device_value, part_of, pump_value, run_of, written_run
from optimizer.web.said import items_of, new_value
from optimizer.web.section_forms import needed

OPEN = "open joint"
_WATERS = ("surfaces", "outlets", "supplies")


def water(form: Form, shown: Standing) -> str:
    """Return the text with a tank, an outlet or house water, and with the run that leads to it or from it."""
    section, name = form.get("section", ""), needed(form, "name", "a name")
    if section not in _WATERS:
        raise EditError("The form asks for something unknown.")
    value = new_value(form, section) if section == "supplies" else needed(form, "value", "a height, such as 4 ft 7 in")
    other = needed(form, "other", "where the run comes from or leads to")
    start, end = (other, name) if section != "supplies" and form.get("way") != "from" else (name, other)
    run = changes.AddRun(
        needed(form, "run", "a name for the run"),
        start,
        end,
        needed(form, "size", "a size, such as 3/4 in sch 40 PVC"),
        items_of(needed(form, "parts", "a part, such as pipe 2 ft")),
    )
    return run.apply(changes.Add(section, name, value).apply(shown.text))


def _machine(section: str, form: Form, shown: Standing) -> object:
    return pump_value(form, shown) if section == "pumps" else device_value(form)


def machine(form: Form, shown: Standing) -> str:
    """Return the text with a pump or a device and its place: after a part, or at the beginning of a run."""
    section, name = form.get("section", ""), needed(form, "name", "a name")
    if section not in ("pumps", "devices"):
        raise EditError("The form asks for something unknown.")
    text = changes.Add(section, name, _machine(section, form, shown)).apply(shown.text)
    kind, place = "pump" if section == "pumps" else "device", form.get("place", "")
    if place.startswith("run-"):
        run, before, index = run_of(shown, place), None, -1
        written, item = written_run(shown, run), 0
    else:
        run, index, before, at = part_of(shown, place)
        if at.section != "runs" or at.repeat:
            raise EditError("That part is no longer there.")
        written, item = at.run, at.item + 1
    after = run.parts[index + 1] if index + 1 < len(run.parts) else None
    words = [f"{kind} {name}"]
    words = [OPEN, *words] if before is not None and before.kind is not Kind.OPEN_JOINT else words
    words = [*words, OPEN] if after is not None and after.kind is not Kind.OPEN_JOINT else words
    for offset, one in enumerate(words):
        text = changes.InsertPart(written, item + offset, one).apply(text)
    return text


ADDING: Mapping[str, Callable[[Form, Standing], str]] = {"add water": water, "add machine": machine}


def places_of(shown: Standing) -> list[tuple[str, str]]:
    """Return where a pump or a device may be put: handles with their words, each part that is written as one."""
    if shown.system is None:
        return []
    found = []
    for row, run in enumerate(shown.system.network.runs.values()):
        found.append((f"run-{row}", f"{run.name}: at its beginning"))
        written = parts_at(shown.text, [part.place for part in run.parts])
        for index, part in enumerate(run.parts):
            repeated = any(one.item == written[index].item and one.repeat for one in written)
            if not repeated:
                found.append((f"part-{row}-{index}", f"{run.name}: after {index + 1}, {part.words}"))
    return found
