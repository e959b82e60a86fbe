"""What may go wrong: what happens, and where the water goes."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from optimizer.model.note import Note

SAYS: Mapping[str, str | Callable[[Note, str], str]] = {
    # if ...
    "power fails": "the power fails",
    "power fails, check valve sticks": "the power fails and the check valve sticks open",
    "power fails, break clogged": "the power fails and the siphon break is clogged",
    "power fails, sump siphoned out": "the power fails and {tank!r} goes on emptying through its pump",
    "power comes back": "the power comes back",
    "overflow half blocked": "half of the overflow of {tank!r} is blocked",
    "gravity lines blocked": "the gravity lines of {tank!r} are blocked, pump at its highest safe setting",
    "main drain blocked": "the main drain of {tank!r} is blocked, pump at its highest safe setting",
    "lip near the rim": "the lip of {drain!r} stands too near to the rim of {tank!r}",
    "joint apart at the pump": "a joint comes apart at the pump in {run!r}",
    "joint apart on the suction": "a joint comes apart on the suction of {run!r}",
    "joint apart at the device": "a joint comes apart at the device in {run!r}",
    "sump leaks": "the sump leaks and the top-up goes on",
    "house water sticks open": "the valve of the house water into {into!r} sticks open for an hour",
    "one of the valves shut": "a valve in {runs!r:or} is shut",
    "nowhere else": "",
    "a valve shut": "a valve in {run!r} is shut",
    # ... the water goes
    "back into the sump": "back into the sump",
    "over the sump": "over the rim of the sump",
    "sump holds it": "back into the sump, which holds it",
    "out at": "out at {point!r}, which lies lower, down to the intake of the pump",
    "out of the sump": "out of the sump until the drains run",
    "sucks air": "the pump sucks air",
    "over the rim if it rises": "over the rim, if it rises so far",
    "stands higher": "stands higher in {tank!r}, below its rim",
    "emergency drain alone": "the emergency drain alone",
    "down the emergency drain": "down the emergency drain alone",
    "over the rim first": "over the rim before it takes all",
    "over the rim": "over the rim of {tank!r}",
    "fills below its rim": "fills {tank!r} to below its rim until the pump sucks air",
    "on the floor beside the sump": "on the floor where that is not over the sump",
    "on the floor": "on the floor",
    "on the floor with the sump": "on the floor, beside what the sump held",
    "over the rim until shut": "over the rim of {tank!r}, until someone shuts it",
    "holds it": "into {tank!r}, which holds it",
    "not calculated": "could not be calculated: {error}",
    "all of these": "{what:then}",
    "more into": "more into {tank!r}",
    "down the emergency drain as well": "down the emergency drain of {tank!r} as well",
    "pump runs dry": "the pump in {run!r} gets no water and runs dry",
    "pump stands still": ("the pump in {run!r} stands against {head_m:head} and heats what is in it until it fails"),
    "tank runs dry": "{tank!r} runs dry and the pump there sucks air",
    "carries more": "{run!r} goes from {before_m3_s:flow} to {then_m3_s:flow}",
}
