"""The cheapest plumbing changes that give every device of a recirculating aquarium its flow.

    system, catalog = optimizer.read_system("examples/cellar-sump.yaml")
    optimizer.flows(system)                             what flows where today
    optimizer.losses(system)                            which parts cost the most
    report = optimizer.plan(system, catalog)            the cheapest plan, checked and priced
    optimizer.write_workbook("parts.xlsx", report)      what to buy and what to cut

Nothing is loaded before it is used, so that `import optimizer` takes no time.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from optimizer.documents.payload import flow_json, losses_json, plan_json
    from optimizer.documents.workbook import write_workbook
    from optimizer.errors import (
        CatalogError,
        CheckError,
        DocumentError,
        Fault,
        InputError,
        NetworkError,
        NoPlanError,
        OptimizerError,
        PlanError,
        QuantityError,
        SolverError,
    )
    from optimizer.pipeline import flows, losses, plan
    from optimizer.pipeline import read as read_system

__version__ = "0.1.0"

_PLACES = {
    "read_system": ("optimizer.pipeline", "read"),  # `optimizer.read` is the package that reads
    **{name: ("optimizer.pipeline", name) for name in ("flows", "losses", "plan")},
    **{name: ("optimizer.documents.payload", name) for name in ("flow_json", "losses_json", "plan_json")},
    "write_workbook": ("optimizer.documents.workbook", "write_workbook"),
    **{
        name: ("optimizer.errors", name)
        for name in (
            *("CatalogError", "CheckError", "DocumentError", "Fault", "InputError", "NetworkError", "NoPlanError"),
            *("OptimizerError", "PlanError", "QuantityError", "SolverError"),
        )
    },
}

__all__ = [
    "CatalogError",
    "CheckError",
    "DocumentError",
    "Fault",
    "InputError",
    "NetworkError",
    "NoPlanError",
    "OptimizerError",
    "PlanError",
    "QuantityError",
    "SolverError",
    "flow_json",
    "flows",
    "losses",
    "losses_json",
    "plan",
    "plan_json",
    "read_system",
    "write_workbook",
]


def __getattr__(name: str) -> Any:
    """Load what is asked for by name, on first use."""
    if name not in _PLACES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module, attribute = _PLACES[name]
    value = getattr(import_module(module), attribute)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
