"""A few answers → the text of a system file to go on from: the starter file, with its words, in other numbers.

The explanations stand in `examples/starter.yaml` and nowhere else. What that file has of an invented aquarium is taken
out or replaced; what is left is one line from the sump to the display, which is sketched only as far as it must be.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from optimizer.edits.change import Value
from optimizer.edits.changes import SetHead, SetRule, SetTarget
from optimizer.edits.splice import set_value
from optimizer.errors import EditError, QuantityError
from optimizer.model.ends import End, Form
from optimizer.read.places import data_directory
from optimizer.read.words import parse_end
from optimizer.units import METRIC, US

RUN, PUMP, SUMP, DISPLAY = "return line", "return", "sump", "display"
SKETCH = "A first sketch: change it part by part into what stands there, in the order of the water."
_INVENTED = re.compile(r"# Everything in it is invented:(?:.*\n#)*?.*\n(?=#\n)")
_PRICES = "# The prices in the shipped catalogs are illustrative: put a store's own in before buying.\n"


@dataclass(frozen=True, slots=True)
class Answers:
    """What must be known to begin. All are texts as a system file has them; one without a unit is in `units`.

    `pump` is the value of a pump under `pumps`: a curve and ports at least (`pump_of_shelf` gives one of the catalogs).
    `display` and `sump` are heights above the sump's running water line; `size` is that of the line, with its family.
    A target that is empty is left open.
    """

    title: str
    units: str
    display: str
    pump: Value
    size: str
    sump: str = "0"
    salinity: str = "35 g/kg"
    temperature: str = ""
    currency: str = "USD"
    target: str = ""


def new_text(answers: Answers) -> str:
    """Return the text of a new file. What the reader finds wrong with an answer it says of the text.

    Raises
    ------
    EditError
        For other units than US and metric, or a title, height or size that is empty.
    """
    if answers.units not in (US, METRIC):
        raise EditError(f"found the units '{answers.units}'; allowed: {US} or {METRIC}")
    for name in ("title", "display", "size"):
        if not getattr(answers, name).strip():
            raise EditError(f"found no {name}; allowed: a text")
    text = _INVENTED.sub(_PRICES, starter_text(), count=1)
    heads = {"system": answers.title, "note": SKETCH, "units": answers.units, "currency": answers.currency}
    for key, value in heads.items():
        text = SetHead(key, value).apply(text)
    warm = answers.temperature or ("77 degF" if answers.units == US else "25 degC")
    text = set_value(text, ("water",), {"salinity": answers.salinity, "temperature": warm})
    text = set_value(text, ("surfaces",), {SUMP: answers.sump, DISPLAY: answers.display})
    text = set_value(text, ("pumps", PUMP), answers.pump)
    text = set_value(text, ("runs", RUN, "size"), answers.size)
    text = set_value(text, ("runs", RUN, "parts"), _sketch(answers))
    for rule in ("sizes", "velocity limit for new pipe"):  # as usual: sizes next to the line's own, a quiet speed
        text = SetRule(rule, None).apply(text)
    return SetTarget(RUN, answers.target or None).apply(text)


def starter_text() -> str:
    """Return the starter file that explains itself."""
    path = data_directory("examples") / "starter.yaml"
    return path.read_bytes().decode("utf-8").replace("\r\n", "\n")


def _sketch(answers: Answers) -> list[str]:
    """Return the fewest parts that lead from the pump to the display, the way up in one piece."""
    short = "12 in" if answers.units == US else "300 mm"
    return [f"pump {PUMP}", _joint(answers), f"pipe {_rise(answers)}", "elbow", f"pipe {short}", "elbow"]


def _rise(answers: Answers) -> str:
    bare = re.fullmatch(r"\d+(?:\.\d+)?", answers.display.strip())
    return f"{answers.display.strip()} {'ft' if answers.units == US else 'm'}" if bare else answers.display.strip()


def _joint(answers: Answers) -> str:
    """Return an adapter from the pump's outlet to the line where the usual one fits, else what is not connected yet."""
    ports = answers.pump.get("ports")
    words = ports.get("out") if isinstance(ports, dict) else ports
    try:
        outlet: End | None = parse_end(str(words))
    except QuantityError:
        outlet = None  # the reader says so of the ports
    facing = {Form.NPT_MALE: Form.NPT_FEMALE, Form.NPT_FEMALE: Form.NPT_MALE}
    if outlet is None or outlet.form not in facing or answers.size.strip() != f"{outlet.size} sch 40 PVC":
        return "open joint"
    return f"adapter {facing[outlet.form]} x socket"
