"""Lines, shapes and words collected into one SVG text: the same calls give the same bytes.

Lengths are in pixels of the picture, x to the right, y down. Text stays text; its boxes are kept, so that a test can
see that no two of them overlap and that none is cut.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from optimizer.documents.drawing.measure import text_width
from optimizer.documents.drawing.palette import picture_style
from optimizer.documents.words import clean

Point = tuple[float, float]

BACK, LINES, MARKS, WORDS = range(4)  # what is drawn first lies under what comes later
_LINE_WIDTH = 8.0  # of the widest line: so much of it may stand beside its points


@dataclass(frozen=True, slots=True)
class Box:
    """What a text or a symbol covers."""

    left: float
    top: float
    right: float
    bottom: float
    words: str = ""

    def overlaps(self, other: Box, slack: float = 0.5) -> bool:
        across = min(self.right, other.right) - max(self.left, other.left)
        down = min(self.bottom, other.bottom) - max(self.top, other.top)
        return across > slack and down > slack


@dataclass(frozen=True, slots=True)
class Upright:
    """A pipe that leads straight up or down, and what it is called."""

    x: float
    top: float
    bottom: float
    words: str


@dataclass(frozen=True, slots=True)
class Column:
    """From where to where a column of a picture reaches, from left to right."""

    left: float
    right: float


class Canvas:
    """A picture in the making.

    `texts` and `symbols` hold what was drawn where; `columns`, `bands` (what lies across them) and `uprights` where it
    can be cut, above `end_y`.
    """

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = width, height
        self.texts: list[Box] = []
        self.symbols: list[Box] = []
        self.end_y = height
        self.columns: list[Column] = []
        self.bands: list[Box] = []
        self.uprights: list[Upright] = []
        self._items: list[tuple[int, Box, str]] = []

    def add(self, layer: int, element: str, points: Sequence[Point] = ()) -> None:
        """Add an element that covers no more than these points span; without them it may cover everything."""
        xs, ys = [x for x, _ in points] or [0.0, self.width], [y for _, y in points] or [0.0, self.height]
        self._items.append((layer, Box(min(xs), min(ys), max(xs), max(ys)), element))

    def line(self, points: Sequence[Point], role: str, layer: int = LINES) -> None:
        """Draw straight pieces from point to point."""
        pairs = " ".join(f"{number(x)},{number(y)}" for x, y in points)
        self.add(layer, f'<polyline class="{role}" points="{pairs}"/>', points)

    def path(self, commands: str, role: str, layer: int = LINES) -> None:
        self.add(layer, f'<path class="{role}" d="{commands}"/>')

    def rectangle(self, left: float, top: float, width: float, height: float, role: str, layer: int = BACK) -> None:
        numbers = f'x="{number(left)}" y="{number(top)}" width="{number(width)}" height="{number(height)}"'
        self.add(layer, f'<rect class="{role}" {numbers}/>', [(left, top), (left + width, top + height)])

    def circle(self, x: float, y: float, radius: float, role: str, layer: int = MARKS) -> None:
        shape = f'<circle class="{role}" cx="{number(x)}" cy="{number(y)}" r="{number(radius)}"/>'
        self.add(layer, shape, [(x - radius, y - radius), (x + radius, y + radius)])

    def polygon(self, points: Sequence[Point], role: str, layer: int = MARKS) -> None:
        pairs = " ".join(f"{number(x)},{number(y)}" for x, y in points)
        self.add(layer, f'<polygon class="{role}" points="{pairs}"/>', points)

    def text(
        self, x: float, y: float, words: str, role: str = "words", *, size: float = 12, anchor: str = "start"
    ) -> None:
        """Write words with their baseline at y; `role` may add `bold` and `halo`; `anchor` start, middle or end."""
        shown = clean(words)
        width = text_width(shown, size, bold="bold" in role.split())
        left = x - {"start": 0.0, "middle": width / 2, "end": width}[anchor]
        box = Box(left, y - 0.76 * size, left + width, y + 0.22 * size, shown)
        self.texts.append(box)
        place = f'x="{number(x)}" y="{number(y)}" font-size="{number(size)}"'
        turned = "" if anchor == "start" else f' text-anchor="{anchor}"'
        self.add(
            WORDS,
            f'<text class="{role}" {place}{turned}>{escape(shown)}</text>',
            [(box.left, box.top), (box.right, box.bottom)],
        )

    def body(self, window: Box | None = None) -> str:
        """Return what was drawn, the lower layers first; with a window only what may be seen in it."""
        items = sorted(self._items, key=lambda item: item[0])
        seen = [item for item in items if window is None or item[1].overlaps(window, -_LINE_WIDTH)]
        return "\n".join(element for _, _, element in seen)

    def svg(self, title: str, description: str, key: str, *, alone: bool = False) -> str:
        """Return the picture as an SVG element.

        Parameters
        ----------
        title, description
            What a screen reader says of it.
        key
            Letters and dashes that no other picture of the page uses.
        alone
            True for a file of its own, which then carries its style and paper; False inside a page that has them.
        """
        width, height = number(self.width), number(self.height)
        space = ' xmlns="http://www.w3.org/2000/svg"' if alone else ""
        head = (
            f'<svg{space} class="pic" role="img" aria-labelledby="{key}-title {key}-text" '
            f'viewBox="0 0 {width} {height}" width="{width}" height="{height}">'
        )
        names = f'<title id="{key}-title">{escape(clean(title))}</title>'
        told = f'<desc id="{key}-text">{escape(clean(description))}</desc>'
        style = f"<style>\n{picture_style()}</style>" if alone else ""
        paper = f'<rect class="paper" width="{width}" height="{height}"/>' if alone else ""
        body = f'<g id="{key}-body" class="pic">\n{self.body()}\n</g>'
        return "\n".join(part for part in (head, names, told, style, paper, body, "</svg>") if part) + "\n"


def number(value: float) -> str:
    """Return a length as it stands in the file: at most one decimal, no minus before zero."""
    text = f"{value + 0.0:.1f}".removesuffix(".0")
    return "0" if text in ("-0", "-0.0") else text
