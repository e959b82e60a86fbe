"""What a search says of its plan, of what it could not prove, and of why there is no plan."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from optimizer.model.note import Note

ENDED: Mapping[str, str] = {
    "amount": "{cents:money}",
    "time limit": "the time limit came",
    "stopped": "the search was stopped",
    "it was stopped": "it was stopped",
    "one look takes too long": "a look at one combination takes too long",
    "no plan in time": "the time limit came before any plan; allow more time",
    "no plan before that": "{why}; no plan came before that",
    "before any plan": "{why} before any plan; still open is: {pumps:few}",
    "best so far": "{why}: this is the best plan so far",
    "none costs less": "no plan costs less than {cost}",
    "none at all cheaper": "no plan at all costs less than {cost}",
    "second pump left open": "{why}; whether a second pump makes it cheaper is open",
    "second pump costs more": "a second pump was considered too: no plan with one costs less",
    "not ruled out with": "a plan that costs less is not ruled out with: {pumps:few}",
    "with a second pump too": "with a second pump as well: {why}",
    "same with other pumps": "the same holds with each of the {pumps} other choices of pumps from the catalogs",
    "at the same shares": "another pump was taken at the same shares of its full speed as the modes say for your own",
    "electricity not counted": (
        "electricity is not counted: with several modes the file does not say how long each one lasts"
    ),
    "valves not set": (
        "combinations with valves that none of the starts tried could set, and that are not proven impossible: "
        "{combinations}; the bound leaves them open"
    ),
    "valve tried in the longest pipe": (
        "a valve to be cut in was tried in the longest pipe or hose of each run without one"
    ),
    "no positions for every mode": "valve positions that serve every mode were sought and not found",
    # what a proof leaves out
    "ways of more loss": (
        "most of the ways that lose more than the least and less than the most lossy ones, of the runs without a "
        "valve ({runs:list})"
    ),
    "ways of less water": (
        "ways that hold less water than others and are the cheapest at none of the prices tried for it"
    ),
    "plans of less margin": "plans that work often enough though they hold less of a margin",
    "one union for two runs": "{what}",
    "other sets of legs": "other sets of legs than those next to the pump",
}
"""How a search ended, and what its proof leaves out."""

PLAN: Mapping[str, str] = {
    "remove": "remove {old:list}",
    "add": "add {new:list}",
    "replace": "replace {old} by {new}",
    "stands beside": (
        "pump {pump!r} and its line stand where the file has them, its tee in the middle of the pipe that is cut: "
        "dry-fit before you cement; each pump has a check valve of its own"
    ),
    "stands in the line": (
        "pump {pump!r} stands in the middle of the pipe that is cut: see that there is room and a shelf for it, as low "
        "as can be, so that it is full of water before it starts; switch both pumps together, for neither may run "
        "while the other stands"
    ),
    "valve open": "the valve of {run!r} open {opening_share:percent}",
    "no finer valve": "no other way within the price of `finer valves` was found: {valves:and} of its travel",
    "finer valves": "a cheaper plan, parts for {cost}, would leave {valves:and} of its travel (`finer valves`)",
    "so in mode": "these are the reasons in mode {mode!r}: what has no plan in one mode has none at all",
    "margin on top": "the minimum flows are counted with {margin_share:percent} on top (`margin`)",
    "margin kept": "every minimum flow can be exceeded by {margin_share:percent} at once (`margin`)",
    "runs faster": (
        "pump {pump!r} runs at {speed_share:percent} of full speed, the lowest of its settings that has that margin"
    ),
    "works in draws": (
        "works in {works_share:tenths} of the cases drawn, at least {least_share:tenths} at 95 % confidence; "
        "{asked_share:percent} were asked for (`certainty`)"
    ),
    "works in the sample": (
        "works in {works} of the {sample} cases that it was chosen on ({asked_share:percent} asked for) and in "
        "{works_share:tenths} of {judged:,} others, at least {least_share:tenths} at 95 % confidence"
    ),
    "works not quite so often": "it does not quite work in {asked_share:percent} of the others{sure}",
    "one that does": "; one for {cost} does",
    "cheaper in the first cases": "a plan for {cost} works often enough in the first cases, and not in the others",
    "most flow": "the most flow found for {budget} is {share:percent} of the minimum flows{proof}",
    "none gives more": "; that no plan gives {beyond_share:percent} for it is proven",
    "nothing asked of this line": "this line has no target: its flows are not on the card",
}
"""What is done, and what a plan takes for granted or promises."""

NO_PLAN: Mapping[str, str] = {
    "over the budget": "the cheapest parts list that was found comes to {cost}, over the budget of {budget}",
    "all lists over the budget": (
        "no parts list that meets every target comes to less than {least}; the budget is {budget}"
    ),
    "budget not proven": "that no parts list at all keeps within the budget is not proven",
    "none so certain": (
        "no plan was found that works in {asked_share:percent} of all cases (`certainty`){most}; the cheapest one that "
        "meets the targets as published is parts for {cost}"
    ),
    "most certain one": "; the most certain one that was tried, parts for {cost}, works in {works_share:percent}",
    "none works so often": (
        "no plan works in {asked_share:percent} of all cases (`certainty`): none does so in {sample} cases that stand "
        "for all of them; the most certain one that was tried works in {works_share:percent}"
    ),
    "cheaper refused": "a cheaper plan, parts for {cost}, was refused: {why:then}",
    "cheapest refused": "the cheapest plan, parts for {cost}, was refused: {why:then}",
    "pair refused": "a plan with {pumps} was refused: {why:then}",
    "next is refused as well": "the next plan that was found is refused as well",
    "no other is safe": (
        "no other plan of this catalog and these rules is safe: more room in the sump, a larger drain, or a "
        "siphon-break hole nearer to the overflow edge would help"
    ),
    "more asked than drains take": (
        "the targets alone ask for more water into {tank!r} than its drains take: {most_m3_s:flow} of "
        "{asked_m3_s:flow}; no choice of parts mends that, less flow or a larger drain does"
    ),
    "more asked than the emergency drain takes": (
        "the targets alone ask for more water into {tank!r} than its emergency drain takes with the main drain "
        "blocked: {most_m3_s:flow} of {asked_m3_s:flow}; no choice of parts mends that, less flow, a larger emergency "
        "drain or more depth over it (`head over lip`, `lip below rim`) does"
    ),
    "more asked than the rim leaves room for": (
        "the targets alone ask for more water into {tank!r} than can run over its edge below the rim: "
        "{most_m3_s:flow} of {asked_m3_s:flow}; no choice of parts mends that, less flow, a longer overflow edge or a "
        "higher rim does"
    ),
    "more asked than may come down": (
        "whatever is built for the targets, more comes into {tank!r} when pumps stop than it takes: {most_m3_s:flow}; "
        "less flow, a larger drain, a longer overflow edge or a higher rim mends that"
    ),
    "more asked than lines may take": (
        "the targets let more water into {tank!r} than they let its gravity lines take, and it has no other drain that "
        "the file tells of; no choice of parts mends that, less flow or a drain does"
    ),
    "more runs back than the sump takes": (
        "when the pumps stop, tanks and drains alone give the sump {least_m3:volume} at the flows asked for, and it "
        "may take {most_m3:volume}: the sump runs over; no choice of parts mends that, more room in the sump, a "
        "siphon-break hole or an outlet nearer to the overflow edge does"
    ),
    "more gathers than the sump has": (
        "until the drains pull, {gathers_m3:volume} gather above the sump (`start volume`), and it has "
        "{reserve_m3:volume} above the pump intake (`usable water`): the pump sucks air at every start; no choice of "
        "parts mends that, more usable water or an intake lower down does"
    ),
    "no safe plan found": "no safe plan was found: look at the tanks and drains of the file",
    "none passes every check": "no plan that passes every check was found",
    "could burst what stays": "the pump's shut-off pressure could burst what has to stay: {parts:list}",
    "only accepted": "only `accept: {check}` under `rules` lets a plan leave it so",
    "too long there": (
        "run {run!r} does not fit: between {first} and {last} the new parts are {off_m:mm} longer than what stood "
        "there, and both sides are held; flexible hose or `bend pipe to fit` would let it in"
    ),
    "too short there": (
        "run {run!r} does not fit: between {first} and {last} the new parts are {off_m:mm} shorter than what stood "
        "there, and both sides are held; flexible hose or `bend pipe to fit` would let it in"
    ),
    "rule": ", {text}",
    "best with this pump": (
        "the best that this catalog, these rules and this pump reach is {share:percent} of the minimum flows"
    ),
    "best with these parts": "the best that this catalog and these rules reach is {share:percent} of the minimum flows",
    "minimum past the curve": (
        "the minimum flows come to {total_m3_s:flow}, past the last point of the curve of pump {pump!r} at "
        "{speed_share:percent}: only {helps} or less flow helps"
    ),
    "rise above the pump": (
        "pump {pump!r} at {speed_share:percent} gives {gives_m:head} at the sum of the minimum flows, the rise is "
        "{rise_m:head} to {demand!r}: only {helps} or less flow helps"
    ),
    "stronger alone": "a stronger pump",
    "faster or stronger": "a higher speed (`speeds` of the pump, or its mode), a stronger pump",
    "pump gives": "the pump gives {head_m:head} there",
    "pushed from above": "house water or a tank above is all that pushes there",
    "no way to plumb it": (
        "the rules leave no way to plumb it: look at sizes, velocity limit, parts marked to keep{within:joined}"
    ),
    "met but for rules": "every minimum flow can be met, but not with what the rules allow{within:joined}",
    "none keeps to the limits": "no way to plumb it keeps to what the rules allow{within:joined}",
    "lacks head": (
        "with the lowest-loss parts that may be used{within:joined}, the way to {demand!r} still lacks {short_m:head} "
        "of head ({given}); run {worst!r} takes the most, {lost_m:head}"
    ),
    "targets contradict": "the targets contradict each other, or the pump's curve ends before their sum",
    "nothing couples": (
        "a new piece of {length_m:length} of {pipe} cannot be made: it is longer than any length this store sells, and "
        "no coupling of its size is for sale"
    ),
    "nothing joins": (
        "in run {run!r} nothing in the catalogs joins {first} to {second}, {where}: {why}; a device or part with other "
        "ends would, or a piece from a list of your own (`--catalog`)"
    ),
    "no way to plumb run": (
        "the rules and the catalogs leave no way to plumb run {run!r} for its minimum flow: look at sizes, velocity "
        "limits, parts marked to keep"
    ),
    "too little head": "the lowest-loss parts that may be used leave too little head at the minimum flows{mode}{weak}",
    "lift no higher": ": {pumps:then}",
    "lifts at most": (
        "pump {pump!r} lifts {most_m:head} at most, and its water has to rise {lift_m:head}: no pipe or fitting "
        "mends that"
    ),
    "no combination": (
        "no combination of these parts meets all targets at once{within:joined}, with valves cut in where that helps"
    ),
}
"""Why there is no plan, or why a cheaper one was refused."""

SAYS: Mapping[str, str | Callable[[Note, str], str]] = {**ENDED, **PLAN, **NO_PLAN}
