"""The work on a plan → the sentences of the workbench that workbook and page share: before, tools, steps, close."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator

from optimizer.documents.work_words import step_text
from optimizer.model.catalog import Kind
from optimizer.model.circuits import Feed
from optimizer.takeoff.take_off import Pause, TakeOff
from optimizer.takeoff.work_order import CEMENT, CUT, OPEN, WorkStep
from optimizer.units import show_volume

_BEFORE = (
    "Read the cautions first. {stop}. Have every part,{cement} towels and a bucket at hand, and someone who "
    "knows where the breaker is. Dry-fit {first}."
)
_HOUSE = (
    "House water is under pressure and does not stop by itself: shut it, let the pressure off at the end of the line, "
    "and see that what protects it against backflow stays in place."
)
_FILL = {
    Feed.PUMP: (
        "Fill slowly at the lowest safe pump speed of the card, or with the valve after the pump just cracked open."
    ),
    Feed.TANK: "Fill what runs down from a tank slowly, its valve just cracked open.",
    Feed.HOUSE: "Crack the house water open, let the air out of the line, then open it in full.",
}
_LAST_TEST = {
    Feed.PUMP: "Cut the power: the sump must hold what drains back. Switch on again: the pump must not draw air.",
    Feed.HOUSE: (
        "Shut the far end of the house water line and leave it under pressure for an hour: nothing may drip. Then see "
        "that the float valve, or whatever stops it, shuts tight."
    ),
}
# what nobody asks of a fitting that is cemented on all sides
PLAIN_ENDS = re.compile(", socket × socket( × socket)?(?! ×)")
SIGN = "Done by ______________________   Date ______________   Time of the last joint ______________"


def step_words(step: WorkStep, units: str) -> str:
    """Return a step as it is read, its kind in front: `Cut: ...`."""
    told = PLAIN_ENDS.sub("", step_text(step, units))
    return f"{step.kind[:1].upper()}{step.kind[1:]}: {told}"


def before_words(taken: TakeOff, units: str) -> tuple[str, ...]:
    """Return what is done first, how much water comes down, and how long the animals have no flow."""
    pause = taken.pause
    cemented = _is_cemented(taken)
    words = {"cement": " the cement,", "first": "before you cement"} if cemented else {"cement": "", "first": "first"}
    feeds = pause.feeds if pause is not None else frozenset({Feed.PUMP})
    before = _BEFORE.format(**words, stop=_stop_words(feeds))
    if pause is None:
        return (before,)
    house = (_HOUSE,) if Feed.HOUSE in feeds else ()
    return (before, *(_tank_words(pause, units) if feeds - {Feed.HOUSE} else ()), *house)


def _stop_words(feeds: frozenset[Feed]) -> str:
    if feeds == {Feed.HOUSE}:
        return "Shut the house water"
    return "Unplug the pump and shut the house water" if Feed.HOUSE in feeds else "Unplug the pump"


def _tank_words(pause: Pause, units: str) -> tuple[str, str]:
    """Return how much water of the tanks comes down, and how long the animals have no flow."""
    if pause.back_m3 is None:
        water = "The file does not tell how much water runs down when a line is opened: have towels and a bucket there."
    else:
        water = f"About {show_volume(pause.back_m3, units)} run down into the sump when the pump stops."
    stop = "Lift every outlet out of the water before you open a line, and plug a bulkhead that stays under water."
    hours = math.ceil((pause.work_min + pause.cure_min) / 30.0) / 2.0
    cure = f", {pause.cure_min:g} min of cure), longer where it is cold" if pause.cure_min else ")"
    animals = (
        f"The animals have no flow for {hours:g} h at the least ({pause.work_min:g} min at the joints{cure}: keep an "
        "air stone or a small pump running."
    )
    return (f"{water} {stop}", animals)


def _is_cemented(taken: TakeOff) -> bool:
    return any(step.kind == CEMENT for work in taken.work for step in work.steps)


def tools_words(taken: TakeOff) -> str:
    """Return the tools that this work takes (common practice, no source)."""
    return f"Tools: {', '.join(_tools(taken))}."


def _tools(taken: TakeOff) -> Iterator[str]:
    steps = [step for work in taken.work for step in work.steps]
    kinds = {step.kind for step in steps}
    methods = {joint.method for work in taken.work for joint in work.joints.joints}
    rigid = any(piece.item.kind is Kind.PIPE for piece in taken.cuts.pieces)
    yield "tape measure and marker"
    if rigid or CUT in kinds:
        yield "fine saw or pipe cutter with a guide that keeps it square"
        yield "deburring knife or file"
    if CEMENT in kinds:
        yield "primer, cement, gloves and a rag"
    if "tape" in methods:
        yield "PTFE tape"
    if any(joint.nut for work in taken.work for joint in work.joints.joints):
        yield "two wrenches for the compression nuts"
    if "clamp" in methods:
        yield "screwdriver for the clamps"
    if OPEN in kinds:
        yield "strap wrench for the nuts (loosen only)"
    yield "bucket and towels"
    yield "lamp and safety glasses"


def closing_words(taken: TakeOff) -> tuple[str, ...]:
    """Return the steps after the last joint; none where nothing was joined (common practice, no source)."""
    if not taken.work:
        return ()
    feeds = taken.pause.feeds if taken.pause is not None else frozenset({Feed.PUMP})
    what = "pump and valves" if Feed.PUMP in feeds else "the valves"
    cure = ("Let the last cemented joint cure for the time in its steps, longer where it is cold or damp.",)
    return (
        *(cure if _is_cemented(taken) else ()),
        "Check that nothing is open: every union closed, every valve and cap in place, every tool out of the water.",
        *(words for feed, words in _FILL.items() if feed in feeds),
        "Look at and feel every new joint; dry each one first. A joint that weeps: stop, drain, make it again.",
        f"Go to full flow, set {what} as the card says, and write down the first readings.",
        *(words for feed, words in _LAST_TEST.items() if feed in feeds),
        "Look once more after an hour and the next day.",
    )
