"""A run with a flow meter → between which flows it is in order: below something is clogged, above it has come apart.

Both limits are simulated, not guessed: the clog as a loss of section somewhere in the run, the break at every joint of
the run behind the pump. The meter sits near the start of its run.

Two doubts are kept apart. How far the calculated flow may be off is a band, wide, and matters once: for the first
reading after the work. How far a meter's readings lie from one another is the scatter, small, and matters ever after:
clogged, whole and broken are told apart by what one meter reads of them, each a little off.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from optimizer.errors import NetworkError
from optimizer.hydraulics import solve_network
from optimizer.model.catalog import Kind
from optimizer.model.network import Network, PointKind, Run
from optimizer.model.note import Note, note
from optimizer.verify.trials import CLOG, Trials, trials_of

SCATTER = 0.05  # of a flow: how far readings of one meter lie from it, day by day; common practice, no source
NOTHING_M3_S = 1e-7  # less than this and a meter stands still


@dataclass(frozen=True, slots=True)
class MeterLimits:
    """Flows of one metered run [m³/s].

    `band_m3_s` is where the first reading lies in 8 of 10 cases, `normal_m3_s` where later ones do if the first was
    `flow_m3_s`. `low_m3_s` and `high_m3_s` are None where no limit can tell a clog or a break from normal scatter;
    `notes` then say why. As shares of `flow_m3_s` they hold for any first reading, but for a low limit that is what the
    run has to carry (`need_m3_s`). `breaks` are (place, flow) of each simulated break; those in `unseen` look like
    normal running.
    """

    run: str
    flow_m3_s: float
    band_m3_s: tuple[float, float]
    normal_m3_s: tuple[float, float]
    low_m3_s: float | None
    high_m3_s: float | None
    breaks: tuple[tuple[Note, float], ...]
    unseen: tuple[Note, ...]
    need_m3_s: float = 0.0  # the least that what the run feeds has to get
    filter_line: bool = False  # from house water through a device: below the low limit the filter is due
    notes: tuple[Note, ...] = ()

    @property
    def low_is_need(self) -> bool:
        return self.low_m3_s is not None and self.low_m3_s == self.need_m3_s

    @property
    def need_in_scatter(self) -> bool:
        """Return whether a normal reading may be less than what is needed here."""
        return self.need_m3_s > self.normal_m3_s[0]

    @property
    def first_tells(self) -> bool:
        """Return whether a first reading beyond a limit is more than the calculation may be off."""
        low_ok = self.low_m3_s is None or self.band_m3_s[0] >= self.low_m3_s
        return low_ok and (self.high_m3_s is None or self.band_m3_s[1] <= self.high_m3_s)


def limits_of(
    network: Network,
    run: str,
    *,
    window_low_m3_s: float = 0.0,
    clog: float = CLOG,
    scatter: float = SCATTER,
    band_m3_s: tuple[float, float] | None = None,
    trials: Trials | None = None,
    flows_m3_s: Mapping[str, float] | None = None,
) -> MeterLimits:
    """Return the limits of one run of a plumbing whose pumps and valves are set.

    The low limit lies halfway between the greatest reading that a clog leaves and the least normal one; where the
    window of what the run feeds begins in between, it is that. The high limit lies halfway between the greatest normal
    reading and the least reading of all breaks that can be told from it.

    Parameters
    ----------
    window_low_m3_s
        Least flow that what the run feeds needs; 0 for none.
    clog
        Share of the section that is lost, above 0 and below 1.
    scatter
        Share of the true flow by which readings differ from it.
    band_m3_s
        Where the flow may lie, as the uncertainty of the calculation has it; None: it is known.
    trials, flows_m3_s
        What `trials_of` returns for this run, clog and plumbing, its pumps at whatever speed, and the flows of the
        plumbing, where they are known already.

    Raises
    ------
    NetworkError
        When the plumbing has no solution, or the shares are out of range.
    """
    if not 0.0 < clog < 1.0 or not 0.0 < scatter < 1.0:
        raise NetworkError(f"clog {clog:g} and scatter {scatter:g} must both lie between 0 and 1")
    flows = flows_m3_s or solve_network(network).flows_m3_s
    flow = flows[run]
    band = band_m3_s or (flow, flow)
    if flow <= NOTHING_M3_S:
        still = (note("nothing flows forward"),)
        return MeterLimits(run, flow, band, (flow, flow), None, None, (), (), notes=still)
    normal = (flow * (1.0 - scatter), flow * (1.0 + scatter))
    trials = trials or trials_of(network, run, clog)
    speeds = {pump.name: pump.speed for pump in network.pumps.values()}
    clogged = trials.clogged_flow_m3_s(speeds, flows)
    low, low_note = _low(normal[0], clogged * (1.0 + scatter), window_low_m3_s, clog)
    breaks = tuple(trials.broken_flows_m3_s(speeds, flows))
    seen = [broken * (1.0 - scatter) for _, broken in breaks if broken * (1.0 - scatter) > normal[1]]
    unseen = tuple(place for place, broken in breaks if broken * (1.0 - scatter) <= normal[1])
    high = (normal[1] + min(seen)) / 2.0 if seen else None
    filters = _is_filter_line(network, network.runs[run])
    notes = (*low_note, *_break_notes(breaks, unseen))
    need = window_low_m3_s
    return MeterLimits(run, flow, band, normal, low, high, breaks, unseen, need, filters, notes)


def _low(normal_low: float, clogged: float, window_low: float, clog: float) -> tuple[float | None, tuple[Note, ...]]:
    """Return the low limit from the least normal reading and the greatest of a clogged run."""
    if clogged < normal_low:
        middle = (clogged + normal_low) / 2.0
        return (window_low if clogged < window_low < normal_low else middle), ()
    if 0.0 < window_low < normal_low:
        return window_low, (note("clog unseen above the minimum", clog_share=clog),)
    return None, (note("clog unseen", clog_share=clog),)


def _break_notes(breaks: tuple[tuple[Note, float], ...], unseen: tuple[Note, ...]) -> tuple[Note, ...]:
    if not breaks:
        return (note("no break to simulate"),)
    if len(unseen) == len(breaks):
        return (note("no break is seen"),)
    return ()  # those in `unseen` are told once for all meters


def _is_filter_line(network: Network, run: Run) -> bool:
    """Return whether a run leads house water through a device."""
    has_device = any(part.kind is Kind.DEVICE for part in run.parts)
    seen, waiting = set[str](), [run.start.point]
    while waiting:
        name = waiting.pop()
        seen.add(name)
        if network.points[name].kind is PointKind.SUPPLY:
            return has_device
        if not network.points[name].is_fixed:
            waiting += [each.start.point for each, _, at_start in network.runs_at(name) if not at_start]
            waiting = [point for point in waiting if point not in seen]
    return False
