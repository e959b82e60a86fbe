"""Published least-cost pipe networks as sizing problems of the project; each data file names its source."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from sizing.networks import NetworkSizing, PipeSize, SizingPipe, SizingPoint

from optimizer.hydraulics.friction import HazenWilliams

DATA = Path(__file__).parent / "data"


def published(name: str) -> tuple[NetworkSizing, dict[str, int]]:
    """Return a published network and the best design on record for it, as size indices."""
    data = json.loads((DATA / f"{name}.json").read_text(encoding="utf-8"))
    law = data["friction"]
    pipes = {pipe["id"]: _pipe(pipe, data) for pipe in data["pipes"]}
    points = {node["id"]: _point(node) for node in data["nodes"]}
    exponents = law["exponents"]
    sizing = NetworkSizing(
        points,
        pipes,
        HazenWilliams(
            constant=law["constant"], flow_exponent=exponents["flow"], diameter_exponent=exponents["diameter"]
        ),
    )
    bores = [size["d"] for size in data["diameters"]]
    best = {pipe: bores.index(bore) for pipe, bore in data["best_known"]["diameters_by_pipe"].items()}
    return sizing, best


def _point(node: dict[str, Any]) -> SizingPoint:
    if "fixed_head" in node:
        return SizingPoint(node["id"], fixed_head_m=node["fixed_head"])
    return SizingPoint(node["id"], demand_m3_s=node["demand"], least_head_m=node["min_head"])


def _pipe(pipe: dict[str, Any], data: dict[str, Any]) -> SizingPipe:
    new_c = data.get("new_pipe_C", pipe["C"])
    sizes = tuple(PipeSize(size["d"], 100.0 * size["unit_cost"], new_c) for size in data["diameters"])
    existing = PipeSize(pipe["existing_diameter"], 0.0, pipe["C"]) if "existing_diameter" in pipe else None
    return SizingPipe(pipe["id"], pipe["from"], pipe["to"], pipe["length"], sizes, existing)
