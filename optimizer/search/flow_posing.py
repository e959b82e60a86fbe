"""Turn a system whose flows are not known into the relaxation's problem, and keep what its numbers stand for."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

from optimizer.choices.both_ends import RangedAlternative
from optimizer.choices.graph import FREE, KEPT, EndState
from optimizer.choices.side_resources import Sides
from optimizer.choices.tees import TeeOption
from optimizer.choices.velocity import NO_LIMITS, VelocityRule
from optimizer.choices.wants import Want, at_full_flows
from optimizer.hydraulics import Conditions
from optimizer.hydraulics.pumps import pump_curve
from optimizer.model.catalog import Kind
from optimizer.model.network import Network, Run
from optimizer.model.throttling import may_be_throttled
from optimizer.program.flow_problem import (
    RUN,
    TEE,
    ChoiceRow,
    FlowAlternative,
    FlowNode,
    FlowProblem,
    FlowRow,
    FlowRun,
    FlowTee,
    FlowTeeAlternative,
    Range,
    RelaxedSelection,
)
from optimizer.search.flow_ranges import is_one_way
from optimizer.search.run_curves import CurveTable, PumpGain, RunCurve, TeeCurves
from optimizer.verify.allowance import Allowance
from optimizer.verify.drain_back import wet_runs
from optimizer.verify.openings import Duty, velocity_wants

_LITRES = 1000.0  # in a m³
_MICROLITRES = 1e6  # in a litre
_VOLUME_SLACK = 1e-3  # [L], for steps rounded up: a bound may only be too free

_NEVER: Range = (math.inf, -math.inf)  # a range of flow for what may not be chosen


@dataclass(frozen=True)
class Way:
    """One way to plumb a run: `run` is what it was made from (with a slot for a valve, or as it stands)."""

    alternative: RangedAlternative
    run: Run

    @cached_property
    def valved(self) -> bool:
        return may_be_throttled(self.built)

    @property
    def built(self) -> Run:
        return replace(self.run, parts=self.alternative.parts)


@dataclass(frozen=True)
class Mode:
    """One setting: its rows, and the speeds of the pumps to choose from there (one, where the owner has set it).

    `wants` are about what runs carry, tanks balanced; `rows` say of it what holds of the flows that heads give.
    """

    name: str
    wants: tuple[Want, ...]
    speeds: tuple[Mapping[str, float], ...]
    rows: tuple[Want, ...]


def with_rows(network: Network, mode: Mode, more: tuple[Want, ...]) -> Mode:
    """Return a mode with more rows, and with what they say of full flows whichever pumps are off."""
    wants = (*mode.wants, *more)
    each = [at_full_flows(running, wants) for running in running_of(network, mode)]
    first, *others = each
    return replace(mode, wants=wants, rows=tuple(row for row in first if all(row in other for other in others)))


def running_of(network: Network, mode: Mode) -> Iterator[Network]:
    """Yield the plumbing for every set of pumps that may run together in a mode."""
    for running in {frozenset(name for name, speed in speeds.items() if speed > 0.0) for speeds in mode.speeds}:
        pumps = {name: replace(pump, speed=float(name in running)) for name, pump in network.pumps.items()}
        yield replace(network, pumps=pumps)


@dataclass(frozen=True)
class FlowCase:
    """All there is to choose from, with losses as curves. `ranges` bound the flow of every run in every mode.

    Where plans have to be safe, `allowances` says of every mode what tanks and sumps take; otherwise it is empty.
    """

    network: Network
    conditions: Conditions
    modes: tuple[Mode, ...]
    ways: Mapping[str, tuple[Way, ...]]
    tables: Mapping[str, CurveTable]
    tees: Mapping[str, tuple[TeeOption, ...]]
    packs: tuple[int, ...]
    ranges: Mapping[tuple[str, int], Range]
    velocity: VelocityRule = NO_LIMITS
    energy_cents: Mapping[tuple[str, float], int] = field(default_factory=dict)  # by pump and speed
    allowances: tuple[Allowance, ...] = ()
    sides: Sides = field(default_factory=Sides)
    is_water_scarce: bool = False  # not every way there is fits the sump
    thinned: tuple[str, ...] = ()  # runs of which ways that could serve by what they lose are left out
    _tee_memo: dict[tuple[str, int, int], TeeCurves] = field(default_factory=dict, compare=False)
    _gain_memo: dict[tuple[tuple[str, float], ...], PumpGain] = field(default_factory=dict, compare=False)

    def key(self, name: str, mode: int) -> str:
        """Return the name of a run or point in a mode."""
        return name if mode == 0 else f"{name} @ {self.modes[mode].name}"

    def tee_curves(self, point: str, k: int, mode: int) -> TeeCurves:
        if (point, k, mode) not in self._tee_memo:
            legs = {(self.key(run.name, mode), start): leg for run, leg, start in self.network.runs_at(point)}
            self._tee_memo[point, k, mode] = TeeCurves(self.tees[point][k].item, legs, self.conditions)
        return self._tee_memo[point, k, mode]

    def gain(self, run: str, speeds: Mapping[str, float]) -> PumpGain:
        """Return what the pumps of a run add at these speeds."""
        pumps = tuple((part.name, speeds[part.name]) for part in self.network.runs[run].parts if part.kind is Kind.PUMP)
        if pumps not in self._gain_memo:
            curves = tuple((pump_curve(self.network.pumps[name]), speed) for name, speed in pumps)
            self._gain_memo[pumps] = PumpGain(curves)
        return self._gain_memo[pumps]


@dataclass(frozen=True)
class Choice:
    """One combination: a way for every run, a fitting for every tee, speeds in every mode."""

    ways: tuple[int, ...]
    tees: tuple[int, ...]
    speeds: tuple[int, ...]


def choice_of(case: FlowCase, chosen: RelaxedSelection) -> Choice:
    """Return the combination that the relaxation chose."""
    speeds = []
    for mode, at in enumerate(case.modes):
        picked: dict[str, float] = {}
        for run in pumped_runs(case.network):
            names = [part.name for part in case.network.runs[run].parts if part.kind is Kind.PUMP]
            combos = speed_combos(case, run, mode)
            picked.update(zip(names, combos[chosen.settings[case.key(run, mode)]], strict=True))
        matching = [i for i, s in enumerate(at.speeds) if all(s[name] == v for name, v in picked.items())]
        speeds.append(matching[0])
    return Choice(
        tuple(chosen.runs[name] for name in case.ways), tuple(chosen.tees[point] for point in case.tees), tuple(speeds)
    )


def single(case: FlowCase, choice: Choice) -> FlowCase:
    """Return the case with nothing left to choose but one combination, and with rows of what it lets run back."""
    ways, modes = dict(zip(case.ways, choice.ways, strict=True)), list[Mode]()
    for i, (mode, k) in enumerate(zip(case.modes, choice.speeds, strict=True)):
        back = case.allowances[i].back_rows(built_network(case, choice, i)) if case.allowances else ()
        rows = with_rows(case.network, mode, back).rows if back else mode.rows
        modes.append(replace(mode, speeds=(mode.speeds[k],), rows=rows))
    return replace(
        case,
        modes=tuple(modes),
        ways={name: (case.ways[name][k],) for name, k in ways.items()},
        tables={name: CurveTable(case.tables[name].rows[[k]], case.tables[name].basis) for name, k in ways.items()},
        tees={point: (case.tees[point][k],) for point, k in zip(case.tees, choice.tees, strict=True)},
        _tee_memo={},
        _gain_memo={},
    )


def pumped_runs(network: Network) -> list[str]:
    return [name for name, run in network.runs.items() if any(part.kind is Kind.PUMP for part in run.parts)]


def speed_combos(case: FlowCase, run: str, mode: int) -> list[tuple[float, ...]]:
    """Return the speeds of a run's own pumps that some choice of the mode has."""
    names = [part.name for part in case.network.runs[run].parts if part.kind is Kind.PUMP]
    return list(dict.fromkeys(tuple(speeds[name] for name in names) for speeds in case.modes[mode].speeds))


def built_network(case: FlowCase, choice: Choice, mode: int) -> Network:
    """Return the plumbing that a combination stands for, its pumps at the speeds of a mode."""
    runs = {name: case.ways[name][k].built for name, k in zip(case.ways, choice.ways, strict=True)}
    tees = {point: case.tees[point][k].tee for point, k in zip(case.tees, choice.tees, strict=True)}
    speeds = case.modes[mode].speeds[choice.speeds[mode]]
    pumps = {name: replace(pump, speed=speeds[name]) for name, pump in case.network.pumps.items()}
    return replace(case.network.with_runs(runs), tees={**case.network.tees, **tees}, pumps=pumps)


def duties_of(case: FlowCase, choice: Choice) -> list[Duty]:
    """Return what a combination has to stand, for the network solution."""
    out = []
    for mode, at in enumerate(case.modes):
        network = built_network(case, choice, mode)
        back = case.allowances[mode].back_rows(network) if case.allowances else ()
        out.append(Duty(at.name, network, (*at.wants, *velocity_wants(network, case.velocity, at.name), *back)))
    return out


def cents_of(case: FlowCase, choice: Choice) -> int:
    """Return what a combination costs in whole cents, packs and electricity included."""
    chosen = [case.ways[name][k].alternative for name, k in zip(case.ways, choice.ways, strict=True)]
    opened = 0
    for alternative in chosen:
        opened |= alternative.packs
    cents = sum(alternative.cents for alternative in chosen)
    cents += sum(case.tees[point][k].cents for point, k in zip(case.tees, choice.tees, strict=True))
    for mode, k in zip(case.modes, choice.speeds, strict=True):
        cents += sum(case.energy_cents.get(pump, 0) for pump in mode.speeds[k].items())
    return cents + sum(price for i, price in enumerate(case.packs) if opened >> i & 1)


def has_valves(case: FlowCase, choice: Choice) -> bool:
    """Return whether some run of a combination has a valve to set."""
    return any(case.ways[name][k].valved for name, k in zip(case.ways, choice.ways, strict=True))


def keeps_within(case: FlowCase, choice: Choice) -> bool:
    """Return whether a combination uses no more of any side resource than a plan may."""
    ways = [case.ways[name][k].alternative for name, k in zip(case.ways, choice.ways, strict=True)]
    fittings = [case.tees[point][k].cents for point, k in zip(case.tees, choice.tees, strict=True)]
    opened = 0
    for way in ways:
        opened |= way.packs
    return all(
        sum(way.used[i] for way in ways)
        + sum(map(resource.used_by_fitting, fittings))
        + sum(units for k, units in enumerate(resource.packs) if opened >> k & 1)
        <= resource.most
        for i, resource in enumerate(case.sides.resources)
        if resource.most is not None
    )


def side_rows(case: FlowCase) -> list[ChoiceRow]:
    """Return one row for every side resource: what all choices together may use of it."""
    return [_side_row(case, i, each.most) for i, each in enumerate(case.sides.resources) if each.most is not None]


def _side_row(case: FlowCase, i: int, most: int) -> ChoiceRow:
    resource = case.sides.resources[i]
    uses = {(RUN, name, k): way.alternative.used[i] for name, ways in case.ways.items() for k, way in enumerate(ways)}
    uses |= {
        (TEE, point, k): resource.used_by_fitting(option.cents)
        for point, options in case.tees.items()
        for k, option in enumerate(options)
    }
    return ChoiceRow(
        resource.words,
        {pick: float(units) for pick, units in uses.items() if units},
        -math.inf,
        most,
        resource.packs,
    )


def flow_problem(
    case: FlowCase,
    ranges: Mapping[tuple[str, int], Range],
    choice_rows: Sequence[ChoiceRow] = (),
    useful: tuple[Mapping[str, Sequence[int]], Mapping[str, Sequence[int]]] | None = None,
) -> FlowProblem:
    """Return the relaxation's problem within ranges of flow; every mode is a copy of the plumbing.

    `useful` names the ways of every run and the fittings of every tee that may be chosen (None: all).
    """
    states = _StateNumbers()
    nodes: dict[str, FlowNode] = {}
    runs: dict[str, FlowRun] = {}
    tees: dict[str, FlowTee] = {}
    rows: list[FlowRow] = []
    for mode, at in enumerate(case.modes):
        for point in case.network.points.values():
            name = case.key(point.name, mode)
            nodes[name] = FlowNode(name, (point.head_m or 0.0) if point.is_fixed else None)
        for run in case.network.runs.values():
            kept = None if useful is None else useful[0][run.name]
            runs[case.key(run.name, mode)] = _flow_run(case, run, mode, ranges[run.name, mode], states, kept)
        for point_name in case.tees:
            tees[case.key(point_name, mode)] = _flow_tee(case, point_name, mode, states)
        for i, want in enumerate(at.rows):
            coefficients = {case.key(run, mode): c for run, c in want.coefficients.items()}
            rows.append(FlowRow(f"{want.name} {mode}.{i}", coefficients, want.low_m3_s, want.high_m3_s))
    left_out = () if useful is None else _left_out(case, useful[1])
    return FlowProblem(
        nodes, runs, tees, tuple(rows), (*choice_rows, *_volume_rows(case, ranges), *left_out), case.packs
    )


def _left_out(case: FlowCase, kept: Mapping[str, Sequence[int]]) -> list[ChoiceRow]:
    """Return the rows that leave out all fittings but those kept."""
    return [
        ChoiceRow(f"{point}#{k} is left out", {(TEE, point, k): 1.0}, high=0.0)
        for point, options in case.tees.items()
        for k in sorted(set(range(len(options))) - set(kept[point]))
    ]


def _volume_rows(case: FlowCase, ranges: Mapping[tuple[str, int], Range]) -> list[ChoiceRow]:
    """Return what all pipe may hold in every mode [L], whatever flows within the ranges."""
    rows = []
    for mode, allowance in enumerate(case.allowances):
        most = allowance.most_pipe_m3({name: ranges[name, mode] for name in case.network.runs})
        if most is not None:
            held = {
                (RUN, run.name, k): way.alternative.used[-1] / _MICROLITRES  # the water is weighed last
                for run in wet_runs(case.network)
                for k, way in enumerate(case.ways[run.name])
            }
            rows.append(ChoiceRow(f"volume {mode}", held, high=_LITRES * most + _VOLUME_SLACK))
    return rows


def _flow_run(
    case: FlowCase, run: Run, mode: int, flow_range: Range, states: _StateNumbers, kept: Sequence[int] | None
) -> FlowRun:
    table = case.tables[run.name]
    ways = case.ways[run.name]
    out = set() if kept is None else set(range(len(ways))) - set(kept)
    alternatives = tuple(
        FlowAlternative(
            way.alternative.cents,
            RunCurve(table, k),
            states(way.alternative.start),
            states(way.alternative.end),
            way.alternative.packs,
            _NEVER if k in out else (-way.alternative.most_m3_s, way.alternative.most_m3_s),
            way.valved,
        )
        for k, way in enumerate(ways)
    )
    return FlowRun(
        case.key(run.name, mode),
        case.key(run.start.point, mode),
        case.key(run.end.point, mode),
        alternatives,
        flow_range,
        settings=_gains(case, run, mode),
        one_way=is_one_way(run, case.network) > 0,
        same_as=run.name if mode else None,
    )


def _gains(case: FlowCase, run: Run, mode: int) -> tuple[FlowAlternative, ...]:
    names = [part.name for part in run.parts if part.kind is Kind.PUMP]
    if not names:
        return ()
    out = []
    for combo in speed_combos(case, run.name, mode):
        speeds = dict(zip(names, combo, strict=True))
        last = [case.network.pumps[name].curve[-1][0] * speed for name, speed in speeds.items() if speed > 0.0]
        reach = (0.0, min(last)) if last else (-math.inf, math.inf)
        cents = sum(case.energy_cents.get(pump, 0) for pump in speeds.items())
        out.append(FlowAlternative(cents, case.gain(run.name, speeds), flow_range_m3_s=reach))
    return tuple(out)


def _flow_tee(case: FlowCase, point: str, mode: int, states: _StateNumbers) -> FlowTee:
    ends = [(run.name, at_start, leg) for run, leg, at_start in case.network.runs_at(point)]
    alternatives = tuple(
        FlowTeeAlternative(
            option.cents,
            {(case.key(run, mode), at_start): states(option.states[leg]) for run, at_start, leg in ends},
            case.tee_curves(point, k, mode),
        )
        for k, option in enumerate(case.tees[point])
    )
    return FlowTee(case.key(point, mode), alternatives, same_as=point if mode else None)


class _StateNumbers:
    """Gives every end state a number."""

    def __init__(self) -> None:
        self._numbers: dict[EndState, int] = {FREE: 0, KEPT: 1}

    def __call__(self, state: EndState) -> int:
        return self._numbers.setdefault(state, len(self._numbers))
