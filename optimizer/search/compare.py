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
from optimizer.search.cheapest import find_plan
from optimizer.verify.settings import PathLosses

CUT_WEIGHT_CENTS = 1_000_000  # so dear that a cut is made only where nothing else serves


@dataclass(frozen=True, slots=True)
class KindOfPlan:
    """One way to go about it.

    `plan` is None where no plan of this kind reaches the targets; `reach` as in the frontier.
    """

    words: str
    plan: Plan | None
    reach: float


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
    yield _kind("the cheapest", system, catalog)
    yield _kind("the fewest saw cuts", replace(system, rules=replace(rules, cents_per_cut=CUT_WEIGHT_CENTS)), catalog)
    yield _kind("no other pipe size", replace(system, rules=replace(rules, resize=False)), catalog)
    yield _kind("only the pump set or changed", _pipe_kept(system), catalog)
    yield KindOfPlan("nothing at all", None, present_reach(system))


def _kind(words: str, system: System, catalog: Catalog) -> KindOfPlan:
    found = find_plan(system, catalog)
    if not found.plan.found:
        return KindOfPlan(words, None, 0.0)
    planned = planned_network(found.options.system.network, found.plan)
    reach = PathLosses(planned, found.flows, conditions_of(planned)).reach()
    return KindOfPlan(words, found.plan, reach)


def _pipe_kept(system: System) -> System:
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
