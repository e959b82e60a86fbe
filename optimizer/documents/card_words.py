"""What a settings card says of emergencies, for the workbook and the page (common practice, no source)."""

from __future__ import annotations

EMERGENCY = (
    "Water on the floor: cut the power at the breaker before you touch anything wet. Breaker: ____________________",
    "Then close the valve after the pump and see that the sump holds what drains back.",
    "The emergency drain runs: the main drain is blocked. Pump to its lowest safe speed or off, then clear the drain.",
    "The pump hums and nothing flows: switch it off. It is dead-headed or dry, and overheats.",
    "Power out for long: air the water by a battery pump. When power is back, watch the first start.",
    "Plumber ____________________   Electrician ____________________   Key holder ____________________",
)
