"""Examples of what to type, as they stand in the forms → the same for whoever measures in meters and liters."""

from __future__ import annotations

import re
from collections.abc import Mapping

from optimizer.model.system import System
from optimizer.units import US

_TWINS: Mapping[str, str] = {
    "1-1/2 in sch 40 PVC": "50 mm PVC-U PN16",
    "1 in sch 40 PVC": "32 mm PVC-U PN16",
    "3/4 in sch 40 PVC": "25 mm PVC-U PN16",
    "4 ft 7 in": "1.4 m",
    "8 ft2": "0.75 m2",
    "12 ft": "3.6 m",
    "8 ft": "2.4 m",
    "4 ft": "1.2 m",
    "2.1 ft": "0.6 m",
    "2 ft": "0.6 m",
    "0 ft": "0 m",
    "48 in": "1200 mm",
    "36 in": "900 mm",
    "30 in": "750 mm",
    "24 in": "600 mm",
    "18 in": "450 mm",
    "14 in": "350 mm",
    "12 in": "300 mm",
    "8 in": "200 mm",
    "6 in": "150 mm",
    "4 in": "100 mm",
    "1-1/2 in": "40 mm",
    "1-1/4 in": "32 mm",
    "1 in": "25 mm",
    "3/4 in": "25 mm",
    "1/2 in": "12 mm",
    "1300 gph": "5000 L/h",
    "1200 gph": "4500 L/h",
    "700 gph": "2600 L/h",
    "600 gph": "2200 L/h",
    "250 to 350 gph": "900 to 1300 L/h",
    "350 gph": "1300 L/h",
    "420 gph": "1600 L/h",
    "400 gph": "1500 L/h",
    "300 gph": "1100 L/h",
    "200 gph": "750 L/h",
    "150 gph": "550 L/h",
    "0 gph": "0 L/h",
    "24 gal": "90 L",
    "6 gal": "25 L",
    "5 gal": "20 L",
    "2.5 gal": "10 L",
    "2 gal": "8 L",
    "1.5 gal": "6 L",
    "0.5 gal": "2 L",
    "60 psi": "4 bar",
    "30 psi": "2 bar",
    "77 degF": "25 degC",
    "5 ft/s": "1.5 m/s",
}
_NO_PART = r"(?<![\w./-]){}(?![\w/]| (?:NPT|BSPP|BSPT))"  # threads are told in inches everywhere
_LONGEST_FIRST = "|".join(re.escape(one) for one in sorted(_TWINS, key=len, reverse=True))
_FOUND = re.compile(_NO_PART.format(f"(?:{_LONGEST_FIRST})"))


def example_for(words: str, system: System | None) -> str:
    """Return an example of what to type in the units of a file; as it is where nothing is known of them."""
    return words if system is None or system.units == US else metric_example(words)


def metric_example(words: str) -> str:
    """Return an example with every amount of it as somebody would type it who measures in meters and liters."""
    return _FOUND.sub(lambda found: _TWINS[found[0]], words)
