"""The whole chain once, for the command line, the page and the library."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.errors import NoPlanError, PlanError
from optimizer.model.catalog import Catalog
from optimizer.model.system import System

if TYPE_CHECKING:
    from optimizer.hydraulics.loss_table import PartLoss
    from optimizer.hydraulics.network import NetworkSolution
    from optimizer.model.outcome import PlanReport


def read(path: Path, catalogs: Sequence[Path] = ()) -> tuple[System, Catalog]:
    """Read a system file and the catalogs, a user's own over the shipped ones; InputError carries every fault."""
    from optimizer.read.catalogs import load_catalog
    from optimizer.read.systems import load_system

    catalog = load_catalog(catalogs)
    return load_system(path, catalog), catalog


def flows(system: System) -> NetworkSolution:
    """Return what flows where in the plumbing as it stands."""
    from optimizer.hydraulics import solve_network

    return solve_network(system.network)


def losses(system: System) -> tuple[NetworkSolution, tuple[PartLoss, ...]]:
    """Return the flows and every part's loss, the largest first, with the flow that would be gained without it."""
    from optimizer.hydraulics import loss_table, solve_network

    solution = solve_network(system.network)
    return solution, loss_table(system.network, solution)


def plan(system: System, catalog: Catalog, *, solver: str | None = None, time_limit_s: float = 60.0) -> PlanReport:
    """Return the cheapest plan, checked and priced. A plan that fails its check does not leave here.

    Raises
    ------
    NoPlanError
        When no plan reaches the targets: the reasons say what blocks and how far one could get.
    PlanError
        When the targets can not be posed, or the plan fails its check by the network.
    """
    from optimizer.hydraulics import solve_network
    from optimizer.model.outcome import PlanReport
    from optimizer.model.plan import Status
    from optimizer.search.cheapest import find_plan
    from optimizer.takeoff import bill_of
    from optimizer.verify.check import verify_plan

    found = find_plan(system, catalog, solver=solver, time_limit_s=time_limit_s).plan
    if not found.found:
        raise NoPlanError(found.reasons, proved=found.status is Status.INFEASIBLE)
    before = solve_network(system.network).flows_m3_s
    verification = verify_plan(system, found)
    if not verification.passed:
        raise PlanError("the plan failed its check by the network: " + "; ".join(verification.failures))
    return PlanReport(system, found, verification, bill_of(system, found), before)
