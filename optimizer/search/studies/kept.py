"""A system → the same with its pipe and fittings kept: what is left to a plan is how it is set."""

from __future__ import annotations

from dataclasses import replace

from optimizer.model.catalog import Kind
from optimizer.model.network import Condition, Run
from optimizer.model.system import System


def pipe_kept(system: System, but: frozenset[Kind] = frozenset()) -> System:
    """Return the system with all parts kept but what must go, is not connected yet, or is of these kinds."""

    def kept(run: Run) -> Run:
        may = (Condition.MAY_CHANGE,)
        return replace(
            run,
            parts=tuple(
                replace(part, condition=Condition.KEEP)
                if part.condition in may and part.kind not in but | {Kind.OPEN_JOINT}
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
