"""A plan → whether its changed stretches can be put together: see `joints.closing`."""

from __future__ import annotations

from dataclasses import replace

from optimizer.joints.closing import Assembly, assembly
from optimizer.model.network import Network, Run
from optimizer.model.note import Note, note
from optimizer.model.plan import Plan, Verification, planned_network
from optimizer.model.system import System


def assembly_of(system: System, plan: Plan) -> Assembly:
    """Return how a plan is put together; its network is the one that it was made for."""
    stood = plan.stands or system.network
    return assembly(stood, planned_network(system.network, plan), bend=system.rules.bend_to_fit)


def with_assembly(system: System, plan: Plan, found: Verification) -> Verification:
    """Return a verification that fails by every joint that nothing lets close as well."""
    planned = planned_network(system.network, plan)
    stuck = assembly_of(system, plan).stuck
    if not stuck:
        return found
    told = tuple(_stuck(planned, run, joint) for run, joint in stuck)
    return replace(found, passed=False, failures=(*found.failures, *dict.fromkeys(told)))


def _stuck(network: Network, name: str, joint: int) -> Note:
    run = network.runs[name]
    return note("nothing lets it close", run=name, first=_beside(run, joint - 1), last=_beside(run, joint))


def _beside(run: Run, index: int) -> str:
    if 0 <= index < len(run.parts):
        return f"the {run.parts[index].words}"
    return f"the tee at {(run.start if index < 0 else run.end).point}"
