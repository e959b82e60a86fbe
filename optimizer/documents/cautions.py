"""What every printed plan says about safety, and what its numbers rest on: one place for all documents.

The cautions are the usual ones of the trade (common practice, no source). Local codes and licensed people go first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimizer.units import show_velocity

if TYPE_CHECKING:
    from optimizer.model.outcome import PlanReport


@dataclass(frozen=True, slots=True)
class Remark:
    """A heading of one or two words, and what it says."""

    title: str
    text: str


CODES = "Local codes, and licensed electricians and plumbers, have the last word."
CAUTIONS = (
    Remark(
        "Water and electricity",
        "Switch off and unplug pumps, heaters, UV and lights before you put a hand in the water or open a pipe. Plug "
        "everything into outlets protected by a GFCI (RCD), with a drip loop in every cord.",
    ),
    Remark(
        "Before you cut",
        "Stop the pump, isolate and drain the line, and have towels and a bucket ready. Keep the livestock in moving, "
        "oxygenated water and at temperature while the return is off.",
    ),
    Remark(
        "Dry-fit first",
        "Put everything together without cement, mark the turns, and check that each valve handle and union nut can be "
        "reached. A cemented joint cannot be turned or undone.",
    ),
    Remark(
        "Primer and cement",
        "Solvent primer and cement give off flammable, harmful vapor: ventilate, no flames or sparks, wear gloves, "
        "and keep both out of the aquarium water. Let joints cure for the time on the can, longer when cold or damp, "
        "before pressure and before water reaches livestock.",
    ),
    Remark(
        "Threads",
        "NPT and BSP threads never go together, even where they start by hand. Plastic threads: tape on taper threads, "
        "a washer on parallel ones, hand tight plus one to two turns. Never turn a metal taper male into a plastic "
        "female.",
    ),
    Remark(
        "Metal",
        "No copper, brass, bronze, zinc or plain steel in contact with the water of a reef.",
    ),
    Remark(
        "Flood test",
        "After the work run the new flow while you watch: the drains must carry all of it, and the emergency drain "
        "must be able to carry it alone. Then cut the power and see that the sump holds all that drains back. A check "
        "valve can jam and is no flood protection.",
    ),
    Remark(
        "Pump suction",
        "Throttle only on the outlet side of a pump, never on its suction.",
    ),
    Remark(
        "House water",
        "A line that is fed from house water needs backflow protection, and pressure pipe and fittings rated for it.",
    ),
    Remark(
        "Last word",
        "Local codes, and licensed electricians and plumbers, have the last word over anything printed here.",
    ),
)


def assumptions(report: PlanReport) -> tuple[Remark, ...]:
    """Return what the numbers of a report rest on, in the order in which a reader would ask."""
    return (
        _accuracy(),
        *_prices(report),
        _water(report),
        Remark(
            "Heights", "Heights are measured from the running water line in the sump, as the system file gives them."
        ),
        Remark(
            "Pipe",
            "Pipe is counted with the average bore of its kind, which is a little narrower than the bore most tables "
            "print. Piece lengths come from the system file and hold what goes into sockets and saw cuts: measure "
            "again and dry-fit before you cut.",
        ),
        _speed_limit(report),
        Remark(
            "Valves",
            "Valve settings are where the handles should stand to give each line its flow. They are a start: trim them "
            "against a measured flow, then mark the handle.",
        ),
    )


def _accuracy() -> Remark:
    text = (
        "Until they have been compared with a measured flow, the flows printed here are good to about ±10 %: published "
        "losses of fittings differ that much. A bucket and a stopwatch settle it."
    )
    return Remark("How good the flows are", text)


def _prices(report: PlanReport) -> tuple[Remark, ...]:
    dates = sorted({line.price_date for line in report.bill.lines if line.price_date})
    if not dates:
        return ()
    dated = dates[0] if len(dates) == 1 else f"{dates[0]} to {dates[-1]}"
    text = (
        f"Prices are in {report.bill.currency}, as of {dated}, without tax or freight. Those of the catalog that comes "
        "with this program are illustrative: the empty price column is for what your store asks."
    )
    return (Remark("Prices", text),)


def _water(report: PlanReport) -> Remark:
    water = report.system.network.water
    return Remark(
        "Water", f"Water of {water.salinity_g_kg:g} g salt per kg at {water.temperature_c:.3g} °C, no air in it."
    )


def _speed_limit(report: PlanReport) -> Remark:
    rules, units = report.system.rules, report.system.units
    told = []
    if math.isfinite(rules.new_pipe_limit_m_s):
        limit = show_velocity(rules.new_pipe_limit_m_s, units)
        told.append(f"New pressurized pipe is chosen so that its velocity stays below {limit}.")
    if math.isfinite(rules.velocity_limit_m_s):
        limit = show_velocity(rules.velocity_limit_m_s, units)
        told.append(f"Whatever carries more than before, new or kept, stays below {limit}.")
    return Remark("Velocity", " ".join(told) or "No limit of velocity was asked for.")
