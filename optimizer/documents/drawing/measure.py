"""How wide words are in a picture, and how they break into lines."""

from __future__ import annotations

import re

from optimizer.documents.type_width import width_in_em

_SAFETY, _BOLD = 1.03, 1.08  # other sans-serif letters stand in where there is no Arial; they are a little wider


def text_width(text: str, size: float, bold: bool = False) -> float:
    """Return the width of a line of text in pixels of the picture, rather too wide than too narrow."""
    return width_in_em(text) * size * _SAFETY * (_BOLD if bold else 1.0)


def wrapped(text: str, size: float, room: float, bold: bool = False) -> list[str]:
    """Return the text in lines of at most `room` pixels; a word that is longer is broken."""
    lines: list[str] = []
    for word in re.findall(r"[^ \t\n]+(?: %)?", text):  # not at a space that keeps an amount together
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, size, bold) <= room:
            lines[-1] = longer
        else:
            lines += _broken(word, size, room, bold)
    return lines or [""]


def _broken(word: str, size: float, room: float, bold: bool) -> list[str]:
    pieces = [""]
    for letter in word:
        if pieces[-1] and text_width(pieces[-1] + letter, size, bold) > room:
            pieces.append("")
        pieces[-1] += letter
    return pieces
