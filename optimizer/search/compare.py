"""Plans that differ in kind, side by side: the best, the fewest cuts, no other pipe size, pump only, nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from optimizer.choices.demands import known_flows
from optimizer.hydraulics import conditions_of
from optimizer.model.catalog import Catalog, Kind
from optimizer.model.network import Condition, Run
from optimizer.model.plan import Plan, planned_network
from optimizer.model.system import System
from optimizer.search.cheapest import Search, find_plan
from optimizer.search.few_cuts import fewest_cuts
from optimizer.verify.settings import PathLosses


@dataclass(frozen=True, slots=True)
class KindOfPlan:
    """One way to go about it.

    `plan` is None where no plan of this kind reaches the targets; `reach` as in the frontier. Not `settled`: the time
    was too short for the proof that there is none cheaper, or none at all.
    """

    words: str
    plan: Plan | None
    reach: float
    settled: bool = True


def kinds_of_plan(system: System, catalog: Catalog) -> tuple[KindOfPlan, ...]:
    """Return the best plan and the best ones of other kinds, and what the plumbing reaches as it is.

    Raises
    ------
    PlanError
        When the flows are not known beforehand (see `known_flows`).
    """
    return tuple(_kinds(system, catalog))


def _kinds(system: System, catalog: Catalog) -> Iterator[KindOfPlan]:
    rules = system.rules
    cheapest = find_plan(system, catalog)
    yield _kind("the cheapest", cheapest)
    yield _kind("the fewest saw cuts", fewest_cuts(system, catalog, cheapest) if cheapest.plan.found else cheapest)
    yield _kind("no other pipe size", find_plan(replace(system, rules=replace(rules, resize=False)), catalog))
    yield _kind("only the pump set or changed", find_plan(pipe_kept(system), catalog))
    yield KindOfPlan("nothing at all", None, present_reach(system))


def _kind(words: str, found: Search) -> KindOfPlan:
    if not found.plan.found:
        return KindOfPlan(words, None, 0.0)
    planned = planned_network(found.options.system.network, found.plan)
    reach = PathLosses(planned, found.flows, conditions_of(planned)).reach()
    return KindOfPlan(words, found.plan, reach)


def pipe_kept(system: System) -> System:
    """Return the system with all parts kept but what must go or is not plumbed yet."""

    def kept(run: Run) -> Run:
        may = (Condition.MAY_CHANGE,)
        return replace(
            run,
            parts=tuple(
                replace(part, condition=Condition.KEEP)
                if part.condition in may and part.kind is not Kind.OPEN_JOINT
                else part
                for part in run.parts
            ),
        )

    network = system.network
    tees = {
        name: replace(tee, condition=Condition.KEEP) if tee.condition is Condition.MAY_CHANGE else tee
        for name, tee in network.tees.items()
    }
    runs = {name: kept(run) for name, run in network.runs.items()}
    return replace(system, network=replace(network.with_runs(runs), tees=tees))


def present_reach(system: System) -> float:
    """Return what multiple of all least flows the plumbing holds as it stands, at its present speed."""
    flows = known_flows(system)
    return PathLosses(system.network, flows, conditions_of(system.network)).reach()
