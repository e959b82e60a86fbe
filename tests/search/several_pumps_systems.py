"""Small systems with two pumps, written as an owner would. Invented."""

from __future__ import annotations

from unknown_systems import _read as load
from unknown_systems import catalog

from optimizer.model.system import System

_PUMPS = """
system: Two pumps
units: metric
surfaces: {sump: 0 m, display: 1.6 m, refuge: 0.9 m}
pumps:
  first:
    curve: [0 L/h at 3.0 m, 1200 L/h at 2.5 m, 2400 L/h at 1.5 m, 3600 L/h at 0 m]
    ports: 3/4 in NPT male
    speed: 90 %
    speeds: [80 %, 90 %, 100 %]
    power: 35 W
  second:
    curve: [0 L/h at 2.8 m, 1500 L/h at 2.3 m, 3000 L/h at 1.2 m, 4000 L/h at 0 m]
    ports: 3/4 in NPT male
    speeds: [80 %, 100 %]
    power: 45 W
"""
_BESIDE = """
runs:
  line 1: {from: sump, to: join, size: 3/4 in sch 40 PVC, parts: [pump first, adapter NPT female x socket, pipe 6 in, swing check valve, pipe 4 in]}
  line 2: {from: sump, to: join branch, size: 3/4 in sch 40 PVC, parts: [pump second, adapter NPT female x socket, pipe 1 ft, elbow, swing check valve, pipe 4 in]}
  return: {from: join, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 3 ft, elbow, ball valve, pipe 1 ft]}
"""  # noqa: E501
_ROW = """
runs:
  line:
    from: sump
    to: tee
    size: 3/4 in sch 40 PVC
    parts: [pump first, adapter NPT female x socket, pipe 8 in, adapter socket x NPT female, pump second, adapter NPT female x socket, pipe 2 ft]
  left: {from: tee, to: display, size: 3/4 in sch 40 PVC, parts: [pipe 3 ft, elbow, ball valve, pipe 1 ft]}
  right: {from: tee branch, to: refuge, size: 3/4 in sch 40 PVC, parts: [pipe 3 ft, ball valve, pipe 1 ft]}
"""  # noqa: E501


def beside(targets: str, rules: str = "sizes: [3/4 in, 1 in]") -> System:
    """Return two unlike pumps in lines of their own, with check valves, that join."""
    return load(_PUMPS.replace(", refuge: 0.9 m", "") + _BESIDE + f"targets: {{{targets}}}\nrules: {{{rules}}}\n")


def in_a_row(targets: str, rules: str = "sizes: [3/4 in, 1 in]") -> System:
    """Return two unlike pumps in one line that feeds two valved branches."""
    return load(_PUMPS + _ROW + f"targets: {{{targets}}}\nrules: {{{rules}}}\n")


__all__ = ["beside", "catalog", "in_a_row"]
