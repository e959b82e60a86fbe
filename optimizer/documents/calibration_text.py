"""What measured flows say: explanations side by side, what they cannot tell apart, and what to measure next."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from optimizer.documents.tables import Block, Heading, table
from optimizer.documents.words import flow_words
from optimizer.model.calibration import Calibration, Measurement
from optimizer.model.dial import DialKind
from optimizer.model.network import Network, PointKind
from optimizer.model.system import System
from optimizer.units import show_flow, show_head
from optimizer.wording.amounts import percent

if TYPE_CHECKING:
    from optimizer.hydraulics.calibration import CalibrationReport, Explanation
    from optimizer.hydraulics.factors import Factor

_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
Json = dict[str, Any]


def calibration_blocks(system: System, report: CalibrationReport) -> list[Block]:
    """Return the readings, every explanation with its factors and expected flows, and the verdict in plain words."""
    blocks: list[Block] = [Heading(f"What the readings say: {system.name}"), _flows(system, report)]
    if report.explanations:
        blocks += _near_shut_off(report)
        blocks += [Heading("Explanations"), _factors(system, report), *_oddities(report)]
    blocks += [*_verdict(system, report), *_failing(system, report), *_next(system, report)]
    return blocks


def calibration_json(report: CalibrationReport) -> Json:
    """Return the same as data: SI units, settings and accuracies as shares."""
    following = report.next_reading
    return {
        "settled": report.settled,
        "measured": [_reading_json(one) for one in report.measured],
        "explanations": [_explanation_json(one) for one in (*report.explanations, *report.failing)],
        "next_reading": following
        and {
            **{key: value for key, value in _reading_json(following.reading).items() if key != "flow_m3_s"},
            "expected_m3_s": list(following.expected_m3_s),
            "told_from_the_first": list(following.apart),
        },
    }


def _reading_json(one: Measurement) -> Json:
    return {
        "run": one.run,
        "flow_m3_s": one.flow_m3_s,
        "settings_share": dict(one.settings),
        "openings_share": dict(one.openings),
        "accuracy_share": one.accuracy,
    }


def _explanation_json(one: Explanation) -> Json:
    found = one.calibration
    return {
        "fits": one.fits,
        "believable": one.believable,
        "why_not": list(one.oddities),
        "loss_factor": found.loss_factor,
        "pump_head_factors": dict(found.pump_head_factors),
        "height_shift_m": found.height_shift_m,
        "dials": {name: dial.words for name, dial in found.dials.items()},
        "fitted": [
            {"factor": str(factor.kind), "pump": factor.pump or None, "spread": spread}
            for factor, spread in zip(one.free, one.spreads, strict=True)
        ],
        "expected_m3_s": list(one.expected_m3_s),
        "score": one.score,
    }


def _flows(system: System, report: CalibrationReport) -> Block:
    shown = _lettered(report)
    titles = ("run", "set to", "measured", "good to", *(f"{letter} expects" for letter, _ in shown))
    rows = [
        (
            one.run,
            _set_to(one, system),
            show_flow(one.flow_m3_s, system.units),
            percent(one.accuracy),
            *(flow_words(each.expected_m3_s[i], system.units) for _, each in shown),
        )
        for i, one in enumerate(report.measured)
    ]
    return table(titles, rows, right=range(2, len(titles)))


def _lettered(report: CalibrationReport) -> list[tuple[str, Explanation]]:
    return list(zip(_LETTERS, report.explanations, strict=False))


def _set_to(one: Measurement, system: System) -> str:
    pumps = [
        percent(setting) if len(system.network.pumps) == 1 else f"{name} {percent(setting)}"
        for name, setting in one.settings.items()
    ]
    valves = [f"valve of {run} {_opening(share)}" for run, share in one.openings.items()]
    return ", ".join((*pumps, *valves)) or "as in the file"


def _opening(share: float) -> str:
    return "shut" if share <= 0.0 else "open" if share >= 1.0 else f"{percent(share)} open"


def _factors(system: System, report: CalibrationReport) -> Block:
    dials = list(dict.fromkeys(name for _, one in _lettered(report) for name in one.calibration.dials))
    titles = ("", *(f"speed setting of {name}" for name in dials), "factors", "fits", "plausible")
    rows = [
        (
            letter,
            *(one.calibration.dials[name].words if name in one.calibration.dials else "" for name in dials),
            _factor_words(one, system.units) or "none: as published",
            "yes" if one.fits else "no",
            "yes" if not one.oddities else "hardly",
        )
        for letter, one in _lettered(report)
    ]
    return table(titles, rows)


def _factor_words(one: Explanation, units: str) -> str:
    words = [
        _one_factor(factor, spread, one.calibration, units)
        for factor, spread in zip(one.free, one.spreads, strict=True)
        if factor.kind != "minimum speed"
    ]
    return ", ".join(words)


def _one_factor(factor: Factor, spread: float, found: Calibration, units: str) -> str:
    if factor.kind == "loss factor":
        return f"losses × {found.loss_factor:.2f} (± {spread:.2f})"
    if factor.kind == "pump head factor":
        return f"head of pump {factor.pump} × {found.pump_head_factors[factor.pump]:.2f} (± {spread:.2f})"
    way = "more" if found.height_shift_m >= 0 else "less"
    return f"{show_head(abs(found.height_shift_m), units)} {way} lift (± {show_head(spread, units)})"


def _near_shut_off(report: CalibrationReport) -> list[Block]:
    """Return why a reading may be missed by more than its accuracy, where one is."""
    missed = any(
        abs(expected - one.flow_m3_s) > 2.0 * one.accuracy * abs(one.flow_m3_s)
        for explanation in report.explanations
        for expected, one in zip(explanation.expected_m3_s, report.measured, strict=True)
    )
    why = "Near shut-off, 1 cm (3/8 in) of water level changes the flow by more than the measuring error."
    return [why] if missed else []


def _oddities(report: CalibrationReport) -> list[Block]:
    return [f"{letter} needs {text}." for letter, one in _lettered(report) for text in one.oddities]


def _verdict(system: System, report: CalibrationReport) -> list[Block]:
    count = len(report.measured)
    readings = "One reading" if count == 1 else f"{_number(count).capitalize()} readings"
    if report.best is None:
        why = "nothing plausible explains them" if report.explanations else "nothing explains them"
        return [f"{readings}, and {why}: look at the pump's curve, the heights and the parts in the file."]
    sentences: list[Block] = [f"A explains them best. {_meaning(system, report.best)}".rstrip()]
    rivals = [letter for letter, one in _lettered(report)[1:] if one.believable]
    if rivals:
        sentences.append(f"{readings} cannot distinguish A from {_listed(rivals, 'or')}.")
    if report.settled:
        sentences.append(f"{readings} settle it: no other plausible explanation comes near.")
    elif not rivals:
        sentences.append(f"{readings} cannot settle it: A has as many unknowns, so no reading is left to test it.")
    return sentences


def _meaning(system: System, best: Explanation) -> str:
    """Return what the best explanation says of each dial, and how high the water is lifted beside the pump's head."""
    words = []
    for name, dial in best.calibration.dials.items():
        words.append(f"The speed setting of pump {name!r} {_dial_words(dial.kind, dial.floor)}.")
    if best.calibration.dials and (share := lift_share(system.network, best.calibration)) is not None:
        words.append(f"The lift is {percent(share)} of the most that the pump can lift.")
    return " ".join(words)


def _dial_words(kind: DialKind, floor: float) -> str:
    if kind is DialKind.POWER:
        return "shows power (rpm follows its cube root)"
    if kind is DialKind.FLOOR:
        return f"begins at {percent(floor)} of full rpm"
    return "shows rpm"


def lift_share(network: Network, calibration: Calibration) -> float | None:
    """Return the highest free water over the lowest as a share of the only pump's shut-off head; None if it has none.

    `network` has the factors of the file in it, of which only its height shift counts here.
    """
    pumps = list(network.pumps.values())
    heads = [
        point.head_m
        for point in network.points.values()
        if point.kind is not PointKind.SUPPLY and point.is_fixed and point.head_m is not None
    ]
    if len(pumps) != 1 or not heads:
        return None
    shut_off_m = pumps[0].curve[0][1] * calibration.pump_head_factors.get(pumps[0].name, 1.0)
    lift_m = max(heads) - min(heads) + calibration.height_shift_m - network.height_shift_m
    return lift_m / shut_off_m if shut_off_m > 0.0 else None


def _failing(system: System, report: CalibrationReport) -> list[Block]:
    sentences: list[Block] = []
    for one in report.failing:
        dials = " and ".join(f"that of {name} {dial.kind}" for name, dial in one.calibration.dials.items())
        i = max(
            range(len(report.measured)),
            key=lambda k: abs(one.expected_m3_s[k] / max(report.measured[k].flow_m3_s, 1e-12) - 1.0),
        )
        expected = "nothing" if one.expected_m3_s[i] <= 1e-9 else show_flow(one.expected_m3_s[i], system.units)
        measured = show_flow(report.measured[i].flow_m3_s, system.units)
        what = f"With a speed setting like {dials}" if dials else "With as few factors as there are readings"
        words = _factor_words(one, system.units)
        best = f" ({words})" if words else ""
        sentences.append(
            f"{what} nothing fits: the best{best} expects {expected} in run {report.measured[i].run!r}, "
            f"set to {_set_to(report.measured[i], system)}, where {measured} was measured."
        )
    return sentences


def _next(system: System, report: CalibrationReport) -> list[Block]:
    following = report.next_reading
    if following is None or report.settled:
        return []
    one = following.reading
    flows = [
        f"{letter} expects {flow_words(flow, system.units)}"
        for (letter, _), flow in zip(_lettered(report), following.expected_m3_s, strict=False)
    ]
    apart = [letter for (letter, _), yes in zip(_lettered(report), following.apart, strict=False) if yes]
    alike = [letter for (letter, _), yes in list(zip(_lettered(report), following.apart, strict=False))[1:] if not yes]
    unsure = "One reading good to 5 % may not distinguish them; take the mean of several"
    told = f"That distinguishes A from {_listed(apart, 'and')}" if apart else unsure
    rest = f"; {_listed(alike, 'and')} would need a reading better than 5 %" if apart and alike else ""
    caution = " Watch the overflow and the drains while the pump runs faster than usual."
    faster = any(setting > _highest(report.measured, name) for name, setting in one.settings.items())
    return [
        f"Measure next: run {one.run!r}, set to {_set_to(one, system)}: {', '.join(flows)}. {told}{rest}."
        + (caution if faster else "")
    ]


def _highest(measured: Sequence[Measurement], pump: str) -> float:
    return max((one.settings[pump] for one in measured if pump in one.settings), default=math.inf)


def _listed(words: Sequence[str], joint: str) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {joint} {words[-1]}"


def _number(count: int) -> str:
    names = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    return names[count] if count < len(names) else str(count)
