"""Where water would come out: every joint by how much it would let out if it opened, times how likely it is to.

Likelihoods are relative to a new cemented joint: a thread 4, a union 3, a barb or a pushed or clamped end 2, cement 1,
and twice as much where both parts are old. Common practice, no source: an order, no forecast.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from optimizer.hydraulics import conditions_of, part_head_loss_m, solve_network
from optimizer.model.catalog import Kind
from optimizer.model.ends import Form
from optimizer.model.kinds import MOUTHS, PIPES, SEPARABLE
from optimizer.model.network import Network, Part, PointKind, Run
from optimizer.model.safety import LeakPlace
from optimizer.model.system import System
from optimizer.verify.let_out import LetOut, is_sunk
from optimizer.verify.remarks import house_runs

LIKELIHOOD = {"thread": 4.0, "union": 3.0, "barb": 2.0, "cement": 1.0}
OLD = 2.0  # times as likely
_AN_HOUR_S = 3600.0


def leak_places(system: System, network: Network, flows_m3_s: Mapping[str, float]) -> tuple[LeakPlace, ...]:
    """Return every joint of pumped lines, rings, gravity lines and drains, the worst first.

    Parameters
    ----------
    system
        Its tanks say how much the sump gives before the pump runs dry, and what runs off above.
    network, flows_m3_s
        The plumbing with its valves set, and what flows [m³/s by run].

    Notes
    -----
    How much a joint lets out is told by `let_out`; one in a drain what the sump gives, for the pump goes on. What no
    file states is None.
    """
    out = LetOut(system, network, flows_m3_s)
    found: list[LeakPlace] = []
    heads_m = solve_network(network).heads_m
    for run in out.dry_runs():
        pump = next((i for i, part in enumerate(run.parts) if part.kind is Kind.PUMP), -1)
        pressures = _pressures_m(network, run, flows_m3_s, heads_m)
        for i, joint in _joints(run.parts):
            if is_sunk(network, run) and i == 0:
                continue  # under water: what comes out of it stays in the sump
            water_m3, _ = out.behind_pump(run) if i >= pump else out.before_pump(run)
            found.append(_place(run.name, run.parts, i, joint, water_m3, pressures[i]))
    for run in house_runs(network, flows_m3_s):
        pressures, water_m3 = _pressures_m(network, run, flows_m3_s, heads_m), _AN_HOUR_S * flows_m3_s[run.name]
        for i, joint in _joints(run.parts):
            found.append(_place(run.name, run.parts, i, joint, water_m3, pressures[i]))
    for drain in system.drains:
        for i, joint in _joints(drain.parts):
            found.append(_place(drain.name, drain.parts, i, joint, out.reserve(drain.tank)[0], 0.0))
    return tuple(sorted(found, key=_rank))


def _rank(place: LeakPlace) -> tuple[float, float]:
    """Return what sorts the worst first: litres times likelihood, then pressure."""
    water = 1.0 if place.water_m3 is None else place.water_m3
    return -round(1e6 * water * place.likelihood), -place.pressure_m


def _joints(parts: tuple[Part, ...]) -> Iterator[tuple[int, str]]:
    """Yield (index of the part before it, how it is made) of every joint, the nut of a union as one of its own.

    What is still open holds no water; what comes out beside a part that opens into a tank stays in the tank.
    """
    for i, part in enumerate(parts):
        if part.kind in SEPARABLE and part.kind not in PIPES and part.item is not None:
            yield i, "union"
        if i + 1 == len(parts) or Kind.OPEN_JOINT in (part.kind, parts[i + 1].kind):
            continue
        if not {part.kind, parts[i + 1].kind} & MOUTHS:
            yield i, _method(part, parts[i + 1])


def _method(before: Part, after: Part) -> str:
    forms = {part.ends[at].form for part, at in ((before, -1), (after, 0)) if part.ends}
    if any(form.is_thread for form in forms):
        return "thread"
    if forms & {Form.BARB, Form.HOSE, Form.COMPRESSION, Form.PUSH_FIT, Form.TUBE}:
        return "barb"
    return "cement"


def _place(
    name: str, parts: tuple[Part, ...], behind: int, method: str, water_m3: float | None, pressure_m: float
) -> LeakPlace:
    pair = parts[behind : behind + 2]
    old = all(part.existing for part in pair)
    if method == "union":
        old = pair[0].existing
        words = pair[0].words
    else:
        words = " to ".join(part.words for part in pair)
    likelihood = LIKELIHOOD[method] * (OLD if old else 1.0)
    return LeakPlace(name, words, method, water_m3, likelihood, pressure_m, old, behind)


def _pressures_m(
    network: Network, run: Run, flows_m3_s: Mapping[str, float], heads_m: Mapping[str, float]
) -> list[float]:
    """Return the head behind each part above the run's lowest end [m], from its end backwards."""
    conditions = conditions_of(network)
    surfaces = [point for point in network.points.values() if point.kind is PointKind.SURFACE]
    low = min((point.elevation_m for point in surfaces if point.elevation_m is not None), default=0.0)
    head = heads_m.get(run.end.point, network.points[run.end.point].head_m or 0.0)
    found = [0.0] * len(run.parts)
    for i in range(len(run.parts) - 1, -1, -1):
        found[i] = max(0.0, head - low)
        if run.parts[i].kind is Kind.PUMP:
            return [0.0] * i + found[i:]
        head += part_head_loss_m(run.parts[i], flows_m3_s.get(run.name, 0.0), conditions)
    return found
