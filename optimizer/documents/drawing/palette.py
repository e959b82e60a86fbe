"""What a role in a picture looks like on a light screen, a dark one, one whose owner sets all colors, and in print.

A picture names roles, never colours. What tells things apart is also a dash, a thickness, a shape or a letter.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Colour:
    """One colour in all surroundings, as #rrggbb, or as the name of a colour that the owner's system sets."""

    light: str
    dark: str
    ink: str  # black-and-white print
    forced: str  # by a system of high contrast


PAPER = Colour("#ffffff", "#11161c", "#ffffff", "Canvas")
INK = Colour("#1b1f24", "#e6edf3", "#000000", "CanvasText")
MUTED = Colour("#545d68", "#a9b4bf", "#333333", "CanvasText")
FAINT = Colour("#d5dae0", "#333b45", "#c4c4c4", "GrayText")
WATER = Colour("#dcebfa", "#173049", "#f2f2f2", "Canvas")
NEW = Colour("#0b57a4", "#7cbaff", "#000000", "LinkText")
OLD = Colour("#8a3b00", "#f2a766", "#000000", "CanvasText")

# Text that stands on a surface: (text, surface). A test holds each pair to the contrast that WCAG 2.2 asks for.
TEXT_ON = ((INK, PAPER), (MUTED, PAPER), (NEW, PAPER), (OLD, PAPER), (INK, WATER), (PAPER, NEW), (PAPER, OLD))
# Lines and marks that carry meaning, on their surface.
MARK_ON = ((INK, PAPER), (NEW, PAPER), (OLD, PAPER), (MUTED, PAPER), (INK, WATER))

_FILL, _STROKE = "fill", "stroke"

# Role → (property, colour) pairs; what does not change with the surroundings stands in _SHAPES.
_ROLES: dict[str, tuple[tuple[str, Colour], ...]] = {
    "paper": ((_FILL, PAPER),),
    "words": ((_FILL, INK),),
    "aside": ((_FILL, MUTED),),
    "new-words": ((_FILL, NEW),),
    "old-words": ((_FILL, OLD),),
    "on-new": ((_FILL, PAPER),),
    "pipe": ((_STROKE, INK),),
    "new-pipe": ((_STROKE, NEW),),
    "old-pipe": ((_STROKE, OLD),),
    "gap": ((_STROKE, PAPER),),
    "shape": ((_STROKE, INK), (_FILL, PAPER)),
    "solid": ((_STROKE, INK), (_FILL, INK)),
    "water": ((_FILL, WATER),),
    "band": ((_FILL, WATER),),
    "rest": ((_FILL, PAPER),),
    "surface": ((_STROKE, INK),),
    "tank": ((_STROKE, MUTED),),
    "grid": ((_STROKE, FAINT),),
    "axis": ((_STROKE, MUTED),),
    "new-badge": ((_FILL, NEW), (_STROKE, NEW)),
    "old-badge": ((_FILL, PAPER), (_STROKE, OLD)),
    "now-line": ((_STROKE, OLD),),
    "after-line": ((_STROKE, NEW),),
    "now-faint": ((_STROKE, OLD),),
    "after-faint": ((_STROKE, NEW),),
    "now-mark": ((_STROKE, OLD), (_FILL, PAPER)),
    "after-mark": ((_STROKE, NEW), (_FILL, NEW)),
    "after-hollow": ((_STROKE, NEW), (_FILL, PAPER)),
    "now-bar": ((_STROKE, OLD), (_FILL, PAPER)),
    "after-bar": ((_STROKE, NEW), (_FILL, NEW)),
    "trim-bar": ((_STROKE, MUTED), (_FILL, WATER)),
    "level": ((_STROKE, MUTED),),
}

_SHAPES = """\
.pic{font-family:Arial,'Liberation Sans',Helvetica,sans-serif}
.pic path,.pic line,.pic polyline{fill:none;stroke-linejoin:round;stroke-linecap:butt}
.pic .bold{font-weight:bold}
.pic .halo{paint-order:stroke;stroke-width:3px;stroke-linejoin:round}
.pic .pipe{stroke-width:2px}
.pic .new-pipe{stroke-width:5px}
.pic .old-pipe{stroke-width:2.5px;stroke-dasharray:5 3}
.pic .gap{stroke-width:12px}
.pic .shape,.pic .solid{stroke-width:1.5px}
.pic .surface{stroke-width:2px}
.pic .tank{stroke-width:1.5px}
.pic .grid{stroke-width:1px}
.pic .axis{stroke-width:1px}
.pic .level{stroke-width:1px;stroke-dasharray:2 3}
.pic .old-badge{stroke-width:1.5px}
.pic .now-line{stroke-width:2px;stroke-dasharray:6 4}
.pic .after-line{stroke-width:2.5px}
.pic .now-faint{stroke-width:1.25px;stroke-dasharray:2 3}
.pic .after-faint{stroke-width:1.25px}
.pic .now-mark,.pic .after-mark,.pic .after-hollow,.pic .now-bar{stroke-width:2px}
.pic .trim-bar{stroke-width:1.5px;stroke-dasharray:4 2}
"""


def picture_style() -> str:
    """Return the style rules of all pictures; they hold inside elements of class `pic` only."""
    dark, ink, forced = _rules("dark"), _rules("ink"), _rules("forced")
    screens = f"{_SHAPES}{_rules('light')}@media (prefers-color-scheme:dark){{\n{dark}}}\n"
    return f"{screens}@media (forced-colors:active){{\n{forced}}}\n@media print{{\n{ink}}}\n"


def print_style() -> str:
    """Return the style rules of all pictures in black-and-white print alone."""
    return f"{_SHAPES}{_rules('ink')}"


def _rules(surroundings: str) -> str:
    lines = [f".pic .halo{{stroke:{getattr(PAPER, surroundings)}}}\n"]
    for role, pairs in _ROLES.items():
        looks = ";".join(f"{name}:{getattr(colour, surroundings)}" for name, colour in pairs)
        # `.pic .role` must outdo `.pic path{fill:none}`, which is one element name more specific for shapes with a fill
        lines.append(f".pic .{role}.{role}{{{looks}}}\n")
    return "".join(lines)


def roles() -> tuple[str, ...]:
    """Return the names of all roles that a picture may use."""
    return tuple(_ROLES)
