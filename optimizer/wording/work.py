"""What the take-off says of the parts, the pieces of pipe and what comes out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping

from optimizer.model.note import Note
from optimizer.units import US, show_length


def _left_over(note: Note, units: str) -> str:
    values = dict(note.values)
    length_m = float(str(values["length_m"]))
    size = f"{1000 * abs(length_m):.0f} mm" + (f" ({show_length(abs(length_m), US)})" if units == US else "")
    return (
        f"run {note.run}, between {values['first']} and {values['last']}: the new parts are {size} "
        f"{'longer' if length_m > 0 else 'shorter'} than what stood there; what they join has to move by as much"
    )


def _coupled(note: Note, units: str) -> str:
    values = dict(note.values)
    count = int(str(values["count"]))
    what = str(values["coupling"]) + (f" ({count})" if count > 1 else "")
    return f"join {count + 1} lengths of {values['pipe']}, as none that is sold is long enough: add {what}"


def _moves_much(turn: str) -> str:
    return (
        "the valve of {run!r} stands open less than a quarter of its travel: " + turn + " its flow by "
        "{share:percent}; a smaller line or a finer valve holds it better (`finer valves`)"
    )


def _share_of_a_pack(note: Note, units: str) -> str:
    values = dict(note.values)
    used, count, pack = float(str(values["packs"])), int(str(values["joints"])), values["pack"]
    share = f"about {100 * used:.0f} % of one {pack}" if used <= 1.0 else f"about {used:.1f} {pack}s"
    return f"{share}, for {count} joint{'s' * (count > 1)}"


def _pieces(note: Note, units: str) -> str:
    lengths_m = dict(note.values)["lengths_m"]
    assert isinstance(lengths_m, tuple)
    pieces = Counter(show_length(float(str(length_m)), units) for length_m in lengths_m)
    return "pieces: " + ", ".join(words if count == 1 else f"{count} × {words}" for words, count in pieces.items())


MEASURE = "Cut lengths include what goes into the sockets. Face to face is what shows between two fittings."
SAYS: Mapping[str, str | Callable[[Note, str], str]] = {
    "new run": "run {run}: it is new; measure its pieces in place before you cut them",
    "pump put in": (
        "run {run}: a pump was put in; shorten the sawn pipe by what it and its joints take, measured in place"
    ),
    "bends differ": "run {run}: bends were added or left out; measure its new pieces in place",
    "not connected before": (
        "run {run}, between {first} and {last}: part of it was not connected before; measure the new pieces there in "
        "place"
    ),
    "left over": _left_over,
    "too long": (
        "a piece of {length_m:length} of {pipe} is longer than any length this store sells, and nothing for sale joins "
        "two: have one cut to order"
    ),
    "couple": _coupled,
    "not on the lists": ("your lists have no {what} for {sizes:list}: buy it elsewhere; its price is not included"),
    "handle moves much": _moves_much("5° of its handle move"),
    "turns move much": _moves_much("a sixteenth of its turns moves"),
    "ABS cement": (
        "run {run}: {joints} of its new joints take ABS cement in place of PVC cement and primer, ASTM D2235; a can of "
        "4 fl oz (118 mL) is not in the price"
    ),
    "transition cement": (
        "run {run}: {joints} of its new joints take transition cement in place of PVC cement and primer, ASTM D3138, "
        "where no pressure stands and the local code allows it; a can of 4 fl oz (118 mL) is not in the price"
    ),
    "unscrews": (
        "run {run}: {part} comes out by its threads alone, and pipe that is cemented on both sides does not turn: "
        "leave one side free to turn, or put a union there"
    ),
    "owned pipe unused": "owned pipe is not counted where pipe is bought by length",
    "told at a rate": "prices in {prices} are told in {currency} at {rate:g} {currency} each ({day})",
    "rate of a day": "your rate of {day}",
    "rate without a date": "your rate, without a date",
    "mark-up in the prices": (
        "a mark-up of {mark_up_percent:g} % is in every price, a store's price in `retrofit price` too"
    ),
    "tax in the prices": "all prices have {tax_percent:g} % tax in them{of_total}",
    "tax added": (
        "{tax_percent:g} % tax is added to every price, rounded up to a cent a piece; a store's price counts with tax"
        "{of_total}"
    ),
    "tax of the total": "; of the total {tax} are tax",
    # on the lines of the parts list
    "row": "{text}",
    "share of a pack": _share_of_a_pack,
    "marks": "cut list marks {marks:list}{owned}",
    "owned besides": "; {count} owned besides",
    "pieces": _pieces,
    "spare": "not part of the plan's cost",
    # what becomes of what comes out
    "comes apart": "comes apart at its ports",
    "sawn off": "sawn off at its cemented joints; a clean straight piece can still serve as a stub",
    "body unscrews": ("the valve body unscrews from its cemented end pieces; it needs new ones of the same make"),
    "halves cemented": "its halves are cemented to the old pipe; keep the nut and the O-ring as spares",
    "pulls off": "pulls off its joints; cut back the stretched or marked ends",
    "cemented": "its joints are cemented",
    "one side cemented": "one of its joints is cemented; only the other opens",
    "opens": "its joints open without a saw",
    "opens and renew": "its joints open without a saw; renew the {what:and the}",
}
