"""What the report and the pictures show, worked out once from a plan: both networks solved, losses, paths, marks."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from optimizer.documents.drawing.drains import drain_verdicts, shown_drains
from optimizer.documents.drawing.frontier_chart import FrontierPoint
from optimizer.documents.drawing.labels import Shown
from optimizer.documents.floor_text import probe_runs
from optimizer.errors import NetworkError
from optimizer.model.network import Network, Part
from optimizer.model.note import Note
from optimizer.model.outcome import PlanReport
from optimizer.model.plan import planned_networks, stood_network
from optimizer.model.system import System

if TYPE_CHECKING:
    from optimizer.hydraulics.head_line import HeadPoint
    from optimizer.hydraulics.losses import PartLoss
    from optimizer.hydraulics.network import NetworkSolution
    from optimizer.model.safety import SafetyReport
    from optimizer.takeoff.take_off import TakeOff
    from optimizer.verify.card import SettingsCard


@dataclass(frozen=True)
class Solved:
    """A plumbing with its solution and its losses, the largest first."""

    network: Network
    solution: NetworkSolution
    losses: tuple[PartLoss, ...]

    def losses_m(self) -> dict[str, float]:
        """Return what each run loses, tees and openings included [m]."""
        sums: dict[str, float] = dict.fromkeys(self.network.runs, 0.0)
        for loss in self.losses:
            sums[loss.run] += loss.head_loss_m
        return sums


ByMode = tuple[tuple[str, Mapping[str, float], Mapping[str, float]], ...]  # mode, flows before and after [m³/s]


@dataclass(frozen=True)
class ReportFacts:
    """A report with both plumbings solved, in the first mode where there are several; `by_mode` has what flows in each.

    `frontier`, the settings `card` and the take-off where they were worked out; `chosen` is the report's plan in the
    frontier or beside it, and `frontier_notes` say what is proved of it and what was left open, or why there is none.
    """

    report: PlanReport
    now: Solved
    after: Solved
    by_mode: ByMode = ()
    frontier: tuple[FrontierPoint, ...] = ()
    chosen: FrontierPoint | None = None
    card: SettingsCard | None = None
    frontier_notes: tuple[Note, ...] = ()
    taken: TakeOff | None = None

    @property
    def units(self) -> str:
        return self.report.system.units


def solved(network: Network, with_gains: bool = True) -> Solved:
    """Return a plumbing solved; NetworkError when it has no solution."""
    from optimizer.hydraulics import loss_table, solve_network

    solution = solve_network(network)
    return Solved(network, solution, loss_table(network, solution, with_gains=with_gains))


def report_facts(
    report: PlanReport,
    frontier: Sequence[FrontierPoint] = (),
    chosen: FrontierPoint | None = None,
    card: SettingsCard | None = None,
    *,
    frontier_notes: Sequence[Note] = (),
    taken: TakeOff | None = None,
    with_gains: bool = True,
) -> ReportFacts:
    """Return what a report shows: the plumbing now, and as the plan leaves it with every valve at its setting.

    `with_gains` also works out what each run would carry without each of its losses, which takes as long again.
    """
    from optimizer.verify.settings import with_openings

    planned = planned_networks(report.system, report.plan)[0]
    after = with_openings(planned, report.verification.valves)
    now = stood_network(report.system.ways_to_run[0][1].network, report.plan)
    both = solved(now, with_gains), solved(after, with_gains)
    return ReportFacts(report, *both, _by_mode(report), tuple(frontier), chosen, card, tuple(frontier_notes), taken)


def _by_mode(report: PlanReport) -> ByMode:
    """Return what flows in every mode, as it stands and as planned; nothing where there are no modes."""
    settings = report.verification.settings if report.system.settings else ()
    ways = report.system.ways_to_run
    return tuple(
        (one.name, solved(at.network, False).solution.flows_m3_s, one.flows_m3_s)
        for (_, at), one in zip(ways, settings, strict=bool(settings))
    )


def flows_by_mode(system: System) -> ByMode:
    """Return what flows in every mode of a plumbing as it stands, with nothing before it."""
    return tuple((name, {}, solved(at.network, False).solution.flows_m3_s) for name, at in system.ways_to_run if name)


def shown_now(
    system: System, now: Solved, report: PlanReport | None = None, safety: SafetyReport | None = None
) -> Shown:
    """Return the plumbing as it stands for the schematic; with a report, what comes out is marked.

    `safety` is that of the plumbing as it stands: then its drains say how safe they are.
    """
    flows, losses = now.solution.flows_m3_s, now.losses_m()
    verdicts = drain_verdicts(system.drains, safety.checks, now=True) if safety is not None else {}
    drains = shown_drains(system.drains, now.network, system.units, verdicts)
    shown = Shown(now.network, system.units, flows, losses, by_mode=flows_by_mode(system), drains=drains)
    if report is None:
        return shown
    gone = {
        (name, index)
        for name, plan in report.plan.runs.items()
        if system.network.runs[name].is_plumbed
        for index in _places(now.network.runs[name].parts, plan.removed)
    }
    tees = frozenset(name for name, tee in report.plan.tees.items() if tee.removed)
    return replace(shown, gone=frozenset(gone), gone_tees=tees)


def shown_after(facts: ReportFacts) -> Shown:
    """Return the plumbing as the plan leaves it for the schematic, what is new marked, valves with their setting."""
    plan, network = facts.report.plan, as_built(facts.after.network, facts.taken)
    new = {(name, i) for name, run in network.runs.items() for i, part in enumerate(run.parts) if not part.existing}
    system, safety = facts.report.system, facts.report.verification.safety
    verdicts = drain_verdicts(system.drains, safety.checks, now=False) if safety is not None else {}
    return Shown(
        network,
        facts.units,
        facts.after.solution.flows_m3_s,
        facts.after.losses_m(),
        facts.now.solution.flows_m3_s,
        {(valve.run, valve.part_index): valve.words for valve in facts.report.verification.valves},
        new=frozenset(new),
        new_tees=frozenset(name for name, tee in plan.tees.items() if tee.purchases),
        before_doubt=facts.now.solution.doubt,
        probes=tuple(probe_runs(facts.report.leaks)),
        by_mode=facts.by_mode,
        drains=shown_drains(system.drains, network, facts.units, verdicts),
    )


def as_built(network: Network, taken: TakeOff | None) -> Network:
    """Return a planned plumbing with all pipe as long as it shows when the work is done, as the cut list has it."""
    if taken is None:
        return network
    from optimizer.takeoff.fit import fitted

    fits = taken.cuts.fits
    runs = {
        name: replace(run, parts=fitted(run.parts, fits[name])) for name, run in network.runs.items() if name in fits
    }
    return network.with_runs(runs)


def _places(parts: Sequence[Part], removed: Iterable[Part]) -> list[int]:
    """Return where the removed parts stood; a part knows its place in the file, so like parts are told apart."""
    places: list[int] = []
    for part in removed:
        found = next((i for i, one in enumerate(parts) if one == part and i not in places), None)
        if found is not None:
            places.append(found)
    return places


def wanted_paths(system: System, state: Solved) -> tuple[tuple[str, ...], ...]:
    """Return the paths of the water through the runs that something was asked of, or through all when nothing was."""
    from optimizer.hydraulics.head_line import path_through

    paths: dict[tuple[str, ...], None] = {}
    for name in dict.fromkeys(target.run for target in system.targets) or state.network.runs:
        try:
            paths[path_through(state.network, state.solution, name)] = None
        except NetworkError:
            continue  # no water flows there: it has no path
    return tuple(paths)


def line_along(state: Solved, path: Sequence[str]) -> tuple[HeadPoint, ...]:
    """Return the head line of a path, or nothing where no water flows along all of it."""
    from optimizer.hydraulics.head_line import head_line

    try:
        return head_line(state.network, state.solution, path)
    except NetworkError:
        return ()
