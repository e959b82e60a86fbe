"""What the studies say: ways out where there is no plan, kinds of plan, the frontier of cost against reach."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from optimizer.model.note import Note

WAYS_OUT: Mapping[str, str] = {
    "ways not looked for": "what would make it possible was not looked for: it was stopped",
    "ask for the most flow": "what is the most flow for the budget: `retrofit plan FILE --most-flow`",
    "others as they are": ", maximum flows and splits as they are",
    "no smaller share found": "nor was one found in the time for any smaller share of the minimum flows{kept}",
    "not even that share": (
        "not even {share:percent} of the minimum flows is within reach{kept}: these cannot be kept"
    ),
    "none reaches": "that none reaches {share:percent} is proven",
    "none considered reaches": "that none of those considered reaches {share:percent} is proven",
    "more is open": "whether one reaches more is open",
    "best found reaches": ("the best plan that was found reaches {share:percent} of the minimum flows{kept}; {proof}"),
    "with that plan": "with that plan{mode} {what:list}",
    "pump gives at": "pump {pump!r} gives {head_m:head} at {flow_m3_s:flow}",
    "takes the most": "run {run!r} takes the most of it, {lost_m:head}",
    "would make it possible": "what would make it possible: {change}; the parts would then cost {cost}{less}",
    "or less": ", or less",
    "no single one": "no single one of these makes it possible{considered}: {changes:then}",
    "among those considered": ", among the plans considered",
    "not settled": "whether one of these makes it possible was not settled, {why}: {changes:then}",
    "each too little time": "each had too little time",
    "relaxed": "{text}",
    "beyond the lists": "{change}: {items:list}",
    "one more cut": "1 more saw cut (`saw cuts: at most {cuts}`)",
    "more cuts": "{more} more saw cuts (`saw cuts: at most {cuts}`)",
    "kept parts may change": "changing the parts that are to stay in run {run!r}",
    "no maximum": "no maximum for {run!r}",
    "no target": "no target for {run!r}",
    "faster": "pump {pump!r} at {speed_share:percent} (`speeds`)",
    "faster in the mode": "pump {pump!r} at {speed_share:percent} in the mode {mode!r}",
    "without the mode": "without the mode {mode!r}",
}
"""How far one gets where there is no plan, and which single change frees one."""

KINDS: Mapping[str, str] = {
    "the cheapest": "the cheapest",
    "works often": "works in 8 of 10 cases",
    "no faster": "no more than {limit_m_s:velocity} in what carries more",
    "the sensible one": "the sensible one",
    "fewest cuts": "the fewest saw cuts",
    "fewest cuts found": "the fewest saw cuts that were found",
    "same size": "no other pipe size",
    "same pipe": "only the pump set or changed",
    "as it is": "nothing at all",
}
"""The kinds of plan that are compared."""

FRONTIER: Mapping[str, str] = {
    "not all looked at": (
        "The time limit came before all plans were looked at: there may be others between these, and beyond them."
    ),
    "pumps not counted": "What the pumps draw is not counted here.",
    "none for even that": "No plan was found for even {share:percent} of the minimum flows: {why:then}.",
    "promise not counted": (
        "Each plan is judged by the targets themselves: `margin` and `certainty` of the rules are not asked of it "
        "here, as they are in `retrofit plan`."
    ),
    "none meets every target": "No plan here meets every target: {why:then}.",
    "more not settled": "Whether some plan reaches more than the last one here was not settled.",
    "none beyond proven": "That no plan{considered} reaches {share:percent} is proven.",
    "of those considered": " of those considered",
    "cheapest found": "Each plan is the cheapest that was found for what it reaches; what is open is marked.",
    "cheapest proven": "Each plan is proven the cheapest{considered} for what it reaches.",
    "least use proven": (
        "Each plan is proven the least{considered} for what it reaches, by what it uses: another list of whole lengths "
        "and packs may cost less."
    ),
    "not considered": "Not considered: {what:then}.",
    "less money not settled": "Whether less money gives a part of the target flows was not settled.",
    "more between": "There may be more plans with a reach between {reaches:then}: that was not settled{why}.",
    "reach between": "{low_share:number} and {high_share:percent}",
    "and why": ", {why}",
    "look longer": "`retrofit frontier {file} --time-limit {time_s:g}` looks longer.",
}
"""What is said of the plans of the frontier as a whole."""

SAYS: Mapping[str, str | Callable[[Note, str], str]] = {**WAYS_OUT, **KINDS, **FRONTIER}
