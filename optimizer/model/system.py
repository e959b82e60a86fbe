"""A system file as a value: the plumbing, what the owner wants of it, and the rules the plan must keep."""

from __future__ import annotations

from dataclasses import dataclass, field

from optimizer.model.calibration import Calibration, Measurement
from optimizer.model.network import Network


@dataclass(frozen=True, slots=True)
class Target:
    """What a run must carry [m³/s]. `high_m3_s` None: no upper limit; `low_m3_s` 0: any flow will do."""

    run: str
    low_m3_s: float
    high_m3_s: float | None = None
    place: str = ""


@dataclass(frozen=True, slots=True)
class Rules:
    """What the plan may do. Sizes are nominal names, as the catalog writes them."""

    sizes: tuple[str, ...] = ()  # empty: the run's own size and up to three larger ones
    velocity_limit_m_s: float = 1.524  # 5 ft/s in new pressurised pipe: common practice, no source
    allow_unsafe_metals: bool = False
    keep_services: bool = True  # a separable joint on each side of every pump and device
    resize: bool = True  # other sizes than a run's own may be bought
    labour_cents_per_hour: int = 0
    cents_per_cut: int = 0  # steers the choice away from saw cuts; not money spent
    electricity_cents_per_kwh: float = 0.0
    horizon_h: float = 0.0  # hours of running that electricity is counted for
    other_pumps: bool = False  # a pump of the catalogs may take the place of the owner's


@dataclass(frozen=True)
class System:
    """The network has the factors of `calibration` in it already; `measured` is what they were found from."""

    name: str
    units: str  # "US" or "metric": how results are shown
    currency: str
    network: Network
    targets: tuple[Target, ...] = ()
    rules: Rules = field(default_factory=Rules)
    path: str = ""
    note: str = ""
    measured: tuple[Measurement, ...] = ()
    calibration: Calibration | None = None
