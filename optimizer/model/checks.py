"""What is checked of a plumbing, by the names that the owner may accept it under."""

from __future__ import annotations

from enum import StrEnum


class Check(StrEnum):
    """What is checked of a plumbing. The value is the word of the system file for it, under `accept`."""

    MAIN_DRAIN = "main drain"
    EMERGENCY_DRAIN = "emergency drain"
    GRAVITY_LINES = "gravity lines"
    FREEBOARD = "freeboard"
    DRAIN_BACK = "drain-back"
    PUMP_RESERVE = "pump reserve"
    RUNS_DRY = "tank that runs dry"
    PRESSURE = "pressure"
    DEAD_HEAD = "dead-headed pump"
    SPEED = "speed"  # told, and never unsafe


AS_IT_IS = tuple(check for check in Check if check is not Check.SPEED)  # what may be accepted
