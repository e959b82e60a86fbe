"""What several pumps together can give: every efficient pairing of speeds, ways to plumb their lines, joining tee.

Side by side, two lines give one head where they join, and share the flow so that they do. Both heads fall as the flow
through the line rises, so the share is found between two ends; less loss in either line raises the head, so only the
efficient ways of a line count.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from optimizer.choices.both_ends import RangedAlternative, Weighing, ranged_alternatives
from optimizer.choices.effort import Effort
from optimizer.choices.graph import FREE, EndState
from optimizer.choices.loss_basis import Floats, LossBasis, arc_rows
from optimizer.choices.stations import Station, pumps_in
from optimizer.choices.tees import TeeOption
from optimizer.choices.velocity import velocity_rule
from optimizer.hydraulics import Conditions, conditions_of, past_curve, pump_head_m, tee_head_losses_m
from optimizer.model.network import Leg, Network, Pump
from optimizer.model.system import Rules
from optimizer.search.duty import energy_cents
from optimizer.search.list_costs import RunPrices
from optimizer.search.options import Options
from optimizer.search.posing import LEAST_PER_CENT

Ints = npt.NDArray[np.int64]

_GRID = 257  # places along the range of a line's flow
_CLOSE_M = 2e-4  # heads that the grid does not tell apart
_CELL_STEPS = 24
_HAIR = 2e-6  # relative, of a flow: less than the check of a plan tells
_EXACT_M = 1e-7
_LEAST_SHARE = 1e-3  # of the sum: with less, a pump does not take part
_STEPS = 60


@dataclass(frozen=True, slots=True)
class PumpsChoice:
    """One way in which all pumps work together, and the head [m] that they give at the sum of the flows.

    `ways` has the alternative of each line, `tee` the number of the fitting at the join; both are empty for pumps in a
    row. `flows_m3_s` is what each line carries. Electricity is in `cents`.
    """

    speeds: Mapping[str, float]
    head_m: float
    cents: int
    energy_cents: int
    packs: int = 0
    state: EndState = FREE  # what the run behind starts with
    ways: tuple[RangedAlternative, ...] = ()
    tee: int = -1
    flows_m3_s: tuple[float, ...] = ()
    pair: _Pair | None = None


def speed_settings(network: Network, pumps: Sequence[str]) -> list[dict[str, float]]:
    """Return every combination of speeds that these pumps can be dialled to."""
    each = [sorted({network.pumps[name].speed, *network.pumps[name].speeds}, reverse=True) for name in pumps]
    return [dict(zip(pumps, speeds, strict=True)) for speeds in itertools.product(*each)]


def pumps_choices(
    station: Station, options: Options, least: Mapping[str, RunPrices] | None = None
) -> list[PumpsChoice]:
    """Return what the pumps can give that no other choice beats in both head and money, for each size behind them.

    With `least`, as of `pose`, `cents` are thousandths of a cent.
    """
    return _lines_choices(station, options, least) if station.lines else _row_choices(station, options)


def at_other_speeds(station: Station, options: Options, choice: PumpsChoice) -> list[PumpsChoice]:
    """Return what the same plumbing gives at every setting of its pumps."""
    if choice.pair is None:
        return _row_choices(station, options)
    system = options.system
    pairs = [choice.pair.at(speeds, system.rules) for speeds in speed_settings(system.network, tuple(choice.speeds))]
    found = [pair.settled(choice.state) for pair in pairs if pair is not None]
    return [other for other in found if other is not None]


def _row_choices(station: Station, options: Options) -> list[PumpsChoice]:
    """Return what pumps in a row give: their heads add up at one flow, which each of them must be made for."""
    network, rules = options.system.network, options.system.rules
    pumps = pumps_in(network.runs[station.flows.source])
    flow = station.flows.total_m3_s
    found = []
    for speeds in speed_settings(network, pumps):
        each = [(network.pumps[name], speed) for name, speed in speeds.items()]
        if any(past_curve(pump, flow, speed) for pump, speed in each):
            continue
        energy = sum(energy_cents(pump, speed, rules) for pump, speed in each)
        head_m = sum(pump_head_m(pump, flow, speed) for pump, speed in each)
        found.append(PumpsChoice(speeds, head_m, energy, energy))
    return found


@dataclass(frozen=True)
class _Line:
    """One line: its ways, what they lose, its pumps, the head of the water it draws from, the range of its flow."""

    ways: tuple[RangedAlternative, ...]
    rows: Floats
    basis: LossBasis
    pumps: tuple[Pump, ...]
    base_m: float
    range_m3_s: tuple[float, float]
    leg: Leg

    def gain_m(self, speeds: Mapping[str, float], flow_m3_s: float) -> float:
        return self.base_m + sum(pump_head_m(pump, flow_m3_s, speeds[pump.name]) for pump in self.pumps)

    def reach_m3_s(self, speeds: Mapping[str, float]) -> float:
        """Return the flow at which the first of its pumps comes to the end of its curve."""
        return min(pump.curve[-1][0] * speeds[pump.name] for pump in self.pumps)


def _lines_choices(station: Station, options: Options, least: Mapping[str, RunPrices] | None) -> list[PumpsChoice]:
    network = options.system.network
    conditions = conditions_of(network)
    names = [name for line in station.lines for name in pumps_in(network.runs[line])]
    settings = speed_settings(network, names)
    total = station.flows.total_m3_s
    lines = _lines(station, options, conditions, settings, least)
    unit = 1 if least is None else LEAST_PER_CENT
    if lines is None:
        return []
    out_leg = station.legs(network)[station.flows.source]
    by_state: dict[EndState, list[_Pair]] = {}
    for k, option in enumerate(options.tees[station.join]):
        tee = _TeeLosses(k, option, (lines[0].leg, lines[1].leg), out_leg, total, conditions)
        by_state.setdefault(option.states[out_leg], []).extend(_pairs(lines, tee, options, settings, unit))
    settled = [(state, pair.settled(state)) for state, pairs in by_state.items() for pair in _efficient_pairs(pairs)]
    found = {state: [choice for at, choice in settled if at == state and choice is not None] for state in by_state}
    return [choice for group in found.values() for choice in _efficient(group)]


def _lines(
    station: Station,
    options: Options,
    conditions: Conditions,
    settings: Sequence[Mapping[str, float]],
    least: Mapping[str, RunPrices] | None,
) -> tuple[_Line, _Line] | None:
    """Return both lines with the efficient ways over the flow that each can have; None where they cannot share it."""
    network, rules = options.system.network, options.system.rules
    legs = station.legs(network)
    total = station.flows.total_m3_s
    pumps = [tuple(network.pumps[name] for name in pumps_in(network.runs[line])) for line in station.lines]
    most = [max(min(p.curve[-1][0] * s[p.name] for p in own) for s in settings) for own in pumps]
    some = _LEAST_SHARE * total
    ranges = [(max(some, total - most[1 - i]), min(total - some, most[i])) for i in (0, 1)]
    if any(low >= high for low, high in ranges):
        return None
    effort = Effort(rules.labour_cents_per_hour)
    unit = 1 if least is None else LEAST_PER_CENT
    packs = tuple(replace(pack, cents=unit * pack.cents) for pack in options.packs)
    found = []
    for name, own, (low, high) in zip(station.lines, pumps, ranges, strict=True):
        run = network.runs[name]
        rows = arc_rows(run, [options.graphs[name]], network, conditions, velocity_rule(options.system))[0]
        ways = ranged_alternatives(
            options.graphs[name],
            rows,
            Weighing(packs, effort, low, high, least=None if least is None else least[name].least),
        )
        matrix = np.stack([way.row for way in ways]) if ways else np.zeros((0, rows.basis.width))
        base = network.points[run.start.point].head_m or 0.0
        found.append(_Line(ways, matrix, rows.basis, own, base, (low, high), legs[name]))
    return found[0], found[1]


@dataclass(frozen=True)
class _TeeLosses:
    """What a joining tee takes from the water of each line, by the first one's flow."""

    number: int
    option: TeeOption
    into: tuple[Leg, Leg]
    out: Leg
    total_m3_s: float
    conditions: Conditions

    def losses_m(self, first_m3_s: float) -> tuple[float, float]:
        second = self.total_m3_s - first_m3_s
        flows = {self.into[0]: first_m3_s, self.into[1]: second, self.out: -self.total_m3_s}
        lost = tee_head_losses_m(self.option.tee.item, flows, self.conditions)
        out = lost.get(self.out, 0.0)
        return lost.get(self.into[0], 0.0) + out, lost.get(self.into[1], 0.0) + out


@dataclass(frozen=True)
class _Pair:
    """A way for each line at one setting, with two flows of the first line between which both give the same head."""

    lines: tuple[_Line, _Line]
    picks: tuple[int, int]
    tee: _TeeLosses
    speeds: Mapping[str, float]
    energy: int
    low: float
    high: float
    about_m: float
    cents: int
    packs: int
    unit: int  # of `cents` in a cent

    def heads_m(self, first_m3_s: float) -> tuple[float, float]:
        """Return the head that either line gives behind the tee at a flow of the first one."""
        flows = (first_m3_s, self.tee.total_m3_s - first_m3_s)
        taken = self.tee.losses_m(first_m3_s)
        a, b = (
            line.gain_m(self.speeds, flow) - float(line.rows[pick] @ line.basis.laws(flow)) - lost
            for line, pick, flow, lost in zip(self.lines, self.picks, flows, taken, strict=True)
        )
        return a, b

    def settled(self, state: EndState) -> PumpsChoice | None:
        """Return the choice with its exact head; None where a pipe or a pump is asked for more than it may carry."""
        first = _crossing(self.heads_m, self.low, self.high)
        flows = (first, self.tee.total_m3_s - first)
        ways = tuple(line.ways[pick] for line, pick in zip(self.lines, self.picks, strict=True))
        for line, way, flow in zip(self.lines, ways, flows, strict=True):
            if flow > min(way.most_m3_s, line.reach_m3_s(self.speeds)) * (1.0 + 2.0 * _HAIR):
                return None
        head_m = min(self.heads_m(first))
        number = self.tee.number
        return PumpsChoice(self.speeds, head_m, self.cents, self.energy, self.packs, state, ways, number, flows, self)

    def at(self, speeds: Mapping[str, float], rules: Rules) -> _Pair | None:
        """Return the same ways at other speeds; None where one of the two pumps then gives nothing."""
        energy = sum(energy_cents(pump, speeds[pump.name], rules) for line in self.lines for pump in line.pumps)
        low, high = self.lines[0].range_m3_s
        cents = self.cents + self.unit * (energy - self.energy)
        other = replace(self, speeds=speeds, energy=energy, cents=cents, low=low, high=high)
        (a, b), (c, d) = other.heads_m(low), other.heads_m(high)
        return other if a >= b and c <= d else None


def _crossing(heads: Callable[[float], tuple[float, float]], low: float, high: float) -> float:
    """Return the flow at which two heads, one falling and one rising, are the same (regula falsi, Illinois)."""
    a, b = low, high
    fa, fb = (x - y for x, y in (heads(a), heads(b)))
    for _ in range(_STEPS):
        if fa == fb:
            break
        at = b - fb * (b - a) / (fb - fa)
        x, y = heads(at)
        if abs(x - y) < _EXACT_M:
            return at
        if (x - y) * fb < 0.0:
            a, fa = b, fb
        else:
            fa /= 2.0
        b, fb = at, x - y
    return b


def _pairs(
    lines: tuple[_Line, _Line], tee: _TeeLosses, options: Options, settings: Sequence[Mapping[str, float]], unit: int
) -> list[_Pair]:
    """Return the pairs of ways that fit a tee and may be efficient, told on a grid of shares."""
    states = tee.option.states
    fitting = [np.array([i for i, way in enumerate(line.ways) if way.end == states[line.leg]], int) for line in lines]
    if not all(map(len, fitting)):
        return []
    grid = np.linspace(*lines[0].range_m3_s, _GRID)
    flows, step = (grid, tee.total_m3_s - grid), grid[1] - grid[0]
    taken = np.array([tee.losses_m(float(q)) for q in grid]).T
    lost = [
        np.stack([line.rows[own] @ line.basis.laws(float(q)) for q in at], axis=1) + off
        for line, own, at, off in zip(lines, fitting, flows, taken, strict=True)
    ]
    costs, packs = (
        [np.array([getattr(line.ways[i], what) for i in own]) for line, own in zip(lines, fitting, strict=True)]
        for what in ("cents", "packs")
    )
    cents = costs[0][:, None] + costs[1][None, :] + unit * tee.option.cents
    opened = packs[0][:, None] | packs[1][None, :]
    found: list[_Pair] = []
    for speeds in settings:
        gains = [np.array([line.gain_m(speeds, float(q)) for q in at]) for line, at in zip(lines, flows, strict=True)]
        pumps = [pump for line in lines for pump in line.pumps]
        energy = sum(energy_cents(pump, speeds[pump.name], options.system.rules) for pump in pumps)
        at, place, about = _met(*(gain - loss for gain, loss in zip(gains, lost, strict=True)))
        about = np.where(_allowed(lines, fitting, speeds, grid[0] + place * step, tee.total_m3_s), about, -math.inf)
        for i, j in _worth_a_look(about, cents, opened):
            picks = int(fitting[0][i]), int(fitting[1][j])
            cell = float(grid[at[i, j]]), float(grid[at[i, j] + 1])
            money = int(cents[i, j]) + unit * energy
            found.append(_Pair(lines, picks, tee, speeds, energy, *cell, about[i, j], money, int(opened[i, j]), unit))
    return found


def _allowed(
    lines: tuple[_Line, _Line],
    fitting: Sequence[Ints],
    speeds: Mapping[str, float],
    first_m3_s: Floats,
    total_m3_s: float,
) -> npt.NDArray[np.bool_]:
    """Return which pairs keep to the velocity limit of their pipe and to the curves of their pumps."""
    most = [
        np.minimum(np.array([line.ways[i].most_m3_s for i in own]), line.reach_m3_s(speeds)) * (1.0 + _HAIR)
        for line, own in zip(lines, fitting, strict=True)
    ]
    found: npt.NDArray[np.bool_] = (first_m3_s <= most[0][:, None]) & (total_m3_s - first_m3_s <= most[1][None, :])
    return found


def _met(first: Floats, second: Floats) -> tuple[Ints, Floats, Floats]:
    """Return, for every pair of ways, the grid cell where both heads are the same, the place in steps, and the head.

    `first` falls along the grid and `second` rises; where they do not meet the head is minus endless. Inside the cell
    both are taken as the cubics through the four places around it.
    """
    rows, cols = np.arange(len(first))[:, None], np.arange(len(second))[None, :]
    low = np.zeros((len(first), len(second)), dtype=np.int64)
    high = np.full_like(low, first.shape[1] - 1)
    meets = (first[:, :1] >= second[:, 0][None, :]) & (first[:, -1:] <= second[:, -1][None, :])
    while np.any(high - low > 1):
        middle = (low + high) // 2
        above = first[rows, middle] >= second[cols, middle]
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    start = np.clip(low - 1, 0, first.shape[1] - 4)
    one = [first[rows, start + k] for k in range(4)]
    gap = [one[k] - second[cols, start + k] for k in range(4)]
    left, right = (low - start).astype(float), (low - start + 1).astype(float)
    for _ in range(_CELL_STEPS):
        middle = (left + right) / 2.0
        above = _cubic(gap, middle) >= 0.0
        left, right = np.where(above, middle, left), np.where(above, right, middle)
    return low, start + left, np.where(meets, _cubic(one, left), -math.inf)


def _cubic(values: Sequence[Floats], at: Floats) -> Floats:
    """Return the cubic through values at 0, 1, 2 and 3 (Lagrange)."""
    t, u, v, w = at, at - 1.0, at - 2.0, at - 3.0
    out: Floats = (
        -u * v * w / 6.0 * values[0]
        + t * v * w / 2.0 * values[1]
        - t * u * w / 2.0 * values[2]
        + t * u * v / 6.0 * values[3]
    )
    return out


def _worth_a_look(about_m: Floats, cents: Floats, packs: Floats) -> list[tuple[int, int]]:
    """Return the pairs that none of the same packs beats in both money and head by more than the grid can tell."""
    kept: list[tuple[int, int]] = []
    for opened in np.unique(packs):
        rows, cols = np.nonzero((packs == opened) & np.isfinite(about_m))
        order = np.lexsort((-about_m[rows, cols], cents[rows, cols]))
        rows, cols = rows[order], cols[order]
        best = np.maximum.accumulate(np.concatenate([[-math.inf], about_m[rows, cols]]))[:-1]
        keep = about_m[rows, cols] > best - _CLOSE_M
        kept += list(zip(rows[keep].tolist(), cols[keep].tolist(), strict=True))
    return kept


def _efficient_pairs(pairs: list[_Pair]) -> Iterator[_Pair]:
    """Yield the pairs that none of no other packs beats in both money and head by more than the grid can tell."""
    best: dict[int, float] = {}
    for pair in sorted(pairs, key=lambda pair: (pair.cents, -pair.about_m)):
        if all(pair.about_m > head - _CLOSE_M for other, head in best.items() if not other & ~pair.packs):
            best[pair.packs] = max(best.get(pair.packs, -math.inf), pair.about_m)
            yield pair


def _efficient(choices: list[PumpsChoice]) -> Iterator[PumpsChoice]:
    """Yield the choices that none beats in money, head and the packs that it opens."""
    best: dict[int, float] = {}
    for choice in sorted(choices, key=lambda choice: (choice.cents, -choice.head_m, sum(choice.speeds.values()))):
        if all(choice.head_m > head for other, head in best.items() if not other & ~choice.packs):
            best[choice.packs] = max(best.get(choice.packs, -math.inf), choice.head_m)
            yield choice
