"""What a search may choose and what it leaves out, as one table: for the README, and for whoever doubts a proof."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.choices.long_pipe import LEAST_PIECE_M
from optimizer.choices.offers import SHARES
from optimizer.joints.chains import MOST_PIECES, EndGraph
from optimizer.model.kinds import KINDS, REMOVABLE
from optimizer.model.rules import LARGER_SIZES

ONE_UNION = "one union that serves two changed runs"


@dataclass(frozen=True, slots=True)
class Considered:
    """One thing that a search may choose, and what of it is not considered."""

    what: str
    considered: str
    left_out: str = ""


def considered() -> tuple[Considered, ...]:
    """Return the rows, the numbers in them taken from the rules that the choice graph keeps."""
    swaps = "; ".join(
        f"{kind} by {', '.join(str(other) for other in facts.substitutes if other is not kind)}"
        for kind, facts in KINDS.items()
        if set(facts.substitutes) - {kind}
    )
    parts = len(SHARES) + 1
    return (
        Considered(
            "Parts",
            f"kept; replaced by the same kind in another size; {swaps}",
            "kinds not named here; fittings that are barbed or pushed on to hose or tube",
        ),
        Considered("Tees and crosses", "kept; replaced by one whose openings take the sizes of the runs there"),
        Considered(
            "A valve where none stands",
            "where flows are not known before the parts are: the cheapest ball valve of each size, in the middle of "
            "the longest pipe or hose of a run without a valve",
            "other kinds of valve; another place; a line that leads to a pump; two in one run",
        ),
        Considered("Two parts by one", "union and valve by a true-union valve; two 45s by a sweep elbow"),
        Considered("An elbow by two 45s", "on a stub of pipe, where there is room"),
        Considered("Left out of the line", ", ".join(sorted(map(str, REMOVABLE))), "pipe, bends, valves"),
        Considered("Sizes", f"those of the rules, else up to {LARGER_SIZES} above that of the run"),
        Considered(
            "Pipe",
            "kept or replaced whole; "
            f"one end kept with its joint and new pipe for the rest, cut at each 1/{parts} of its length "
            f"where both pieces are {1000 * LEAST_PIECE_M:g} mm or longer; "
            "what is longer than the store's longest length coupled of whole lengths and a last piece",
            "cuts and couplings elsewhere; a middle piece alone; another way for the line",
        ),
        Considered(
            "Adapters",
            f"rows of up to {EndGraph.max_pieces} pieces at a thread or between two systems "
            f"({MOST_PIECES} where fewer do not do it), of up to 2 in plain pipe; "
            "where a port takes hose or tube alone, a short piece of it first",
            "rows through a smaller size than both ends, where there is another; "
            "unions between two plain ends where the run is not held at both ends and no machine is newly cemented in",
        ),
        Considered(
            "More loss",
            "in a run without a valve, where water has other ways or an upper limit: all ways of a small run, of "
            "others those that lose least and most for their money",
            "ways between these; rows of adapters for their loss alone: a piece that could be left out, or back to a "
            "size that was left",
        ),
        Considered(
            "Where the last joint closes",
            "a union, hose or clamp in each run that is held at both ends; one is bought where none stands",
            ONE_UNION,
        ),
        Considered("Open end in a tank", "what the last part is replaced by; a tail of pipe on the bend there"),
    )


def considered_table() -> str:
    """Return the rows as a table in Markdown."""
    rows = [f"| {row.what} | {row.considered} | {row.left_out or '–'} |" for row in considered()]
    return "\n".join(["| choice | considered | not considered |", "|---|---|---|", *rows])
