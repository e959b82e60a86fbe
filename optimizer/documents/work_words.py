"""A step of the work, as codes and values → the sentence that a person does it by."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from optimizer.takeoff.work_order import RunWork, WorkStep
from optimizer.units import US, show_length
from optimizer.wording.notes import note_json, note_text

TIGHT = {
    "tape": "PTFE tape on the male taper thread, wound the way it turns in; hand tight plus 1 to 1-1/2 turns",
    "washer": "a new flat washer in the female half, no tape; hand tight plus a quarter turn",
    "swivel": "the washer seated in the swivel nut, no tape; the nut hand tight",
    "clamp": "hose pushed on to the shoulder, clamp behind the last barb",
    "sleeve": "pipe cut square and clean, sleeve pushed to the middle, both bands tightened evenly",
    "nut": "nut and ring over the square-cut tube first, tube pushed in to the stop; nut hand tight plus half a turn",
    "push": "tube cut square and pushed in to the stop; pull back to test",
    "cement": "prime both, cement both, push to the stop with a quarter turn, hold 30 s",
}
"""How each kind of joint is made and how tight it gets: common practice, no source. The one place that says it."""
UNION_CLOSED = "O-ring clean and seated, nut hand tight"
CHECK_VALVE = (
    "the check valve's arrow points with the water; a swing check sits level or has the water rise through it "
    "(common practice, no source)"
)
_CURE_CHART = "a cement maker's chart for 16 to 38 °C"
_CURE_CHART_US = "a cement maker's chart for 60 to 100 °F"


def step_text(step: WorkStep, units: str) -> str:
    """Return a step as a sentence without its kind in front, its lengths in the owner's units."""
    if step.told is not None:
        return note_text(step.told, units)
    if step.code == "wait":
        return _wait(step, units)
    if step.code in _SAYS:
        return _SAYS[step.code](step, lambda what: exact_length(step.lengths_m[what], units))
    method, _, where = step.code.partition(", ")
    at = "at the bench" if where == "bench" else "in place"
    return f"{at}: {_joints(step)}: {TIGHT[method]}"


def exact_length(length_m: float, units: str) -> str:
    """Return a length to saw by: `1-1/4 in (32 mm)`, or whole millimetres."""
    millimetres = f"{round(1000 * length_m)} mm"
    return f"{show_length(length_m, units)} ({millimetres})" if units == US else millimetres


def step_json(step: WorkStep, units: str) -> dict[str, Any]:
    """Return a step as plain data: its code with its values [m, min], and the sentence."""
    return {
        "kind": step.kind,
        "code": step.code,
        "parts": list(step.parts),
        "lengths_m": dict(step.lengths_m),
        "letters": list(step.letters),
        "joints": dict(step.joints),
        "minutes": dict(step.minutes),
        "note": step.note,
        "told": None if step.told is None else note_json(step.told, units),
        "text": step_text(step, units),
    }


def work_json(work: Sequence[RunWork], units: str) -> list[dict[str, Any]]:
    """Return the work on every run as plain data: joints with their letters, and the steps in their order."""
    return [
        {
            "run": one.run,
            "joints": [
                {
                    "letter": joint.letter,
                    "before_part": joint.index,
                    "method": joint.method,
                    "size": joint.size,
                    "between": [joint.before, joint.after],
                    "where": joint.where,
                }
                for joint in one.joints.joints
            ],
            "in_place": list(one.joints.in_place),
            "steps": [step_json(step, units) for step in one.steps],
        }
        for one in work
    ]


Length = Callable[[str], str]


def _joints(step: WorkStep) -> str:
    total = sum(step.joints.values())
    sizes = ", ".join(f"{count} at {size}" for size, count in step.joints.items())
    return f"joint{'s' * (total > 1)} {', '.join(step.letters)} ({sizes})"


def _drain(step: WorkStep, length: Length) -> str:
    name, start, end = step.parts
    return (
        f"shut what feeds {name}, lift its outlets out of the water or plug them, and let it run empty into a bucket, "
        f"from {start} to {end}"
    )


def _drain_house(step: WorkStep, length: Length) -> str:
    name, start, end = step.parts
    return (
        f"shut the house water to {name}, open the line at {end} until the pressure is off, and let it run empty into "
        f"a bucket, from {start} to {end}"
    )


def _short_of(step: WorkStep, length: Length) -> str:
    pipe, near, far = step.parts
    if step.lengths_m["off"] < 0.0005:
        return f"saw the {length('whole')} length of {pipe} flush with the face of {near}; all of it stays in {far}"
    return (
        f"saw the {length('whole')} length of {pipe} {length('off')} short of {near}; {length('stays')} stays, from "
        f"the face of {far} to the cut"
    )


def _both_ends(step: WorkStep, length: Length) -> str:
    pipe, before, after = step.parts
    return (
        f"saw the {length('whole')} length of {pipe} free at the faces of {before} and {after}, and cut it to "
        f"{length('stays')}"
    )


def _through(step: WorkStep, length: Length) -> str:
    pipe, far = step.parts
    return (
        f"saw the {length('whole')} length of {pipe} through, {length('stays')} from the face of {far}; that end "
        "stays, the other goes"
    )


def _out_of(step: WorkStep, length: Length) -> str:
    pipe, before, after, what = step.parts
    return (
        f"saw the {length('whole')} length of {pipe} through twice, {length('first')} from the face of {before} and "
        f"{length('last')} from the face of {after}; both ends stay, the {length('out')} between comes out for the "
        f"{what}"
    )


def _in_two(step: WorkStep, length: Length) -> str:
    hose, before, _, what = step.parts
    return (
        f"cut the {length('whole')} length of {hose} through once, {length('first')} from the face of {before}; both "
        f"ends stay and go onto the {what}"
    )


def _stub(step: WorkStep, length: Length) -> str:
    pipe, stays = step.parts
    on_it = f" for joint {step.letters[0]}" if step.letters and step.letters[0] else ""
    return f"saw {pipe}, {length('whole')} long, off {stays}: leave exactly {length('leave')} showing{on_it}"


def _row(step: WorkStep, length: Length) -> str:
    first, *new, last = step.parts
    row = [*([first] if first else []), *(new or ["nothing between"]), *([last] if last else [])]
    letters = list(step.letters)
    if not first:
        letters = letters[1:]
    told = row[0]
    for word, letter in zip(row[1:], [*letters, *[""] * len(row)], strict=False):
        told += f" –{letter}→ {word}" if letter else f" → {word}"
    return told


def _remove(step: WorkStep, length: Length) -> str:
    return ", ".join(step.parts) + (f". Keep for use: {step.note}" if step.note else "")


def _wait(step: WorkStep, units: str) -> str:
    chart = _CURE_CHART_US if units == US else _CURE_CHART
    source = chart if step.note == "published" else step.note
    cold = "more when cold"
    if "cold cure" in step.minutes:
        span = "40 to 60 °F" if units == US else "5 to 16 °C"
        cold = f"{step.minutes['cold cure']:g} min at {span}"
    return (
        f"do not move the joints for {step.minutes['set']:g} min; no water for {step.minutes['cure']:g} min after the "
        f"last one ({source}), {cold}. Add half the time if damp; a day before livestock; follow the can if it differs"
    )


_SAYS: Mapping[str, Callable[[WorkStep, Length], str]] = {
    "drain": _drain,
    "drain house water": _drain_house,
    "unscrew": lambda s, _: f"unscrew {s.parts[0]} from {s.parts[1]}",
    "loosen": lambda s, _: f"loosen the clamp and pull {s.parts[0]} off {s.parts[1]}",
    "release": lambda s, _: f"release {s.parts[0]} from {s.parts[1]}",
    "union": lambda s, _: f"open the {s.parts[0]} beside the {s.parts[1]}: it lets the last joint close",
    "short of": _short_of,
    "both ends": _both_ends,
    "through": _through,
    "out of": _out_of,
    "in two": _in_two,
    "for a tee": lambda s, length: (
        f"saw the {length('whole')} length of {s.parts[0]} through square, where the tee goes ({s.parts[1]}), and "
        "shorten its two pieces by what is new there"
    ),
    "for a tee, once": lambda s, length: (
        f"saw the {length('whole')} length of {s.parts[0]} through square, where the tee goes ({s.parts[1]}); one "
        "piece stays: shorten it by what is new there"
    ),
    "stub": _stub,
    "remove": _remove,
    "row": _row,
    "mark the turns": lambda s, _: "mark the turns across every joint, then take it apart again",
    "new union": lambda s, _: (
        f"the line closes at the new {s.parts[0]} beside the {s.parts[1]}: slip its nut on before its last joint, "
        f"close it last, {UNION_CLOSED}"
    ),
    "union that stands": lambda s, _: f"close the {s.parts[0]} beside the {s.parts[1]} last, {UNION_CLOSED}",
    "spring": lambda s, _: (
        f"joint {', '.join(s.letters)} closes last: spring the long leg of pipe aside by the depth of the socket, and "
        "hold it until the cement has set"
    ),
    "free end": lambda s, _: f"joint {', '.join(s.letters)} closes last: the line is free toward {s.parts[0]}",
    "as the can says": lambda s, _: "leave the joints alone for the time on the can",
    "check valve": lambda s, _: CHECK_VALVE,
}
