"""What the network solution and the checks of a plan say: failures, warnings, limits, what a file does not state."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from optimizer.model.note import Note

_SHOWN = {"flow": "m3_s", "volume": "m3", "height": "m", "pressure": "pa"}

FLOWS: Mapping[str, str] = {
    "past the maker's curve": (
        "pump {pump!r} runs past the last point of its maker's curve in run {run!r}: what flows there goes by how its "
        "owner continued it"
    ),
    "past the curve": (
        "pump {pump!r} would run to or past the last point of its curve in run {run!r}; its flow there is not known: "
        "throttle it or give a longer curve"
    ),
    "lifts too little, runs back": "pump {pump!r} cannot lift that high: water runs back through it in run {run!r}",
    "lifts too little": "pump {pump!r} cannot lift that high: no water flows in run {run!r}",
    "barely lifts": (
        "pump {pump!r} barely lifts the water: with {less_head_share:percent} less head its flow falls by "
        "{share:percent}"
    ),
    "outlet gets nothing": "run {run!r} carries nothing: no water reaches its outlet",
    "check valve is shut": "run {run!r} carries nothing: its check valve is shut",
    "all targets met in": "all targets are met in {share:cases}, valves and pumps left as they are set",
    "dial not stated": (
        "what the speed setting of pump {pump!r} means is not stated (`dial`): it is taken as a share of full rpm; the "
        "ranges also allow for a share of full power and for a minimum speed"
    ),
    "two steady states": (
        "two steady states were found: run {run!r} carries {shown_m3_s:flow} as shown, or {other_m3_s:flow}; which one "
        "it is goes by how the pump was started"
    ),
    "eductor stirs": (
        "the eductor of {run!r} stirs about {times} times as much water of the tank as the {flow_m3_s:flow} that come "
        "through it; that is no return flow and counts for no target"
    ),
    "tank falls short": (
        "{short_m3_s:flow} more leaves {tank!r} than comes into it: its water falls until the pump that draws from it "
        "sucks air"
    ),
    "starved": "run {run!r} runs partly full: it could carry more than its tank gets, and carries that",
    "runs backwards": "water runs backwards in run {run!r}",
    "runs back for a while": (
        "water runs back through run {run!r} until it has fallen to the mouth of the run or to a siphon break"
    ),
    "reading contradicts": (
        "{measured} was measured in {run!r}{stood}; calculated is {calculated}, {off_share:percent} {which}, where the "
        "reading is good to {good_to_share:percent}"
    ),
    "flow that way": "{flow_m3_s:flow}",
    "flow backwards": "{flow_m3_s:flow} backwards",
    "calculated is more": "more",
    "calculated is less": "less",
    "as set": " with {what:list}",
    "dial stood": "{pump} at {share:percent}",
    "valve stood": "the valve of {run} {share:percent} open",
    "measured counts more": "what was measured counts more: `retrofit calibrate` finds what explains it",
}
"""What a network solution says of pumps and runs."""

CHECK: Mapping[str, str] = {
    "no solution": "{error}",
    "no steady flow": "the planned plumbing has no steady flow",
    "misses its target": "run {run!r} misses its target",
    "would pass its curve": "{what} would run past the last point of its curve, or backwards{mode}",
    "too fast": "water would run faster than the velocity limit: {what}{mode}",
    "in that mode": " in mode {mode!r}",
    "of a mode": "in mode {mode!r} {what}",
    "of modes": "in mode {modes!r:and}: {what}",
    "loud as today": "velocity reaches {where:list}, no more than today (limit {limit_m_s:velocity}): expect noise",
    "loud": (
        "velocity reaches {where:list} (limit {limit_m_s:velocity}): expect noise; `retrofit compare` prices a quiet "
        "plan"
    ),
    "velocity in run": "{velocity_m_s:velocity} in {run!r}",
    "valve shut": "the valve of run {run!r} is shut: no flow was asked for there",
    "nothing lets it close": (
        "run {run!r} cannot be put together: the joint between {first} and {last} closes last, and nothing there can "
        "move; a union, flexible hose or a free end lets it close"
    ),
    "at least": "at least ",
    "main drain nearly full": (
        "the main drain of {tank!r} carries {carries_m3_s:flow} by published losses, good to 10 to 30 %, and has to "
        "carry {comes_m3_s:flow}: try it before you rely on it"
    ),
    "no emergency drain": (
        "tank {tank!r} has no emergency drain: when its drain blocks, all that runs into it goes on the floor"
    ),
    "over its teeth": (
        "the water at the overflow of {tank!r} stands {head_m:length} above the bottom of its gaps, which are "
        "{teeth_m:length} deep: it runs over the teeth, and so does what swims or drifts; more gaps or less flow"
    ),
    "tail on the last bend": (
        "run {run!r} gets a tail of pipe on its last bend: leave its mouth no deeper than the old one, or level, for "
        "the tank runs back down to it when the pump stops"
    ),
    "one valve shuts all": (
        "one valve shuts all that the pump in run {run!r} moves: never shut it while the pump runs"
    ),
    "no service valve": (
        "no valve between {tank!r} and the pump in run {run!r}: when the pump is unbolted the tank runs out; a fully "
        "open ball valve there shuts it for service"
    ),
    "house water runs on": (
        "house water runs into {into!r} until someone shuts it: {an_hour_m3:volume} an hour where a valve sticks; "
        "fill while you watch, or behind a float valve with a second one that shuts if the first sticks, and protect "
        "the supply against backflow"
    ),
    "one break, several outlets": (
        "the siphon break of {tank!r} is taken to let air into {runs!r:and}: each needs a hole of its own where they "
        "meet below the water; if one has none, state the others under `siphon breaks`"
    ),
    "one break, several lines": (
        "the siphon break of {tank!r} is not counted on: {runs!r:and} siphon each by itself; state the hole of each "
        "under `siphon breaks`"
    ),
    "opened, past the curve": (
        "with all valves fully open the pump runs past the end of its curve: whether the emergency drain of {tank!r} "
        "carries that is not known; fix the handles at their settings"
    ),
    "opened, too much": (
        "with all valves fully open {least}{flow_m3_s:flow} would run into {tank!r}, more than its emergency drain "
        "carries ({carries_m3_s:flow}): fix the handles at their settings"
    ),
    "opened, much": (
        "with all valves fully open much would run into {tank!r}, more than its emergency drain carries "
        "({carries_m3_s:flow}): fix the handles at their settings"
    ),
    "stop not calculated": "what happens when pump {pump!r} stops could not be calculated: {error}",
    "one pump stops": "when pump {pump!r} stops, {left:and}{back}",
    "still gets": "{tank!r} still gets {still_m3_s:flow} of {before_m3_s:flow}",
    "others go on": "the others go on",
    "and runs back": ", and {back_m3_s:flow} run back through it: give its line a check valve",
    "check valve sticks": (
        "if the check valve of pump {pump!r} sticks open then, {back_m3_s:flow} flows back through it: test both check "
        "valves regularly"
    ),
}
"""What the check of a plan says: why it fails, what the owner should know."""

SAFETY: Mapping[str, str] = {
    **{
        f"over, {quantity}": (
            f"{{what}}: {{least}}{{value_{unit}:{quantity}}}, limit {{limit_{unit}:{quantity}}}: {{why}}"
        )
        for quantity, unit in _SHOWN.items()
    },
    "over, count": "{what}: {why}",
    "left as it is": "{what} (it is so today; only `accept: {check}` under `rules` lets a plan leave it so)",
    "not checked": "{what}: not checked; state {state}",
    "check of a mode": "{what}, in mode {mode!r}",
    # what is compared with its limit
    "inflow, drain": "flow into {tank!r} (limit: {which} drain)",
    "inflow, gravity lines": "flow into {tank!r} (limit: its gravity lines)",
    "outflow, inflow": "flow out of {tank!r} (limit: what comes in)",
    "freeboard": "water depth at the overflow of {tank!r} (limit: freeboard)",
    "drain-back": "power-off drain-back (limit: room in the sump)",
    "comes down": "flow into {tank!r} when pumps stop (limit: what it takes)",
    "drain-back into": "power-off drain-back (limit: room in {tank!r})",
    "drain-back, break clogged": "power-off drain-back (limit: room in the sump), siphon break clogged",
    "draw-down": "sump draw-down at start-up (limit: usable water)",
    "draw-down of": "draw-down of {tank!r} at start-up (limit: usable water)",
    "pressure": "shut-off pressure (limit: rating of the weakest part)",
    "pressure, unrated": "shut-off pressure (parts without a rating)",
    "dead-headed": "dead-headed pumps (they overheat)",
    "highest velocity": "highest velocity in any run",
    # what happens beyond it
    "rises to the emergency drain": "the water then rises to the emergency drain, or over the rim",
    "runs over when blocked": "with the main drain blocked the tank runs over",
    "runs over when lines are blocked": "with its gravity lines blocked the tank runs over",
    "runs over": "the tank runs over",
    "runs over its rim": "the tank runs over its rim before its edge takes it",
    "sump runs over": "the sump runs over when the power fails; a check valve is not counted on",
    "sucks air at every start": (
        "the pump sucks air at every start; top up the sump only as far as it holds the drain-back"
    ),
    "may burst": "{part} in {where} may burst; ratings are those of cool water, warm plastic bears less",
    "heats until it fails": "such a pump heats the water in it until it fails",
    # what to state
    "these": "{what:list}",
    "such a drain": "a drain of this kind under 'drains'",
    "drop and lip of its drains": "'drop' and 'head over lip' of its drains",
    "drop and lip of the emergency drain": "'drop' and 'head over lip' of its emergency drain",
    "drop and lip of drains of": "'drop' and 'head over lip' of the drains of {tank!r}",
    "drain of": "a drain of {tank!r}",
    "edge and rim": "'overflow edge' and 'rim above edge' of the tank",
    "key of tank": "'{key}' of tank {tank!r}",
    "key of the sump": "'{key}' of the sump",
    "start volume": "'start volume' of the tanks that the pump feeds",
    "top-up volume": "'top-up volume' of the sump (0 where there is none)",
    "lip below rim": "'lip below rim' of {drain!r}",
    "depth of a mouth": "depth of the mouth of {run!r} ('mouths' of tank {tank!r})",
    "device volume": "'volume' of {devices:list} (0 where nothing runs off)",
    "more points": (
        "more points of the curve of pump {pumps!r:and}: it runs to the last one or past it, and its flow is not known"
    ),
    "rating of parts": "a pressure rating of {parts:list}{more}",
    "and more": ", ...",
}
"""What the safety checks compare, what happens beyond a limit, and what a file would have to state."""

CARD: Mapping[str, str] = {
    "to the end of its curve": "pump {pumps!r:and} runs to the end of its curve or past it: its flow is not known",
    "drains back": (
        "the pump cannot lift water into {tank!r}: the tank drains back through {runs:list}, down to the return opening"
    ),
    "too little to run full": "too little water to run full: leave it as it is, it gurgles",
    "handle": "{text}",
    "nothing flows forward": "no water flows forward here, so a meter shows nothing",
    "clog unseen": (
        "a clog of {clog_share:percent} of the cross-section hardly changes the flow, because most of the head is lost "
        "elsewhere: no low limit can show it"
    ),
    "clog unseen above the minimum": (
        "a clog of {clog_share:percent} of the cross-section hardly changes the flow, because most of the head is lost "
        "elsewhere: the low limit is the minimum flow"
    ),
    "no break to simulate": "a break could not be simulated: there is no joint behind the pump",
    "no break is seen": (
        "the meter cannot see a break anywhere in the run, so it has no high limit; look for water instead"
    ),
    "break after": "after {part}",
    "break at the end": "behind the last part",
    "moves no water": "the pump moves no water",
    "runs back out": "water runs back out of {tank!r}",
    "gets too much": "{tank!r} gets more than its drains or its rim take",
    "sump too small": "the sump does not hold the drain-back when the pump stops",
    "plumbing without steady flow": "the plumbing has no steady flow",
}
"""What stands on the settings card: meters, drains, how far a pump may be set."""

SAYS: Mapping[str, str | Callable[[Note, str], str]] = {**FLOWS, **CHECK, **SAFETY, **CARD}
