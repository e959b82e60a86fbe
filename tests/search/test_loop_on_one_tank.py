"""A line that goes from a tank back into it, such as a chiller's: it is what it would be into another tank as high.

Both lift the water by nothing, so that what the pump gives goes into the parts alone. The systems are invented.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer import pipeline
from optimizer.hydraulics import solve_network
from optimizer.model.catalog import PIPES
from optimizer.model.plan import Status
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.search.question import Question
from optimizer.search.studies.sensible import sensible
from optimizer.search.watch import Watch

TEXT = """\
system: Chiller loop
units: US
surfaces: {{sump: 1 ft, display: 4 ft{other}}}
pumps:
  return: {{curve: [0 gph at 12 ft, 500 gph at 9 ft, 1000 gph at 0 ft], ports: 1 in NPT male}}
  chiller pump: {{curve: [0 gph at 10 ft, 400 gph at 6 ft, 700 gph at 0 ft], ports: 3/4 in NPT male}}
devices: {{chiller: {{loss: 3 ft at 400 gph, ports: 3/4 in barb}}}}
runs:
  riser: {{from: sump, to: display, size: 3/4 in sch 40 PVC, parts: [pump return,
    adapter 1 in NPT female x 1 in socket, bushing to 3/4 in, pipe 3 ft, elbow, pipe 2 ft, elbow, pipe 9 ft]}}
  chiller loop: {{from: sump, to: {end}, size: 3/4 in vinyl hose,
    parts: [pump chiller pump, adapter NPT female x barb, hose 3 ft, device chiller, hose 4 ft]}}
targets: {{riser: at least {riser} gph, chiller loop: at least {loop} gph}}
"""


def written(folder: Path, end: str, riser: int = 300, loop: int = 350) -> Path:
    other = "" if end == "sump" else f", {end}: 1 ft"
    path = folder / f"{end}.yaml"
    path.write_text(TEXT.format(end=end, other=other, riser=riser, loop=loop), encoding="utf-8")
    return path


def test_it_carries_what_a_line_into_a_tank_as_high_carries(tmp_path: Path) -> None:
    loop, line = (load_system(written(tmp_path, end), load_catalog()).network for end in ("sump", "bin"))
    there, aside = solve_network(loop).flows_m3_s, solve_network(line).flows_m3_s

    assert there["chiller loop"] == pytest.approx(aside["chiller loop"], rel=1e-9)
    assert there["chiller loop"] > 0.0


@pytest.mark.long
@pytest.mark.parametrize("loop_gph", [350, 430])
def test_its_plan_costs_what_that_of_such_a_line_costs(loop_gph: int, tmp_path: Path) -> None:
    costs = []
    for end in ("sump", "bin"):
        system, catalog = pipeline.read(written(tmp_path, end, loop=loop_gph), ())
        found = pipeline.search(system, catalog)
        assert found.status is Status.OPTIMAL
        costs.append(found.cost_cents)

    assert costs[0] == costs[1]


@pytest.mark.long
def test_beside_hose_the_sensible_plan_widens_legs_of_pipe_alone(tmp_path: Path) -> None:
    """Hose has sizes that pipe is not made in: a leg of pipe is never asked for in one."""
    system, catalog = pipeline.read(written(tmp_path, "sump", riser=600), ())
    found, _ = sensible(Question(system, catalog, Watch.of(60.0)))

    assert found is not None
    bought = {
        name: [p for p in run.parts if p.kind in PIPES and not p.existing] for name, run in found.plan.runs.items()
    }
    assert bought["riser"]
    assert not bought["chiller loop"]
    more, catalog = pipeline.read(written(tmp_path, "sump", riser=640, loop=400), ())  # no size serves that quietly
    assert sensible(Question(more, catalog, Watch.of(60.0)))[0] is None
