"""One plain symbol for each kind of part, drawn along an upright pipe.

Valves, check valve, pump and reducer follow the common shapes of process diagrams (as in ISO 14617 and ISO 10628-2:
two triangles tip to tip, a triangle in a circle, a trapezoid); the others are shapes of our own, named in the legend.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from optimizer.documents.drawing.svg import MARKS, Box, Canvas, number
from optimizer.model.kinds import BRANCHES, KINDS, MACHINES, PIPES, Kind

HALF_WIDTH = 10.0  # no symbol reaches further from its pipe

_DOTS = BRANCHES


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a symbol stands: on the pipe at (x, y); `down` when the run is written downwards; its line's role."""

    x: float
    y: float
    down: bool
    line: str = "pipe"

    def at(self, across: float, along: float) -> tuple[float, float]:
        """Return the place `across` to the right and `along` in the direction of the run."""
        return self.x + across, self.y + (along if self.down else -along)


def symbol_height(kind: Kind) -> float:
    """Return how much of the pipe a symbol takes, in pixels."""
    return 26.0 if kind in MACHINES else 16.0


def draw_symbol(canvas: Canvas, kind: Kind, spot: Spot) -> None:
    """Draw the symbol of a kind of part; the run's line is there already and shows through where it should."""
    half = 5.0 if kind in _DOTS else symbol_height(kind) / 2
    reach = 5.0 if kind in _DOTS else HALF_WIDTH
    if kind not in PIPES:
        canvas.symbols.append(Box(spot.x - reach, spot.y - half, spot.x + reach, spot.y + half, kind.value))
    DRAWN[KINDS[kind].symbol](canvas, spot)


def draw_stub(canvas: Canvas, spot: Spot) -> None:
    """Draw what hangs closed at a tee in a line: a short pipe to the left with a cap on it."""
    end = spot.x - HALF_WIDTH - 3.0
    canvas.line([(spot.x, spot.y), (end, spot.y)], spot.line)
    canvas.line([(end, spot.y - 5.0), (end, spot.y + 5.0)], spot.line)


def symbol_words(kind: Kind) -> str:
    """Return what the legend says of a symbol."""
    return KINDS[kind].legend


def _pipe(canvas: Canvas, spot: Spot) -> None:
    """Pipe is the line itself."""


def _hose(canvas: Canvas, spot: Spot) -> None:
    _blank(canvas, spot, 7)
    (x, top), (_, low) = spot.at(0, -7), spot.at(0, 7)
    step = (low - top) / 4
    waves = " ".join(f"q{5 if i % 2 else -5},{number(step / 2)} 0,{number(step)}" for i in range(4))
    canvas.path(f"M{number(x)},{number(top)} {waves}", spot.line)


def _bend(sharp: bool) -> Callable[[Canvas, Spot], None]:
    """An elbow is where the line steps aside: square for a standard one, round for a sweep."""

    def draw(canvas: Canvas, spot: Spot) -> None:
        _blank(canvas, spot, 6)
        if sharp:
            canvas.line(
                [spot.at(0, -7), spot.at(0, -5), spot.at(-7, -5), spot.at(-7, 5), spot.at(0, 5), spot.at(0, 7)],
                spot.line,
            )
            return
        points = [
            spot.at(0, -8),
            spot.at(0, -4),
            spot.at(-7, -4),
            spot.at(-7, 0),
            spot.at(-7, 4),
            spot.at(0, 4),
            spot.at(0, 8),
        ]
        start, c1, c2, middle, c3, c4, end = (f"{number(x)},{number(y)}" for x, y in points)
        canvas.path(f"M{start} C{c1} {c2} {middle} C{c3} {c4} {end}", spot.line)

    return draw


def _bend_45(canvas: Canvas, spot: Spot) -> None:
    _blank(canvas, spot, 6)
    canvas.line([spot.at(0, -7), spot.at(-6, -2), spot.at(-6, 2), spot.at(0, 7)], spot.line)


def _box(across: float, along: float, role: str = "shape") -> Callable[[Canvas, Spot], None]:
    def draw(canvas: Canvas, spot: Spot) -> None:
        corners = [(-across, -along), (across, -along), (across, along), (-across, along)]
        canvas.polygon([spot.at(*corner) for corner in corners], role)

    return draw


def _reducer(canvas: Canvas, spot: Spot) -> None:
    canvas.polygon([spot.at(-8, -5), spot.at(8, -5), spot.at(4, 5), spot.at(-4, 5)], "shape")


def _bushing(canvas: Canvas, spot: Spot) -> None:
    _reducer(canvas, spot)
    canvas.polygon([spot.at(-8, -5), spot.at(8, -5), spot.at(6, 0), spot.at(-6, 0)], "solid")


def _adapter(canvas: Canvas, spot: Spot) -> None:
    _box(5, 5)(canvas, spot)
    canvas.polygon([spot.at(-5, 0), spot.at(5, 0), spot.at(5, 5), spot.at(-5, 5)], "solid")


def _bars(*places: float) -> Callable[[Canvas, Spot], None]:
    def draw(canvas: Canvas, spot: Spot) -> None:
        for along in places:
            canvas.line([spot.at(-8, along), spot.at(8, along)], "pipe", MARKS)

    return draw


def _bulkhead(canvas: Canvas, spot: Spot) -> None:
    _box(5, 6)(canvas, spot)
    canvas.polygon([spot.at(-9, -2), spot.at(9, -2), spot.at(9, 2), spot.at(-9, 2)], "solid")


def _cap(canvas: Canvas, spot: Spot) -> None:
    canvas.polygon([spot.at(-7, -2), spot.at(7, -2), spot.at(7, 3), spot.at(-7, 3)], "solid")


def _bow_tie(canvas: Canvas, spot: Spot) -> None:
    canvas.polygon([spot.at(-7, -8), spot.at(7, -8), spot.at(-7, 8), spot.at(7, 8)], "shape")


def _ball_valve(canvas: Canvas, spot: Spot) -> None:
    _bow_tie(canvas, spot)
    canvas.circle(spot.x, spot.y, 3.5, "shape")


def _union_valve(canvas: Canvas, spot: Spot) -> None:
    canvas.polygon([spot.at(-7, -5), spot.at(7, -5), spot.at(-7, 5), spot.at(7, 5)], "shape")
    canvas.circle(spot.x, spot.y, 3.0, "shape")
    _bars(-7.5, 7.5)(canvas, spot)


def _globe_valve(canvas: Canvas, spot: Spot) -> None:
    _bow_tie(canvas, spot)
    canvas.circle(spot.x, spot.y, 3.5, "solid")


def _topped(top: Callable[[Canvas, Spot], None]) -> Callable[[Canvas, Spot], None]:
    """A valve that something beside it moves: a stem to the left, with what stands on it."""

    def draw(canvas: Canvas, spot: Spot) -> None:
        canvas.polygon([spot.at(-4, -8), spot.at(7, -8), spot.at(-4, 8), spot.at(7, 8)], "shape")
        canvas.line([spot.at(1, 0), spot.at(-6, 0)], "axis", MARKS)
        top(canvas, spot)

    return draw


def _dome(canvas: Canvas, spot: Spot) -> None:
    canvas.polygon([spot.at(-5, -5), spot.at(-9, -3), spot.at(-9, 3), spot.at(-5, 5)], "shape")


def _coil(canvas: Canvas, spot: Spot) -> None:
    canvas.polygon([spot.at(-10, -4), spot.at(-5, -4), spot.at(-5, 4), spot.at(-10, 4)], "solid")


def _float(canvas: Canvas, spot: Spot) -> None:
    canvas.circle(*spot.at(-7, 0), 3, "shape")


def _spring(canvas: Canvas, spot: Spot) -> None:
    canvas.line([spot.at(-4, -5), spot.at(-9, -2), spot.at(-5, 1), spot.at(-9, 4)], "axis", MARKS)


def _angle_valve(canvas: Canvas, spot: Spot) -> None:
    canvas.polygon([spot.at(-7, -8), spot.at(7, -8), spot.at(0, 0)], "shape")
    canvas.polygon([spot.at(8, -6), spot.at(8, 6), spot.at(0, 0)], "shape")


def _needle_valve(canvas: Canvas, spot: Spot) -> None:
    _bow_tie(canvas, spot)
    canvas.polygon([spot.at(-9, -2), spot.at(-9, 2), spot.at(0, 0)], "solid")


def _check_aslant(canvas: Canvas, spot: Spot) -> None:
    canvas.polygon([spot.at(-7, -6), spot.at(7, -6), spot.at(0, 6)], "shape")
    canvas.line([spot.at(-8, 4), spot.at(8, 7.5)], "pipe", MARKS)


def _two_checks(canvas: Canvas, spot: Spot) -> None:
    for along in (-4, 4):
        canvas.polygon([spot.at(-6, along - 3), spot.at(6, along - 3), spot.at(0, along + 3)], "shape")
        canvas.line([spot.at(-7, along + 3.5), spot.at(7, along + 3.5)], "pipe", MARKS)


def _sieve(canvas: Canvas, spot: Spot) -> None:
    for across in (-6, -2, 2, 6):
        canvas.line([spot.at(across, -5), spot.at(across, 5)], "axis", MARKS)


def _filter(canvas: Canvas, spot: Spot) -> None:
    _box(8, 7)(canvas, spot)
    _sieve(canvas, spot)


def _quick(canvas: Canvas, spot: Spot) -> None:
    canvas.polygon([spot.at(-6, -7), spot.at(6, -7), spot.at(0, -1)], "shape")
    canvas.polygon([spot.at(-6, 7), spot.at(6, 7), spot.at(0, 1)], "shape")


def _dial(canvas: Canvas, spot: Spot) -> None:
    canvas.circle(spot.x, spot.y, 7.5, "shape")
    canvas.line([spot.at(0, 0), spot.at(4, -4)], "axis", MARKS)


def _check(spring: bool) -> Callable[[Canvas, Spot], None]:
    """Water passes towards the tip; the bar is what it cannot pass the other way."""

    def draw(canvas: Canvas, spot: Spot) -> None:
        canvas.polygon([spot.at(-7, -6), spot.at(7, -6), spot.at(0, 6)], "shape")
        canvas.line([spot.at(-8, 6.5), spot.at(8, 6.5)], "pipe", MARKS)
        if spring:
            canvas.circle(spot.x, spot.at(0, -2)[1], 2.2, "solid")

    return draw


def _pump(canvas: Canvas, spot: Spot) -> None:
    canvas.circle(spot.x, spot.y, 10, "shape")
    canvas.polygon([spot.at(-7.5, -5.5), spot.at(7.5, -5.5), spot.at(0, 9.5)], "solid")


def _device(canvas: Canvas, spot: Spot) -> None:
    _box(10, 12)(canvas, spot)
    canvas.line([spot.at(-10, 12), spot.at(10, -12)], "axis", MARKS)


def _open_joint(canvas: Canvas, spot: Spot) -> None:
    _blank(canvas, spot, 6)
    canvas.circle(*spot.at(0, -5), 2.5, "shape")
    canvas.circle(*spot.at(0, 5), 2.5, "shape")


def _tee(canvas: Canvas, spot: Spot) -> None:
    canvas.circle(spot.x, spot.y, 5, "solid")


def _tee_aslant(canvas: Canvas, spot: Spot) -> None:
    _tee(canvas, spot)
    canvas.line([(spot.x - 3, spot.y + 3), (spot.x + 3, spot.y - 3)], "gap", MARKS)


def _saddle(canvas: Canvas, spot: Spot) -> None:
    canvas.circle(spot.x, spot.y, 5, "shape")
    canvas.circle(spot.x, spot.y, 2.5, "solid")


def _plug(canvas: Canvas, spot: Spot) -> None:
    canvas.polygon([spot.at(-6, -3), spot.at(6, -3), spot.at(3, 4), spot.at(-3, 4)], "solid")


def _banded(canvas: Canvas, spot: Spot) -> None:
    _box(6, 6)(canvas, spot)
    _bars(-3.5, 3.5)(canvas, spot)


def _grommet(canvas: Canvas, spot: Spot) -> None:
    canvas.polygon([spot.at(-9, -2), spot.at(9, -2), spot.at(9, 2), spot.at(-9, 2)], "solid")
    canvas.circle(spot.x, spot.y, 4.5, "shape")


def _union_check(canvas: Canvas, spot: Spot) -> None:
    canvas.polygon([spot.at(-6, -5), spot.at(6, -5), spot.at(0, 4)], "shape")
    canvas.line([spot.at(-6, 4.5), spot.at(6, 4.5)], "pipe", MARKS)
    _bars(-7.5, 7.5)(canvas, spot)


def _screen(canvas: Canvas, spot: Spot) -> None:
    _box(8, 6)(canvas, spot)
    for along in (-3, 0, 3):
        canvas.line([spot.at(-8, along), spot.at(8, along)], "axis", MARKS)


def _jet(canvas: Canvas, spot: Spot) -> None:
    canvas.polygon([spot.at(-6, -7), spot.at(6, -7), spot.at(2, 3), spot.at(-2, 3)], "shape")
    canvas.line([spot.at(0, 4), spot.at(0, 8)], "axis", MARKS)


def _flare(canvas: Canvas, spot: Spot) -> None:
    canvas.polygon([spot.at(-3, -7), spot.at(3, -7), spot.at(9, 6), spot.at(-9, 6)], "shape")


def _turning(canvas: Canvas, spot: Spot) -> None:
    canvas.circle(spot.x, spot.y, 6.5, "shape")
    canvas.line([spot.at(-4, 0), spot.at(4, 0), spot.at(1, 3)], "axis", MARKS)


def _beads(canvas: Canvas, spot: Spot) -> None:
    for along in (-5.5, 0, 5.5):
        canvas.circle(*spot.at(0, along), 2.7, "shape")


def _jet_in_ring(canvas: Canvas, spot: Spot) -> None:
    _jet(canvas, spot)
    for across in (-9, 9):
        canvas.line([spot.at(across, -2), spot.at(across * 0.55, 7)], "axis", MARKS)


def _spray(canvas: Canvas, spot: Spot) -> None:
    _box(3, 7.5)(canvas, spot)
    for along in (-5, 0, 5):
        canvas.line([spot.at(3, along), spot.at(9, along)], "axis", MARKS)


def _hook(canvas: Canvas, spot: Spot) -> None:
    _blank(canvas, spot, 6)
    canvas.line([spot.at(-6, -7), spot.at(-6, 5), spot.at(6, 5), spot.at(6, -7)], spot.line)


def _blank(canvas: Canvas, spot: Spot, along: float) -> None:
    """Wipe the line where the symbol is drawn instead of it."""
    canvas.line([spot.at(0, -along), spot.at(0, along)], "gap")


DRAWN: dict[str, Callable[[Canvas, Spot], None]] = {
    "pipe": _pipe,
    "hose": _hose,
    "square bend": _bend(sharp=True),
    "round bend": _bend(sharp=False),
    "slight bend": _bend_45,
    "branching": _tee,
    "branching aslant": _tee_aslant,
    "branching on a ring": _saddle,
    "plug": _plug,
    "box with bands": _banded,
    "ring in a wall": _grommet,
    "check between bars": _union_check,
    "screen": _screen,
    "jet": _jet,
    "flare": _flare,
    "turning outlet": _turning,
    "beads": _beads,
    "jet in a ring": _jet_in_ring,
    "bar with holes": _spray,
    "hook": _hook,
    "box": _box(6, 5),
    "reducer": _reducer,
    "bushing": _bushing,
    "two bars": _bars(-2.5, 2.5),
    "wall": _bulkhead,
    "cap": _cap,
    "ball valve": _ball_valve,
    "valve between bars": _union_valve,
    "two triangles": _bow_tie,
    "globe valve": _globe_valve,
    "check": _check(spring=False),
    "check with spring": _check(spring=True),
    "valve with dome": _topped(_dome),
    "valve with coil": _topped(_coil),
    "valve with float": _topped(_float),
    "valve with spring": _topped(_spring),
    "angle valve": _angle_valve,
    "needle valve": _needle_valve,
    "check aslant": _check_aslant,
    "two checks": _two_checks,
    "sieve in a box": _filter,
    "sieve": _sieve,
    "two arrows": _quick,
    "dial": _dial,
    "half box": _adapter,
    "narrow box": _box(3.5, 7),
    "pump": _pump,
    "device": _device,
    "gap": _open_joint,
}
