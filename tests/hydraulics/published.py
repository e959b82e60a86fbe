"""The published cases of tests/reference/worked-examples.json, by id, and the units their sources use."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest

FOOT_M = 0.3048
INCH_M = 0.0254
US_GALLON_M3 = 3.785411784e-3
GPM_M3_S = US_GALLON_M3 / 60.0
CUBIC_FOOT_M3 = FOOT_M**3
POUND_KG = 0.45359237
PSI_PA = 6894.757293168
FT2_S_M2_S = FOOT_M**2


@cache
def _cases() -> dict[str, dict[str, Any]]:
    path = Path(__file__).parents[1] / "reference" / "worked-examples.json"
    return {case["id"]: case for case in json.loads(path.read_text(encoding="utf-8"))["cases"]}


def inputs(case: str) -> dict[str, Any]:
    return dict(_cases()[case]["inputs"])


def expected(case: str, quantity: str) -> Any:
    """Return the printed value of a case with its stated tolerance."""
    for line in _cases()[case]["expected"]:
        if line["quantity"] == quantity:
            if "tolerance_abs" in line:
                return pytest.approx(line["value"], abs=line["tolerance_abs"])
            return pytest.approx(line["value"], rel=line["tolerance_rel"])
    raise KeyError(quantity)


def quantities(case: str) -> list[str]:
    return [line["quantity"] for line in _cases()[case]["expected"]]


def all_cases() -> list[str]:
    return list(_cases())
