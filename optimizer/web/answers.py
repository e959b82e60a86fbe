"""A system → what the views show of it, each worked out when it is first asked for and then kept."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, TypeVar, cast

from optimizer import pipeline
from optimizer.documents.report_facts import Solved, solved
from optimizer.model.system import System
from optimizer.wording.notes import notes_words

if TYPE_CHECKING:
    from optimizer.hydraulics.calibration import CalibrationReport
    from optimizer.hydraulics.losses import PartLoss
    from optimizer.hydraulics.uncertainty import Uncertainty
    from optimizer.model.catalog import Catalog
    from optimizer.model.safety import SafetyReport
    from optimizer.verify.floor import FloorFacts

T = TypeVar("T")


class Answers:
    """What is known of a system. NetworkError, from whatever needs flows, where its plumbing has no solution."""

    def __init__(self, system: System, catalog: Catalog) -> None:
        self.system = system
        self.catalog = catalog
        self._lock = threading.RLock()
        self._kept: dict[object, Any] = {}

    def mode(self, wanted: str) -> tuple[str, System]:
        """Return a mode by its name, the first one where there is none of that name."""
        modes = self.system.ways_to_run
        return next((one for one in modes if one[0] == wanted), modes[0])

    def solved(self, mode: str, gains: bool = False) -> Solved:
        """Return flows and losses in a mode; with `gains` what each run would carry without each of its losses."""
        name, at = self.mode(mode)
        return self._once(("solved", name, gains), lambda: solved(at.network, gains))

    def band(self, mode: str) -> Mapping[str, tuple[float, float]]:
        """Return (low, high) of the flow in every run [m³/s]."""
        return self._drawn(mode).band_m3_s

    def _drawn(self, mode: str) -> Uncertainty:
        name, at = self.mode(mode)
        return self._once(("drawn", name), lambda: pipeline.flow_draws(at))

    def notes(self, mode: str) -> tuple[str, ...]:
        """Return what is to be said of the flows in a mode: how surely targets are met, odd pumps, other states."""
        from optimizer.hydraulics.steady import state_notes

        name, at = self.mode(mode)

        def told() -> tuple[str, ...]:
            solution = self.solved(name).solution
            states = state_notes(solution.flows_m3_s, pipeline.other_states(at, solution))
            chance = pipeline.chance_today(at, self._drawn(name))
            found = (*solution.warnings, *chance, *pipeline.barely_lifting(at, solution), *states)
            return notes_words(found, at.units)

        return self._once(("notes", name), told)

    def losses(self, mode: str) -> tuple[PartLoss, ...]:
        return self.solved(mode, gains=True).losses

    def safety(self) -> SafetyReport:
        return self._once("safety", lambda: pipeline.safety(self.system))

    def unsafe(self) -> tuple[str, ...]:
        """Return what is unsafe already as the plumbing stands, in words."""
        return notes_words(self.safety().today, self.system.units)

    def floor(self, mode: str) -> FloorFacts:
        """Return mishaps, safe ranges of pumps and weak joints of the plumbing as it stands."""
        name, at = self.mode(mode)
        return self._once(("floor", name), lambda: pipeline.floor(at, self.safety()))

    def calibration(self) -> CalibrationReport:
        """Return what explains the readings; NetworkError without any."""
        return self._once("calibration", lambda: pipeline.calibrate(self.system))

    def _once(self, key: object, work: Callable[[], T]) -> T:
        with self._lock:
            if key not in self._kept:
                self._kept[key] = work()
            return cast(T, self._kept[key])
