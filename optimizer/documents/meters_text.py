"""Lines with a meter, or that want one, side by side: as tables for a terminal, and as plain data."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from optimizer.documents.tables import Block, Heading, Lines, table
from optimizer.search.meters import Expected, MeterChoice, MeteredLine, Straight
from optimizer.units import show_flow, show_head, show_length, show_volume
from optimizer.wording.amounts import money
from optimizer.wording.notes import note_json, note_words

Json = dict[str, Any]
SHOWN = 5  # meters for a line that has none or whose own does not do
_LIE = {
    "any": "in any position, its arrow in flow direction",
    "level": "where the pipe is level, its arrow in flow direction",
    "rising": "where the water flows up through it",
}
CHECK_NOTE = (
    "Check a meter by bucket and stopwatch when it is new and once a year; straight pipe counts from the meter to the "
    "first bend, valve, tee or change of bore."
)


def meter_blocks(
    lines: Iterable[MeteredLine], *, name: str, units: str, currency: str, bucket_m3: float, limit: int | None = SHOWN
) -> list[Block]:
    """Return for every line what flows, its meter or those that would do, where one goes and how to check it."""
    blocks: list[Block] = [Heading(f"Flow meters: {name}")]
    for line in lines:
        blocks += [Heading(f"Run {line.run}"), *_line_blocks(line, units, currency, bucket_m3, limit)]
    if len(blocks) == 1:
        return [*blocks, "No run has a meter, and no run has a target."]
    return [*blocks, CHECK_NOTE]


def _line_blocks(line: MeteredLine, units: str, currency: str, bucket_m3: float, limit: int | None) -> Iterator[Block]:
    if line.note:
        said = note_words(line.note, "")
        yield f"{said[0].upper()}{said[1:]}."
    chosen = line.standing or next((one for one in line.choices if one.reads), None)
    if line.expected:
        yield _flow_table(line.expected, chosen, units, bucket_m3)
    if line.standing is not None:
        yield Lines(tuple(_standing_words(line.standing, units)))
        if not (line.standing.slow or line.standing.fast):
            return
    able = [one for one in line.choices if one.reads]
    if not able:
        yield _none_words(line.choices)
        return
    shown = able if limit is None else able[:limit]
    yield _choice_table(shown, units, currency)
    yield Lines(tuple(_best_words(shown[0], units)))


def _flow_table(expected: Sequence[Expected], chosen: MeterChoice | None, units: str, bucket_m3: float) -> Block:
    bucket = f"{show_volume(bucket_m3, units)} bucket fills in"
    titles = ["mode", "flow", bucket]
    rows = [[one.mode, show_flow(one.flow_m3_s, units), _fill_time(bucket_m3, one.flow_m3_s)] for one in expected]
    if chosen is not None:
        titles += ["pulses per second", "clogged if under", "disconnected if over"]
        for row, one in zip(rows, expected, strict=True):
            row += [_pulses(chosen, flow) for flow in (one.flow_m3_s, one.low_m3_s, one.high_m3_s)]
    return table(titles, rows, right=range(1, len(titles)))


def _fill_time(bucket_m3: float, flow_m3_s: float) -> str:
    if flow_m3_s <= 0.0:
        return "–"
    seconds = bucket_m3 / flow_m3_s
    return f"{seconds:.1f} s" if seconds < 100 else f"{seconds / 60:.1f} min"


def _pulses(choice: MeterChoice, flow_m3_s: float | None) -> str:
    if flow_m3_s is None:
        return "–"
    sent = choice.meter.pulses_per_s(flow_m3_s)
    return f"{sent:.1f}" if sent else "none"


def _range(choice: MeterChoice, units: str) -> str:
    return f"{show_flow(choice.meter.low_m3_s, units)} to {show_flow(choice.meter.high_m3_s, units)}"


def _choice_table(shown: Sequence[MeterChoice], units: str, currency: str) -> Block:
    rows = []
    for one in shown:
        straight = "yes" if one.straight.enough else f"{show_length(_missing_m(one.straight), units)} short"
        rows.append(
            (
                one.item.description,
                _range(one, units),
                show_head(one.loss_m, units),
                money(one.price_cents, currency),
                str(one.washers),
                straight,
            )
        )
    titles = ("meter", "reads", "head loss at the highest flow", "price with adapters", "flat washers", "straight pipe")
    return table(titles, rows, right=(2, 3, 4))


def _missing_m(straight: Straight) -> float:
    return max(0.0, straight.before_m + straight.after_m - sum(straight.there_m))


def _best_words(choice: MeterChoice, units: str) -> Iterator[str]:
    yield from _adapter_words("The first one", choice)
    straight = choice.straight
    need = f"{show_length(straight.before_m, units)} before it and {show_length(straight.after_m, units)} after it"
    there = f"the longest straight stretch, behind {straight.where}, has {show_length(sum(straight.there_m), units)}"
    yield f"It needs straight pipe, {need}; {there}. It goes {_LIE[choice.meter.orientation]}."


def _standing_words(choice: MeterChoice, units: str) -> Iterator[str]:
    loss = f"its head loss at the highest flow is {show_head(choice.loss_m, units)}"
    yield f"Installed: {choice.item.description}. It reads {_range(choice, units)}; {loss}."
    for modes, words in (
        (choice.slow, "below its range, where it reads nothing"),
        (choice.fast, "above its range, where it wears"),
    ):
        if modes:
            yield f"The flow is {words} in {', '.join(modes)}."
    straight = choice.straight
    sides = zip((straight.before_m, straight.after_m), straight.there_m, ("before", "after"), strict=True)
    for need_m, there_m, side in sides:
        told = f"{show_length(there_m, units)} of straight pipe {side} it"
        if there_m < need_m:
            yield f"It has {told} and needs {show_length(need_m, units)}: expect it to read wrong."
        else:
            yield f"It has {told}, enough ({show_length(need_m, units)})."
    yield from _adapter_words("To connect it", choice)
    yield f"It goes {_LIE[choice.meter.orientation]}."


def _adapter_words(whose: str, choice: MeterChoice) -> Iterator[str]:
    """Yield the pieces on both ends of a meter, and the flat washers that go in there."""
    if all(way is None or not way.pieces for way in choice.ways) and choice.straight.stands:
        return
    for side, way in zip(("before", "after"), choice.ways, strict=True):
        if way is not None:
            pieces = "; ".join(piece.words for piece in way.pieces) or "none, the two ends mate"
            yield f"{whose}, {side}: {pieces}."
    if choice.washers:
        yield f"They take {choice.washers} flat washer{'s' * (choice.washers > 1)}."


def _none_words(choices: Sequence[MeterChoice]) -> str:
    if not choices:
        return "No meter in the catalogs is allowed in this run."
    if all(None in one.ways for one in choices):
        return "No meter in the catalogs can be connected to this pipe."
    return (
        "No meter in the catalogs reads the flows of all modes: measure with a bucket, or choose one for a single mode."
    )


def meters_json(lines: Iterable[MeteredLine], *, name: str, currency: str, bucket_m3: float) -> Json:
    """Return the same with SI numbers and money in whole cents."""
    return {"system": name, "currency": currency, "runs": [_line_json(line, bucket_m3) for line in lines]}


def _line_json(line: MeteredLine, bucket_m3: float) -> Json:
    return {
        "run": line.run,
        "note": note_json(line.note, "") if line.note else None,
        "expected": [
            {
                "mode": one.mode,
                "flow_m3_s": one.flow_m3_s,
                "low_m3_s": one.low_m3_s,
                "high_m3_s": one.high_m3_s,
                "bucket_s": bucket_m3 / one.flow_m3_s if one.flow_m3_s > 0 else None,
            }
            for one in line.expected
        ],
        "standing": _choice_json(line.standing, line.expected) if line.standing is not None else None,
        "meters": [_choice_json(one, line.expected) for one in line.choices],
    }


def _choice_json(one: MeterChoice, expected: Sequence[Expected]) -> Json:
    return {
        "item_id": one.item.item_id,
        "description": one.item.description,
        "reads_all_modes": one.reads,
        "too_slow_in": list(one.slow),
        "too_fast_in": list(one.fast),
        "head_loss_m": one.loss_m,
        "price_cents": one.price_cents,
        "washers": one.washers,
        "straight_needed_m": [one.straight.before_m, one.straight.after_m],
        "straight_there_m": list(one.straight.there_m),
        "straight_enough": one.straight.enough,
        "orientation": one.meter.orientation,
        "pulses_per_s": {mode.mode: one.meter.pulses_per_s(mode.flow_m3_s) for mode in expected},
        "before": [piece.words for piece in one.ways[0].pieces] if one.ways[0] else None,
        "after": [piece.words for piece in one.ways[1].pieces] if one.ways[1] else None,
    }
