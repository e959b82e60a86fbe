"""What a plan costs over one thing that varies, or over two: then a line for each value of the second one."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.documents.drawing.chart import frame

_WIDTH, _HEIGHT = 520.0, 340.0
MOST_LINES = 8  # more lines cannot be told apart


def variants_chart(
    headings: Sequence[str],
    values: Sequence[Sequence[float]],
    costs_cents: Sequence[int | None],
    currency: str,
    title: str,
    *,
    alone: bool = True,
) -> str:
    """Return the chart of costs over one or two columns of numbers; variants without a plan leave a gap.

    Parameters
    ----------
    headings
        One or two: what varies along the chart, and from line to line.
    values
        A column of numbers for each of them.
    costs_cents
        What the plan of each row costs [whole cents]; None where there is none.
    title
        What is varied.
    alone
        As in `Canvas.svg`.
    """
    told = [cents / 100 for cents in costs_cents if cents is not None]
    across = list(values[0])
    span = (min(across), max(across)) if max(across) > min(across) else (across[0] - 1.0, across[0] + 1.0)
    drawn = frame(_WIDTH, _HEIGHT, span, (0.0, max(told, default=1.0) or 1.0), headings[0], f"cost, {currency}")
    second = list(values[1]) if len(values) > 1 else [0.0] * len(across)
    for value in sorted(set(second))[:MOST_LINES]:
        line = sorted((x, cents) for x, cents, other in zip(across, costs_cents, second, strict=True) if other == value)
        begun: list[tuple[float, float]] = []
        last: tuple[float, float] | None = None
        for x, cents in [*line, (0.0, None)]:
            if cents is not None:
                begun.append((x, cents / 100))
                continue
            if len(begun) > 1:
                drawn.line(begun, "after-line")
            last, begun = (begun[-1] if begun else last), []
        for x, cents in line:
            if cents is not None:
                drawn.mark((x, cents / 100), "after-mark")
        if len(values) > 1 and last is not None:
            drawn.note(last, f"{headings[1]}: {value:g}", "aside")
    missing = sum(cents is None for cents in costs_cents)
    words = "A mark for each variant with a plan." + (f" {missing} without one are left out." if missing else "")
    return drawn.canvas.svg(f"{title}: cost over {' and '.join(headings)}", words, "variants", alone=alone)
