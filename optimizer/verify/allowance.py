"""How much water tanks, drains and sump can take → whether flows may be set so high, and how much pipe may hold."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from optimizer.hydraulics import solve_network
from optimizer.hydraulics.weirs import weir_flow_m3_s
from optimizer.model.network import Network
from optimizer.model.safety import DrainMode, Tank
from optimizer.model.system import System
from optimizer.verify.drain_back import FREEBOARD, PIPE, drain_back, fed_surfaces, inflow_m3_s, pump_sources_of
from optimizer.verify.drains import together_m3_s


def flow_limits_m3_s(system: System, network: Network) -> dict[str, float]:
    """Return the most that drains and rim let run into each tank [m³/s]; tanks that state neither are left out."""
    limits: dict[str, float] = {}
    stated = {tank.name: tank for tank in system.tanks}
    for name in fed_surfaces(network):
        own = [drain for drain in system.drains if drain.tank == name]
        groups = (
            [drain for drain in own if drain.mode is not DrainMode.EMERGENCY],
            [drain for drain in own if drain.mode is DrainMode.EMERGENCY],
        )
        found = [together_m3_s(group, network.water) for group in groups if group]
        found.append(_over_edge_m3_s(stated.get(name, Tank(name))))
        known = [flow for flow in found if flow is not None]
        if known:
            limits[name] = min(known)
    return limits


def _over_edge_m3_s(tank: Tank) -> float | None:
    if tank.overflow_edge_m is None or tank.rim_m is None:
        return None
    return weir_flow_m3_s(tank.overflow_edge_m, tank.rim_m)


def may_flow(system: System, network: Network) -> Callable[[Mapping[str, float]], bool]:
    """Return a test of flows [m³/s by run]: do drains, rim and sump take what would run in this plumbing?

    What is not stated limits nothing here; it is reported as not checked elsewhere.
    """
    limits = flow_limits_m3_s(system, network)
    stated = {tank.name: tank for tank in system.tanks}
    room_m3 = sump_room_m3(system, network)

    def takes(flows_m3_s: Mapping[str, float]) -> bool:
        for name, most in limits.items():
            if inflow_m3_s(network, flows_m3_s, stated.get(name, Tank(name))) > most:
                return False
        if room_m3 is None:
            return True
        return drain_back(network, flows_m3_s, system.tanks, system.drains).total_m3 <= room_m3

    return takes


def sump_room_m3(system: System, network: Network) -> float | None:
    """Return what may run back into all sumps together [m³], with the usual freeboard; None where one states none."""
    free = volume_of_sumps(system, network, "free_volume_m3")
    return None if free is None else free / FREEBOARD


def volume_of_sumps(system: System, network: Network, what: str) -> float | None:
    """Return a volume that the sumps state, added up [m³]; None when one of them does not state it."""
    stated = {tank.name: tank for tank in system.tanks}
    values = [getattr(stated.get(name, Tank(name)), what) for name in pump_sources_of(network)]
    return None if not values or None in values else float(sum(values))


def most_pipe_volume_m3(system: System, flows_m3_s: Mapping[str, float]) -> float | None:
    """Return the most water that the pumped runs may hold [m³] at flows; None where too little is stated to tell.

    What runs back must fit into the sump with its freeboard, and what the pump takes before it is back must not empty
    it. Where it is too much already, the work may at least not add to it.
    """
    network = system.network
    now = drain_back(network, solve_network(network).flows_m3_s, system.tanks, system.drains)
    then = drain_back(network, flows_m3_s, system.tanks, system.drains)
    pipe_m3 = then.volumes_m3.get(PIPE, 0.0)
    room, reserve = sump_room_m3(system, network), volume_of_sumps(system, network, "reserve_m3")
    gathers = [tank.start_volume_m3 for tank in system.tanks if tank.name in fed_surfaces(network)]
    limits = []
    if room is not None:
        limits.append(max(room, now.total_m3))
    if reserve is not None and gathers and None not in gathers:
        limits.append(now.total_m3 + max(0.0, reserve - sum(volume for volume in gathers if volume is not None)))
    return min(limits) - (then.total_m3 - pipe_m3) if limits else None
