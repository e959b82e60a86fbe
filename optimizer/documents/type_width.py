"""How high text becomes when it is wrapped in a column: Arial measured, lines broken as a spreadsheet breaks them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

_DIGIT_PX, _PADDING_PX = 7.0, 1.0  # a column of width w has 7 w + 5 pixels (default type), its text 3 less a side
_PX_PER_POINT = 96.0 / 72.0
_LINE_SPACING = 1.28  # of the type size: what viewers give a line of Arial, rounded up
_SAFETY = 1.02  # hinting widens some letters
_BOLD = 1.08

# Thousandths of the type size, from the published metrics of Helvetica, which Arial keeps; grouped, rounded up.
_GROUPS = {
    225: "ijl'",
    280: " \u00a0ftI.,:;!/\\[]·|",
    360: 'r()-`{}*•"“”',
    500: "cksvxyzJ°",
    560: "abdeghnopqu0123456789$#_?L–",
    611: "FTZ+=<>~×ß",
    670: "ABEKPSVXY&",
    725: "CDHNRUw",
    780: "GOQ",
    840: "mM½¼¾",
    950: "W%",
    1015: "@—",
}
_WIDTHS = {letter: width / 1000 for width, letters in _GROUPS.items() for letter in letters}
_OTHER = 0.6  # accented letters and signs
_WIDE = 1.0  # signs beyond the alphabets: as wide as high


def text_height_points(text: str, column_width: float, style: Mapping[str, Any]) -> float:
    """Return the row height [points] that shows the text whole in a column of this width [digits].

    `style` may hold `font_size` [points] and `bold`, as in a cell format.
    """
    size = float(style.get("font_size", 10))
    line_px = column_width * _DIGIT_PX - _PADDING_PX
    em_px = size * _PX_PER_POINT * _SAFETY * (_BOLD if style.get("bold") else 1.0)
    lines = sum(_line_count(line, line_px / em_px) for line in text.splitlines() or [""])
    return lines * size * _LINE_SPACING + 1.5


def columns_points(widths: Iterable[float]) -> float:
    """Return how wide columns of these widths [digits] are together [points]."""
    return sum(width * _DIGIT_PX + 5.0 for width in widths) / _PX_PER_POINT


def width_in_em(text: str) -> float:
    """Return how wide a line of text is, in multiples of its type size."""
    return _width(text)


def _line_count(text: str, room: float) -> int:
    """Return how many lines a paragraph takes when a line has `room` [times the type size]; long words are broken."""
    count, used = 1, 0.0
    for word in text.split(" "):
        width = _width(word)
        if used and used + _WIDTHS[" "] + width > room:
            count, used = count + 1, 0.0
        used += width + (_WIDTHS[" "] if used else 0.0)
        if used > room:
            broken = int(used / room)
            count, used = count + broken, used - broken * room
    return count


def _width(word: str) -> float:
    return sum(_WIDTHS.get(letter, _OTHER if ord(letter) < 0x2E80 else _WIDE) for letter in word)
