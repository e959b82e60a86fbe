"""Factors that were found by measurement → the `calibration` of a system file, every other byte left as it was."""

from __future__ import annotations

import io
from typing import Any

from optimizer.errors import Fault, InputError
from optimizer.model.calibration import Calibration
from optimizer.model.dial import Dial, DialKind

_KEY = "calibration"
_REMARK = "# Found from the readings under 'measured'; take this block out to go back to published losses."


def with_factors(content: bytes, calibration: Calibration, name: str = "the system file") -> bytes:
    """Return the text of a system file with these factors in it.

    A block that is there already is changed value by value, so that comments in it stay too; a new one is put at the
    end. Line ends and a byte order mark stay as they are.

    Raises
    ------
    InputError
        When the file is no block of keys to which another can be added, such as one written in { }.
    """
    bom = b"\xef\xbb\xbf" if content.startswith(b"\xef\xbb\xbf") else b""
    text = content[len(bom) :].decode("utf-8")
    line_end = "\r\n" if "\r\n" in text else "\n"
    lines = text.replace("\r\n", "\n").split("\n")
    span = _span(lines, name)
    if span is None:
        while lines and not lines[-1].strip():
            lines.pop()
        block = _dumped({_KEY: _plain(calibration)})
        lines += ["", _REMARK, *block, ""]
    else:
        first, last = span
        lines[first:last] = _changed(lines[first:last], calibration)
    changed = "\n".join(lines)
    _refuse_if_harmed(text, changed, name)
    return bom + changed.replace("\n", line_end).encode("utf-8")


def _span(lines: list[str], name: str) -> tuple[int, int] | None:
    """Return the first line of the block and the one after its last; blank lines and comments behind it are not it."""
    root = _yaml().compose("\n".join(lines))
    if root is None or not str(root.tag).endswith(":map") or root.flow_style:
        raise InputError([Fault(name, "no keys at the start of lines", "'key: value' lines, so that one can be added")])
    starts = [key.start_mark.line for key, _ in root.value]
    for place, (key, _) in enumerate(root.value):
        if key.value == _KEY:
            first = starts[place]
            last = starts[place + 1] if place + 1 < len(starts) else len(lines)
            while last > first + 1 and (not lines[last - 1].strip() or lines[last - 1].lstrip().startswith("#")):
                last -= 1
            return first, last
    return None


def _changed(block: list[str], calibration: Calibration) -> list[str]:
    tree = _yaml().load("\n".join(block) + "\n")
    values = _plain(calibration)
    if not isinstance(tree[_KEY], dict):
        tree[_KEY] = values
    for key in [key for key in tree[_KEY] if key not in values]:
        del tree[_KEY][key]
    for key, value in values.items():
        tree[_KEY][key] = value
    return _dumped(tree)


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


def _dial(dial: Dial) -> Any:
    if dial.kind is DialKind.TABLE:
        return {f"{100.0 * setting:.6g} %": f"{100.0 * speed:.6g} %" for setting, speed in dial.table}
    return dial.words


def _dumped(tree: Any) -> list[str]:
    out = io.StringIO()
    _yaml().dump(tree, out)
    return out.getvalue().rstrip("\n").split("\n")


def _refuse_if_harmed(before: str, after: str, name: str) -> None:
    """All keys but one must mean what they meant: a file that a line too many would change is not written."""
    from ruamel.yaml.error import YAMLError

    old = _yaml().load(before)
    try:
        new = _yaml().load(after)
    except YAMLError:
        new = {}
    kept = {key: value for key, value in new.items() if key != _KEY}
    if _KEY not in new or kept != {key: value for key, value in old.items() if key != _KEY}:
        raise InputError([Fault(name, "a file that ends in the middle of something", "a key at the start of a line")])


def _yaml() -> Any:
    from ruamel.yaml import YAML

    yaml = YAML(typ="rt", pure=True)
    yaml.width = 10_000
    yaml.preserve_quotes = True
    return yaml
