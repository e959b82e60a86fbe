"""How deep a return opens: at the water line itself is a depth, above it is none."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from optimizer.errors import InputError
from optimizer.model.tanks import Tank
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system

EXAMPLE = Path(__file__).parents[2] / "examples" / "cellar-sump.yaml"


def display(tmp_path: Path, depth: str) -> Tank:
    path = tmp_path / "system.yaml"
    text = EXAMPLE.read_text(encoding="utf-8")
    path.write_text(re.sub(r"return outlet depth: 1 in", f"return outlet depth: {depth}", text), encoding="utf-8")
    return next(tank for tank in load_system(path, load_catalog()).tanks if tank.name == "display")


def test_a_return_may_open_at_the_water_line_itself(tmp_path: Path) -> None:
    at_the_line, below = display(tmp_path, "0 in"), display(tmp_path, "1 in")

    assert at_the_line.opening_depth_m == 0.0
    assert below.opening_depth_m == pytest.approx(0.0254)


def test_a_depth_above_the_water_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="found '-1 in'; allowed: a depth of 0 or more"):
        display(tmp_path, "-1 in")
