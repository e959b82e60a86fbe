"""Water, friction, minor losses, pumps, the steady network."""

from optimizer.hydraulics.compiled import CompiledNetwork, Variation, compile_network, run_elements
from optimizer.hydraulics.conditions import Conditions, conditions_of
from optimizer.hydraulics.devices import device_head_loss_m
from optimizer.hydraulics.elements import (
    LossElement,
    element_head_loss_m,
    element_of,
    part_head_loss_m,
    pipe_bore_m,
    valve_bore_m,
)
from optimizer.hydraulics.friction import HazenWilliams
from optimizer.hydraulics.handles import Handles
from optimizer.hydraulics.head_line import HeadPoint, head_line, path_through
from optimizer.hydraulics.losses import LossGroup, PartLoss, loss_table, losses_by_kind, losses_by_run
from optimizer.hydraulics.network import (
    NetworkSolution,
    solve_compiled,
    solve_flows,
    solve_flows_and_rates,
    solve_network,
)
from optimizer.hydraulics.openings import entrance_head_loss_m, exit_head_loss_m
from optimizer.hydraulics.pumps import past_curve, pump_head_m, pump_power_w
from optimizer.hydraulics.run_losses import RunLosses
from optimizer.hydraulics.tees import TeeRow, tee_head_losses_m
from optimizer.hydraulics.valves import valve_k, valve_opening, valve_words
from optimizer.hydraulics.water import GRAVITY_M_S2, Fluid, fluid_of

__all__ = [
    "GRAVITY_M_S2",
    "CompiledNetwork",
    "Conditions",
    "Fluid",
    "Handles",
    "HazenWilliams",
    "HeadPoint",
    "LossElement",
    "LossGroup",
    "NetworkSolution",
    "PartLoss",
    "RunLosses",
    "TeeRow",
    "Variation",
    "compile_network",
    "conditions_of",
    "device_head_loss_m",
    "element_head_loss_m",
    "element_of",
    "entrance_head_loss_m",
    "exit_head_loss_m",
    "fluid_of",
    "head_line",
    "loss_table",
    "losses_by_kind",
    "losses_by_run",
    "part_head_loss_m",
    "past_curve",
    "path_through",
    "pipe_bore_m",
    "pump_head_m",
    "pump_power_w",
    "run_elements",
    "solve_compiled",
    "solve_flows",
    "solve_flows_and_rates",
    "solve_network",
    "tee_head_losses_m",
    "valve_bore_m",
    "valve_k",
    "valve_opening",
    "valve_words",
]
