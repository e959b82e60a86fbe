"""One line of a run's parts list → what it says: kind, length, ends, opening, condition. No catalog yet."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import partial

from optimizer import units
from optimizer.errors import QuantityError
from optimizer.model.catalog import CHECKS, PIPES, THROTTLES, Kind
from optimizer.model.network import Condition
from optimizer.ranges import noting
from optimizer.read.nodes import Node, Place, Reading, attempt, entries, nearest, text_of, yes_or_no
from optimizer.read.words import KIND_WORDS, SIZE_AT_START, EndWords, kind_at_start, parse_ends_words, parse_size

MOST_PARTS = 1_000  # of a run; the largest that was ever tried has seven hundred
MOST_REPEATS = 50  # `elbow x 500` is a slip of the finger
REPEAT = re.compile(r"(?P<part>.*\S)[ ]+[x×][ ]*(?P<count>\d+)", re.IGNORECASE)
OPENING = re.compile(r"(?P<share>[\d.]+[ ]*%)[ ]*open\b[ ]*|(?P<word>half open|open|shut|closed)\b[ ]*", re.IGNORECASE)
_MADE_OF = re.compile(
    r"(?:(?:sch(?:edule)?[ ]?\d+|c?pvc(?:-u)?|pn[ ]?\d+|abs|dwv|pe|pp|polypropylene|flexible)[ ]+)+", re.IGNORECASE
)
_HOLES = re.compile(r"(?:with[ ]+)?(?P<count>\d{1,5})[ ]+holes?[ ]+(?:of[ ]+)?(?P<wide>.+)", re.IGNORECASE)
MOST_HOLES = 500
TO_SIZE = re.compile(r"to[ ]+(?P<size>.+)", re.IGNORECASE)
_NAMED = {"pump": Kind.PUMP, "device": Kind.DEVICE}
_WORD_OPENINGS = {"half open": 0.5, "open": 1.0, "shut": 0.0, "closed": 0.0}
PART_KEYS = ["part", "pump", "device", "keep", "must go", "room", "least flow", "stays open"]
STEPS = frozenset({Kind.COUPLING, Kind.REDUCING_COUPLING, Kind.BUSHING})


@dataclass(frozen=True, slots=True)
class TeeText:
    """What the file says of one tee: its ends (none: as the runs have it), its kind, or that it is not there yet."""

    place: Place
    ends: tuple[EndWords, ...] = ()
    kind: Kind | None = None
    plumbed: bool = True
    condition: Condition = Condition.MAY_CHANGE


@dataclass(frozen=True, slots=True)
class ClosedLeg:
    """The tee of a closed stub, in the line that goes on: the sizes of what comes, what goes on, and the stub.

    `ends` are those of the tee where they are stated, in the order run, run, branch.
    """

    sizes: tuple[str, str, str]
    turns: bool  # the stub sits in a run leg: the water turns into the branch, or out of it
    from_branch: bool = False  # what comes sits in the branch
    stub: str = ""  # its run
    ends: tuple[EndWords, ...] = ()


@dataclass(frozen=True, slots=True)
class PartText:
    """A part as far as its line says. `size` stands in front of the kind, `to_size` after a reducer's `to`."""

    kind: Kind
    label: str
    node: Node
    length_m: float = 0.0
    name: str = ""
    size: str | None = None
    to_size: str | None = None
    made_of: str = ""  # the words of a family of pipe before the kind, where they are written
    ends: tuple[EndWords, ...] = ()
    holes: tuple[int, float] | None = None  # of a spray bar: how many, and how wide each is [m]
    opening: float = 1.0
    condition: Condition | None = None
    room_m: float | None = None
    least_flow_m3_s: float = 0.0
    stays_open: bool = False
    closed: ClosedLeg | None = None


def read_parts(reading: Reading, node: Node, unit_system: str) -> list[PartText | None]:
    """Return the parts of a run in order, repeats written out; None where a line could not be read."""
    if node.items is None:
        reading.fault(node.place, node.shape, "a list of parts in the order of the water, such as [elbow, pipe 14 in]")
        return [None]
    if not node.items:
        reading.fault(node.place, "a run without parts", "at least one part, such as pipe 14 in")
        return [None]
    parts: list[PartText | None] = []
    for item in node.items:
        parts += _read_part(reading, item, unit_system)
        if len(parts) > MOST_PARTS:
            reading.fault(item.place, f"a run of more than {MOST_PARTS:,} parts", f"at most {MOST_PARTS:,} in a run")
            return [None]
    return parts


def _read_part(reading: Reading, node: Node, unit_system: str) -> list[PartText | None]:
    if node.pairs is None:
        return _repeated(reading, node, unit_system)
    found = entries(reading, node, "a part", PART_KEYS)
    heads = [found[key] for key in ("part", "pump", "device") if key in found]
    if len(heads) != 1:
        if found or not node.pairs:
            reading.fault(
                node.place, "an entry that names no part, or more than one", "one of part, pump or device in it"
            )
        return [None]
    if heads[0].key == "part":
        parts = _repeated(reading, heads[0].value, unit_system)
    else:
        name = text_of(reading, heads[0].value, f"the name of a {heads[0].key}")
        kind = _NAMED[heads[0].key]
        parts = [PartText(kind, f"{kind} {name}", heads[0].value, name=name) if name else None]
    condition = _condition(reading, node, {key: entry.value for key, entry in found.items()})
    room_m = None
    if "room" in found:
        room_m = attempt(reading, found["room"].value, "a length", lambda text: units.parse_length(text, unit_system))
    least_m3_s = 0.0
    if "least flow" in found:
        least_m3_s = _least_flow(reading, found["least flow"].value, parts, unit_system)
    opened = "stays open" in found and _stays_open(reading, found["stays open"].value, parts, condition)
    said = partial(
        replace,
        condition=condition or (Condition.KEEP if opened else None),
        room_m=room_m,
        least_flow_m3_s=least_m3_s,
        stays_open=opened,
    )
    return [part and said(part) for part in parts]


def _stays_open(reading: Reading, node: Node, parts: list[PartText | None], condition: Condition | None) -> bool:
    """Return whether a valve is for service alone: never throttled, and kept, so that no other comes in its place."""
    says = yes_or_no(reading, node) or False
    if says and any(part is not None and (part.kind not in THROTTLES or part.opening < 1.0) for part in parts):
        reading.fault(node.place, "a part that stays open and is no open valve", "a ball, gate or globe valve, open")
    if says and condition is Condition.MUST_GO:
        reading.fault(node.place, "a valve that stays open and must go", "one of the two")
    return says


def _least_flow(reading: Reading, node: Node, parts: list[PartText | None], unit_system: str) -> float:
    """Return the flow at which a check valve lies fully open."""
    if any(part is not None and part.kind not in CHECKS for part in parts):
        reading.fault(
            node.place, "a least flow of a part that is no check valve", "swing check valve, spring check valve"
        )
    flow_m3_s = attempt(reading, node, "a flow, such as 200 gph", lambda text: units.parse_flow(text, unit_system))
    return flow_m3_s or 0.0


def _condition(reading: Reading, node: Node, found: dict[str, Node]) -> Condition | None:
    keep = yes_or_no(reading, found["keep"]) if "keep" in found else None
    must_go = yes_or_no(reading, found["must go"]) if "must go" in found else None
    if keep and must_go:
        reading.fault(node.place, "a part that is to be kept and must go", "one of the two")
    if must_go:
        return Condition.MUST_GO
    if keep is None:
        return None
    return Condition.KEEP if keep else Condition.MAY_CHANGE


def _repeated(reading: Reading, node: Node, unit_system: str) -> list[PartText | None]:
    """Return the part of one text, as many times as its `x 2` says."""
    text = text_of(reading, node, "a part, such as elbow or pipe 14 in")
    if text is None:
        return [None]
    match = REPEAT.fullmatch(text)
    count = int(match["count"][:9]) if match else 1
    if not 1 <= count <= MOST_REPEATS:
        reading.fault(node.place, f"'{text}'", f"from 1 to {MOST_REPEATS} repeats")
        return [None]
    try:
        with noting() as notes:
            part = _parse_part(match["part"] if match else text, node, unit_system)
    except QuantityError as error:
        reading.refuse(node.place, error)
        return [None]
    reading.remark(node.place, notes)
    return [part] * count


def _parse_part(text: str, node: Node, unit_system: str) -> PartText:
    """Return what one part's text says."""
    size, words = _leading_size(text)
    match = _MADE_OF.match(words)
    thread, plain = _thread_adapter(words[match.end() :] if match else words)
    found = kind_at_start(plain)
    if found is None:
        raise _unknown_part(text, words)
    kind, rest = found
    rest = rest or thread
    part = PartText(kind, text, node, size=size, made_of=match[0].strip() if match else "")
    if kind in PIPES:
        return replace(part, length_m=_pipe_length(text, rest, unit_system))
    if kind in _NAMED.values():
        if not rest:
            raise QuantityError(f"'{text}'", f"{kind} and its name, as under '{kind}s'")
        return replace(part, name=rest)
    if kind in THROTTLES and (match := OPENING.match(rest)):
        part, rest = replace(part, opening=_opening(match)), rest[match.end() :]
    if kind is Kind.SPRAY_BAR and (drilled := _HOLES.search(rest)):
        part, rest = replace(part, holes=_holes(text, drilled, unit_system)), rest[: drilled.start()].rstrip()
    if kind in STEPS and (match := TO_SIZE.fullmatch(rest)):
        return replace(part, to_size=parse_size(match["size"]))
    return replace(part, ends=_ends(text, rest, kind))


def _thread_adapter(words: str) -> tuple[str, str]:
    """Return (ends, rest) of `male adapter` and `female adapter`, the trade's words for socket x NPT thread."""
    match = re.match(r"(male|female) (?=adapt[eo]r)", words, re.IGNORECASE)
    return ("", words) if match is None else (f"socket x NPT {match[1].lower()}", words[match.end() :])


def _leading_size(text: str) -> tuple[str | None, str]:
    """Return (size, rest) of `3/4 in elbow`; a bare number in front is a part's name, as in `45 elbow`."""
    match = SIZE_AT_START.fullmatch(text)
    if match is None or not match["rest"] or re.fullmatch(r"[\d/ -]+", match["size"]):
        return None, text
    return parse_size(match["size"]), match["rest"]


def _pipe_length(text: str, rest: str, unit_system: str) -> float:
    if not rest:
        raise QuantityError(f"'{text}' without a length", "a length, such as pipe 14 in or pipe 8 ft 6 in")
    try:
        return units.parse_length(rest, unit_system)
    except QuantityError as error:
        raise QuantityError(f"'{text}': {error.found}", error.allowed, error.suggestion) from None


def _holes(text: str, match: re.Match[str], unit_system: str) -> tuple[int, float]:
    count = int(match["count"])
    wide_m = units.parse_length(match["wide"], unit_system)
    if not 1 <= count <= MOST_HOLES or not wide_m > 0:
        raise QuantityError(
            f"'{text}'", f"1 to {MOST_HOLES} holes, each wider than nothing", "spray bar 20 holes of 4 mm"
        )
    return count, wide_m


def _opening(match: re.Match[str]) -> float:
    if match["share"]:
        return units.parse_fraction(match["share"])
    return _WORD_OPENINGS[match["word"].lower()]


def _ends(text: str, rest: str, kind: Kind) -> tuple[EndWords, ...]:
    """Return the two ends in what follows the kind; one end stands for both."""
    if not rest:
        return ()
    if kind is Kind.OPEN_JOINT:
        raise QuantityError(f"'{rest}' after 'open joint'", "nothing after 'open joint'")
    try:
        ends = parse_ends_words(rest)
    except QuantityError as error:
        raise QuantityError(f"'{text}': {error.found}", error.allowed, _not_ends(text, rest, kind)) from None
    if len(ends) > 2:
        raise QuantityError(f"'{text}' with {len(ends)} ends", "two ends, such as 1 in socket x 3/4 in NPT male")
    return ends * 2 if len(ends) == 1 else ends


def _not_ends(text: str, rest: str, kind: Kind) -> str | None:
    """Return what a text may mean whose `rest` behind the kind is read as ends and is none: a repeat, an opening."""
    alone, inside = text.removesuffix(rest).strip(), rest.strip("() ")
    if re.fullmatch(r"\d{1,2}", rest) and 1 < int(rest) <= MOST_REPEATS:
        return f"'{alone} x {rest}'"
    return f"'{alone} {inside}'" if kind in THROTTLES and OPENING.fullmatch(inside) else None


def _meant(text: str, words: str) -> str | None:
    """Return what an unknown part may mean: a count written first, a pump by its name, words nearly right."""
    counted = re.fullmatch(r"(\d{1,2})\s*[x×]?\s+(\S.*)", text, re.IGNORECASE)
    if counted and 1 <= int(counted[1]) <= MOST_REPEATS and (found := kind_at_start(_leading_size(counted[2])[1])):
        return f"'{counted[2]} x {counted[1]}'" if not found[1] else None
    if re.search(r"\bpump$", words, re.IGNORECASE):
        return f"'pump {text}'"
    near = nearest(words, KIND_WORDS) or nearest(" ".join(words.split()[:2]), KIND_WORDS)
    return near or nearest(words.split()[0] if words.split() else "", KIND_WORDS)


def _unknown_part(text: str, words: str) -> QuantityError:
    if re.match(r"(reducing )?tee|cross|(double )?wye|sanitary tee|saddle", words, re.IGNORECASE):
        advice = "a run that ends at the tee: name the tee as 'to' of one run and as 'from' of the others"
        return QuantityError(f"'{text}' among the parts of a run", advice)
    if re.match(r"(cap|plug)\b", words, re.IGNORECASE):
        return QuantityError(f"'{text}' among the parts of a run", "parts that water flows through")
    if re.search(r"\w\s+(hose|tube)\b", words, re.IGNORECASE):
        advice = (
            "hose and its length alone, in a run whose size says what it is, such as 1/2 in braided hose: where it "
        )
        advice += "goes on as pipe that is a run of its own, from where the first one ends"
        return QuantityError(f"'{text}' among the parts of a run", advice)
    return QuantityError(f"unknown part '{text}'", "one of " + ", ".join(_taught()), _meant(text, words))


def _taught() -> list[str]:
    """Return the part words that a message lists: one for each kind, without synonyms."""
    return list(dict.fromkeys(str(kind) for kind in KIND_WORDS.values()))
