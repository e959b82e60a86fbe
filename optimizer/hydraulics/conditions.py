"""Under what conditions a loss is asked for: the water, the devices on the way, which bore and roughness to believe."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from optimizer.hydraulics.friction import HazenWilliams
from optimizer.hydraulics.water import Fluid, fluid_of
from optimizer.model.network import Device, Network


@dataclass(frozen=True)
class Conditions:
    """What every loss of one calculation has in common.

    `loss_factor` multiplies every loss of pipes, fittings, valves, tees and devices (1 is as published);
    `extra_roughness_m` is growth on the pipe wall; `hazen_williams` replaces Darcy-Weisbach where a code asks for it.
    """

    fluid: Fluid
    devices: Mapping[str, Device]
    bore: Literal["average", "minimum wall"] = "average"
    loss_factor: float = 1.0
    extra_roughness_m: float = 0.0
    hazen_williams: HazenWilliams | None = None


def conditions_of(network: Network, **overrides: Any) -> Conditions:
    """Return the conditions of a network's own water, devices, pipe walls and loss factor; keywords replace fields."""
    fields: dict[str, Any] = {
        "fluid": fluid_of(network.water),
        "devices": network.devices,
        "loss_factor": network.loss_factor,
        "extra_roughness_m": network.extra_roughness_m,
    }
    return Conditions(**{**fields, **overrides})
