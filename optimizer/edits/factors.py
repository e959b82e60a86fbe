"""Factors that were found by measurement → the `calibration` of a system file, every other byte left as it was."""

from __future__ import annotations

from typing import Any

from optimizer.edits.change import Value
from optimizer.edits.splice import has, insert, set_value
from optimizer.model.calibration import Calibration
from optimizer.model.dial import Dial, DialKind

_KEY = "calibration"
_REMARK = "Found from the readings under 'measured'; take this block out to go back to published losses."


def with_factors(text: str, calibration: Calibration) -> str:
    """Return the text of a system file with these factors in it.

    A block that is there already is changed value by value, so that comments in it stay too; a new one is put behind
    all others. Line ends and a byte order mark stay as they are.

    Raises
    ------
    EditError
        When the file is no mapping of keys to which another can be added.
    """
    values = _plain(calibration)
    if has(text, (_KEY,)):
        return set_value(text, (_KEY,), values)
    return insert(text, (), _KEY, values, remark=_REMARK)


def _plain(calibration: Calibration) -> dict[str, Any]:
    """Return the factors as the file writes them; those that change nothing are left out."""
    values: dict[str, Any] = {"loss factor": round(calibration.loss_factor, 4)}
    if calibration.pump_head_factors:
        values["pump head factor"] = {name: round(one, 4) for name, one in calibration.pump_head_factors.items()}
    if calibration.height_shift_m:
        values["height shift"] = f"{calibration.height_shift_m:.4f} m"
    if calibration.dials:
        values["dial"] = {name: _dial(dial) for name, dial in calibration.dials.items()}
    return values


def _dial(dial: Dial) -> Value:
    if dial.kind is DialKind.TABLE:
        return {f"{100.0 * setting:.6g} %": f"{100.0 * speed:.6g} %" for setting, speed in dial.table}
    return dial.words
