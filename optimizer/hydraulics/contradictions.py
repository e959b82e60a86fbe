"""Readings beside what the calculation gives under the same settings → which of them speak against it, and how much."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimizer.hydraulics.compiled import Variation, compile_network
from optimizer.hydraulics.network import solve_compiled
from optimizer.hydraulics.readings import with_valves
from optimizer.model.dial import RPM
from optimizer.model.note import Note, note

if TYPE_CHECKING:
    from optimizer.model.calibration import Measurement
    from optimizer.model.network import Network


@dataclass(frozen=True)
class Compared:
    """A reading and the flow that is calculated for it [m³/s].

    `contradicts` says whether they lie further apart than the reading is good to. A calculated flow that is known from
    below alone contradicts only what lies below it; one that is not known contradicts nothing.
    """

    reading: Measurement
    calculated_m3_s: float
    contradicts: bool

    @property
    def off(self) -> float:
        """Return by which share of the reading the calculated flow is higher, negative where it is lower."""
        return (self.calculated_m3_s - self.reading.flow_m3_s) / abs(self.reading.flow_m3_s or float("nan"))


def compared(network: Network, measured: Sequence[Measurement]) -> tuple[Compared, ...]:
    """Return every reading with what the plumbing, with its factors, gives under the same settings.

    Raises
    ------
    NetworkError
        When the plumbing can not be solved as it was set for a reading.
    """
    return tuple(_compared(network, one) for one in measured)


def contradicting(readings: Sequence[Compared]) -> tuple[Note, ...]:
    """Return which readings speak against what is calculated, by how much, and that they count more."""
    told = [
        note(
            "reading contradicts",
            run=one.reading.run,
            measured=_flow(one.reading.flow_m3_s),
            calculated=_flow(one.calculated_m3_s),
            off_share=abs(one.off),
            which=note("calculated is more" if one.off > 0.0 else "calculated is less"),
            good_to_share=one.reading.accuracy,
            stood=_stood(one.reading),
        )
        for one in readings
        if one.contradicts
    ]
    return (*told, note("measured counts more")) if told else ()


def _flow(flow_m3_s: float) -> Note:
    return note("flow that way" if flow_m3_s >= 0.0 else "flow backwards", flow_m3_s=abs(flow_m3_s))


def _stood(reading: Measurement) -> Note | None:
    """Return how dials and valves stood, where the reading says so."""
    dials = [note("dial stood", pump=name, share=share) for name, share in reading.settings.items()]
    valves = [note("valve stood", run=name, share=share) for name, share in reading.openings.items()]
    return note("as set", what=(*dials, *valves)) if dials or valves else None


def _compared(network: Network, one: Measurement) -> Compared:
    speeds = {
        name: (network.pumps[name].dial or RPM).speed(setting)
        for name, setting in one.settings.items()
        if name in network.pumps
    }
    solution = solve_compiled(compile_network(with_valves(network, one.openings)), Variation(speeds=speeds))
    flow_m3_s = solution.flows_m3_s[one.run]
    over = flow_m3_s - one.flow_m3_s
    apart = abs(over) > one.accuracy * abs(one.flow_m3_s)
    known, least = solution.doubt.known(one.run), one.run in solution.doubt.at_least
    return Compared(one, flow_m3_s, apart and (known or (least and over > 0.0)))
