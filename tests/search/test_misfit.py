"""What does not fit between two held ends is no plan: a bend stays where it is unless something lets it move."""

from __future__ import annotations

from pathlib import Path

import pytest
from said import said

from optimizer import pipeline
from optimizer.model.catalog import Catalog
from optimizer.model.network import Condition
from optimizer.model.plan import Plan
from optimizer.model.system import System
from optimizer.search.checks import Misfit, misfits, with_straights_kept

END = "pipe 2 ft, 3/4 in bulkhead"


def system_text(
    end: str = END, gap: str = "1/2 in", rules: str = "", suction: str = "1 in bulkhead, 1 in pipe 4 in"
) -> str:
    """Return a line between two walls with two bends on a piece of pipe that shows `gap`; invented."""
    return f"""
system: Hard-piped line between two walls
units: US
surfaces: {{sump: 0 ft, display: 4 ft}}
pumps:
  return:
    curve: [0 gal/h at 14 ft, 500 gal/h at 12.5 ft, 1000 gal/h at 9 ft, 1500 gal/h at 0 ft]
    ports: {{in: 1 in NPT female, out: 1 in NPT male}}
runs:
  line:
    from: sump
    to: display
    size: 3/4 in sch 40 PVC
    parts: [{suction}, adapter 1 in socket x 1 in NPT male, pump return,
      adapter 1 in NPT female x 1 in socket, bushing to 3/4 in, pipe 4 in, union, pipe 6 in, elbow, pipe 3 ft, elbow,
      pipe {gap}, elbow, {end}]
targets: {{line: at least 1000 gal/h}}
rules: {{sizes: [3/4 in, 1 in, 1-1/4 in]{rules}}}
"""


def searched(folder: Path, text: str) -> tuple[System, Catalog, Plan]:
    file = folder / "line.yaml"
    file.write_text(text, encoding="utf-8")
    system, catalog = pipeline.read(file)
    return system, catalog, pipeline.search(system, catalog)


@pytest.mark.long
def test_a_straight_that_is_too_long_between_two_walls_is_refused_and_says_what_helps(tmp_path: Path) -> None:
    # two wider elbows take up more than the half inch of pipe between them can give: the catalog has their take-outs
    _, _, plan = searched(tmp_path, system_text())

    assert not plan.found
    told = said(plan.reasons)[0]
    assert "does not fit" in told
    assert "both sides are held" in told
    assert "bend pipe to fit" in told


@pytest.mark.long
@pytest.mark.parametrize(
    "lets", ["free end", "bent", *(pytest.param(one, marks=pytest.mark.slow) for one in ("hung suction", "room"))]
)
def test_what_lets_it_in_makes_it_a_plan(lets: str, tmp_path: Path) -> None:
    text = {
        "free end": system_text(end="pipe 2 ft"),
        "hung suction": system_text(suction="1 in pipe 3 in"),
        "bent": system_text(rules=", bend pipe to fit: yes"),
        "room": system_text(gap="5 in"),
    }[lets]
    system, catalog, plan = searched(tmp_path, text)

    assert plan.found
    assert misfits(system, plan, catalog) == ()


def test_a_plan_for_bent_pipe_does_not_fit_where_none_may_bend(tmp_path: Path) -> None:
    _, catalog, plan = searched(tmp_path, system_text(rules=", bend pipe to fit: yes"))
    stiff, _ = pipeline.read(_written(tmp_path, system_text()))
    found = misfits(stiff, plan, catalog)

    assert [(one.run, one.straight) for one in found] == [("line", 4)]
    assert found[0].off_m > 0.010


def test_what_is_kept_are_the_straight_and_the_bends_at_its_ends(tmp_path: Path) -> None:
    system, _ = pipeline.read(_written(tmp_path, system_text()))
    parts = system.network.runs["line"].parts
    bends = [i for i, part in enumerate(parts) if part.kind.value == "elbow"]
    kept = with_straights_kept(system, (Misfit("line", 4, 0.02),)).network.runs["line"].parts

    stays = [i for i, (old, new) in enumerate(zip(parts, kept, strict=True)) if new.condition is not old.condition]
    assert stays == [bends[1], bends[1] + 1, bends[2]]
    assert all(kept[i].condition is Condition.KEEP for i in stays)


def _written(folder: Path, text: str) -> Path:
    file = folder / "line.yaml"
    file.write_text(text, encoding="utf-8")
    return file
