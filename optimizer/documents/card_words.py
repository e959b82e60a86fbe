"""What a settings card says of emergencies, for the workbook and the page (common practice, no source)."""

from __future__ import annotations

from collections.abc import Iterator

from optimizer.model.circuits import fed_surfaces
from optimizer.model.network import PointKind
from optimizer.model.system import System


def emergency_lines(system: System) -> Iterator[str]:
    """Yield what to do first when something goes wrong: of drains, house water and pumps only where there are any."""
    network = system.network
    yield "Water on the floor: cut the power at the breaker before you touch anything wet. Breaker: __________________"
    lifted = bool(network.pumps) and bool(fed_surfaces(network))
    if lifted:
        yield "Then close the valve after the pump and see that the sump holds what drains back."
    if any(point.kind is PointKind.SUPPLY for point in network.points.values()):
        yield "House water runs on: shut its stop valve. Where it is: ____________________"
    if lifted:
        yield (
            "The emergency drain runs: the main drain is blocked. Pump to its lowest safe speed or off, then clear the "
            "drain."
        )
    if network.pumps:
        yield "The pump hums and nothing flows: switch it off. It is dead-headed or dry, and overheats."
        yield "Power out for long: air the water by a battery pump. When power is back, watch the first start."
    yield "Plumber ____________________   Electrician ____________________   Key holder ____________________"
