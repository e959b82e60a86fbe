"""A run with a flow meter → between which flows it is in order: below something is clogged, above it has come apart.

Both limits are simulated, not guessed: the clog as a loss of section somewhere in the run, the break at every joint of
the run behind the pump. The meter sits near the start of its run, and normal readings scatter about the set flow.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from optimizer.errors import NetworkError
from optimizer.hydraulics import solve_network
from optimizer.model.catalog import Kind
from optimizer.model.network import Network, PointKind, Run
from optimizer.verify.trials import CLOG, Trials, trials_of

SCATTER = 0.05  # of the set flow: meters and days once the valves are trimmed; common practice, no source


@dataclass(frozen=True, slots=True)
class MeterLimits:
    """Flows of one metered run [m³/s].

    `low_m3_s` and `high_m3_s` are None where no limit can tell a clog or a break from normal scatter; `notes` then say
    why. `breaks` are (place, flow) of each simulated break; those in `unseen` look like normal running.
    """

    run: str
    flow_m3_s: float
    normal_m3_s: tuple[float, float]
    clogged_m3_s: float
    low_m3_s: float | None
    high_m3_s: float | None
    breaks: tuple[tuple[str, float], ...]
    unseen: tuple[str, ...]
    filter_line: bool = False  # from house water through a device: below the low limit the filter is due
    notes: tuple[str, ...] = ()


def limits_of(
    network: Network,
    run: str,
    *,
    window_low_m3_s: float = 0.0,
    clog: float = CLOG,
    scatter: float = SCATTER,
    trials: Trials | None = None,
    flows_m3_s: Mapping[str, float] | None = None,
) -> MeterLimits:
    """Return the limits of one run of a plumbing whose pumps and valves are set.

    The low limit lies halfway between what a clog leaves and the least normal reading; where the window of what the run
    feeds begins in between, it is that. The high limit lies halfway between the greatest normal reading and the least
    flow of all breaks that can be told from it.

    Parameters
    ----------
    window_low_m3_s
        Least flow that what the run feeds needs; 0 for none.
    clog
        Share of the section that is lost, above 0 and below 1.
    scatter
        Share of the set flow by which normal readings differ from it.
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
    if flow <= 0.0:
        note = ("nothing flows forwards here, so a meter tells nothing",)
        return MeterLimits(run, flow, (flow, flow), flow, None, None, (), (), notes=note)
    normal = (flow * (1.0 - scatter), flow * (1.0 + scatter))
    trials = trials or trials_of(network, run, clog)
    speeds = {pump.name: pump.speed for pump in network.pumps.values()}
    clogged = trials.clogged_flow_m3_s(speeds, flows)
    low, low_note = _low(normal[0], clogged, window_low_m3_s, clog)
    breaks = tuple(trials.broken_flows_m3_s(speeds, flows))
    unseen = tuple(place for place, broken in breaks if broken <= normal[1])
    seen = [broken for _, broken in breaks if broken > normal[1]]
    high = (normal[1] + min(seen)) / 2.0 if seen else None
    filters = _is_filter_line(network, network.runs[run])
    notes = (*low_note, *_break_notes(breaks, unseen))
    return MeterLimits(run, flow, normal, clogged, low, high, breaks, unseen, filters, notes)


def _low(normal_low: float, clogged: float, window_low: float, clog: float) -> tuple[float | None, tuple[str, ...]]:
    if clogged < normal_low:
        middle = (clogged + normal_low) / 2.0
        return (window_low if clogged < window_low < normal_low else middle), ()
    note = f"a clog of {clog:.0%} of the section hardly changes the flow, for the valve takes most of the head"
    if 0.0 < window_low < normal_low:
        return window_low, (f"{note}: the low limit is the least flow that is needed here",)
    return None, (f"{note}: no low limit can tell it from normal readings",)


def _break_notes(breaks: tuple[tuple[str, float], ...], unseen: tuple[str, ...]) -> tuple[str, ...]:
    if not breaks:
        return ("a break could not be simulated: the run is part of a loop, or has no joint behind a pump",)
    if len(unseen) == len(breaks):
        return ("a break anywhere looks like normal running: no high limit can tell it; look for water instead",)
    if unseen:
        places = ", ".join(dict.fromkeys(unseen))
        return (f"a break near the end looks like normal running and is not seen by the meter: {places}",)
    return ()


def clogged_flow_m3_s(network: Network, run: str, clog: float = CLOG) -> float:
    """Return the flow of a run with a share of its section lost [m³/s]; see `trials_of`."""
    return trials_of(network, run, clog).clogged_flow_m3_s()


def broken_flows(network: Network, run: str) -> Iterator[tuple[str, float]]:
    """Yield (place, flow into the run [m³/s]) of a break at each of its joints; see `trials_of`."""
    yield from trials_of(network, run).broken_flows_m3_s()


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
