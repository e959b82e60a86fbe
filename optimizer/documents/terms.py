"""The words of the output: one meaning each, with the key of a system file where a file says it otherwise."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.model.rules import RULES


@dataclass(frozen=True, slots=True)
class Term:
    """A word as it is printed, what it means, and the key of a system file that it goes by there."""

    word: str
    meaning: str
    key: str = ""


_TERMS = (
    Term("run", "a line without a branch, part by part from one point to the next", "runs"),
    Term("target", "the flow that a run should get: at least, at most, or between two", "targets"),
    Term("mode", "a way in which the plumbing is run, such as day and night", "modes or settings"),
    Term("setting", "how a valve or a pump is set, never a mode"),
    Term("speed setting", "what the pump's own control shows, in percent", "dial"),
    Term("minimum speed", "the share of full rpm at which that control begins", "dial: floor 30 %"),
    Term("keep between", "speed settings at which no tank runs over and no line backwards; all pumps at once"),
    Term("water level", "a free water surface: a tank, the sump", "surfaces"),
    Term("not connected yet", "a place where the plan has to find what connects two ends", "open joint"),
    Term("head, head loss", "pressure as height of the flowing water; what friction and fittings take of it"),
    Term("80 % range", "where the true flow lies in 8 of 10 cases"),
    Term("highest velocity", "of the water in the narrowest place of a run"),
    Term("percent of target", "how far all minimum flows can be met at once; above 100 % is margin"),
    Term(
        "works in",
        "the share of cases in which every target is met, all that is unsure drawn by chance",
    ),
    Term("proven", "by the solver, for these parts, prices and rules: nothing costs less"),
    Term("of those considered", "not every choice was looked at; what was not is named beside it"),
    Term("saw cut", "a cut in pipe that stands; cutting new pipe to length is not counted"),
    Term("length", "a straight pipe as the store sells it, such as a 10 ft length"),
    Term("mark", "the number on a new piece of pipe, in the cut list and in the sketch"),
    Term("face to face", "what shows of a piece of pipe between two fittings"),
    Term("store total", "what the parts list comes to: whole lengths, whole packs"),
    Term("removed parts", "what comes out; “take-out” is a fitting's laying length and nothing else"),
    Term("comes apart", "by hand, without a saw: union, thread, hose, compression joint"),
    Term("main drain", "the drain that carries the flow day by day", "mode: full siphon or open"),
    Term("emergency drain", "dry until the main drain fails; it has to carry everything alone", "mode: emergency"),
    Term("weir length", "of the edge that water runs over into the overflow", "weir length or overflow edge"),
    Term("freeboard", "height of the tank's rim above that edge", "freeboard or rim above edge"),
    Term("water depth over the standpipe", "how high water may stand over an open drain", "head over lip"),
    Term("fall", "of a drain, from the water above it down to its end", "fall or drop"),
    Term("water held before the siphon starts", "what gathers in the tank until the drains pull", "start volume"),
    Term("usable water", "in the sump above the pump intake", "usable water or pump reserve"),
    Term("power-off drain-back", "the water that runs into the sump when the pumps stop"),
    Term("sump draw-down at start-up", "the water that the pump takes before the drains bring it back"),
    Term("shut-off pressure", "with every valve shut and the pumps at their highest speed"),
    Term("dead-headed pump", "one that runs against a shut line and moves no water: it overheats"),
    Term("clogged if under, disconnected if over", "limits of a meter, as shares of your own first reading"),
    Term("Note", "worth knowing before you build"),
)


def terms() -> tuple[Term, ...]:
    """Return the words of the output, then the rules that a plan keeps to, each under the key of its rule."""
    named = {term.word for term in _TERMS}
    rules = (
        Term(row.key, row.meaning.strip(" .:"), "rules") for row in RULES.values() if row.key in _RULES_TOLD - named
    )
    return (*_TERMS, *rules)


# words that the output uses; the table of rules has all
_RULES_TOLD = {"margin", "certainty", "velocity limit", "velocity limit for new pipe"}


def terms_markdown() -> str:
    """Return them as a Markdown table."""
    rows = (f"| {term.word} | {term.meaning} | {f'`{term.key}`' if term.key else ''} |" for term in terms())
    return "\n".join(("| word | meaning | in a file |", "|---|---|---|", *rows)) + "\n"
