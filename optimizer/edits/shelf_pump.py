"""A pump of the catalogs → what a system file says of it."""

from __future__ import annotations

from typing import Any

from optimizer.errors import EditError
from optimizer.model.catalog import Catalog
from optimizer.model.network import Mounting, Pump
from optimizer.units import M3_PER_GALLON, M3_PER_LITRE, METRES_PER_FOOT, SECONDS_PER_HOUR, US


def pump_of_shelf(item_id: str, catalog: Catalog, units: str) -> dict[str, Any]:
    """Return the value of a pump under `pumps`: curve, ports, speeds, power and mounting.

    Parameters
    ----------
    item_id
        A row of kind pump, as `catalog.pumps` names it.
    catalog
        Where it is looked up.
    units
        "US": the curve in gph and ft, else in L/h and m; figures to four places, so that it says the catalog's curve.

    Raises
    ------
    EditError
        When the catalog has no such pump.
    """
    if item_id not in catalog.pumps:
        raise EditError(f"found the pump '{item_id}'; allowed: {', '.join(catalog.pumps)}")
    pump = catalog.pumps[item_id]
    value: dict[str, Any] = {"curve": [_point(flow, head, units) for flow, head in pump.curve], "ports": _ports(pump)}
    if len(pump.speeds) > 1:
        value["speeds"] = [_percent(speed) for speed in pump.speeds]
    if pump.power_w is not None:
        value["power"] = f"{pump.power_w:.4g} W"
    if pump.mounting is not Mounting.IN_WATER:
        value["mounting"] = str(pump.mounting)
    return value


def _point(flow_m3_s: float, head_m: float, units: str) -> str:
    an_hour = flow_m3_s * SECONDS_PER_HOUR
    if units == US:
        return f"{_figures(an_hour / M3_PER_GALLON)} gph at {_figures(head_m / METRES_PER_FOOT)} ft"
    return f"{_figures(an_hour / M3_PER_LITRE)} L/h at {_figures(head_m)} m"


def _figures(number: float) -> str:
    """Return a number to four places at the least, without an exponent."""
    return f"{number:.0f}" if number >= 1000 else f"{number:.4g}"


def _ports(pump: Pump) -> Any:
    inlet, outlet = pump.ports
    return str(inlet) if inlet == outlet else {"in": str(inlet), "out": str(outlet)}


def _percent(share: float) -> str:
    return f"{100 * share:.4g} %"
