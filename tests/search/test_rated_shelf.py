"""What the pump could burst is not for sale where it presses, but what stands of it is still known."""

from dataclasses import replace
from pathlib import Path

import pytest

from optimizer.model.catalog import PIPES, Catalog
from optimizer.model.checks import Check
from optimizer.model.network import Condition
from optimizer.model.safety import Verdict
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system
from optimizer.search.options import options_of
from optimizer.search.pressure import most_pressures_pa, rated, rated_shelves, with_pump_borne, with_weak_gone
from optimizer.verify.safety import safety_today

_MORE_THAN_ANY_PIPE_BEARS_PA = 1e8
HOUSE = """
system: A return beside a house line, invented
units: metric
currency: USD
water: {salinity: 0 g/kg, temperature: 20 degC}
surfaces: {sump: 0 m, display: 1 m}
supplies: {house: {pressure: 6 bar, elevation: 0 m}}
pumps: {p: {curve: [[0 L/h, 4 m], [6000 L/h, 0 m]], ports: 1 in NPT male}}
runs:
  line:
    {from: sump, to: display, size: 1 in sch 40 PVC, parts: [pump p, adapter NPT female x socket, union, pipe 1 m]}
  top off: {from: house, to: sump, size: 1/2 in sch 40 PVC, parts: [pipe 50 cm, ball valve, elbow, pipe 70 cm]}
targets: {line: at least 900 L/h}
"""


@pytest.fixture(scope="module")
def catalog() -> Catalog:
    return load_catalog()


@pytest.fixture
def beside_the_house(tmp_path: Path, catalog: Catalog) -> System:
    file = tmp_path / "house.yaml"
    file.write_text(HOUSE, encoding="utf-8")
    return load_system(file, catalog)


def rating(system: System, run: str, pressure_pa: float, condition: Condition = Condition.MAY_CHANGE) -> System:
    """Return the system, the last pipe of a run of another rating."""
    line = system.network.runs[run]
    assert line.parts[-1].item is not None
    item = replace(line.parts[-1].item, pressure_rating_pa=pressure_pa)
    weak = replace(line, parts=(*line.parts[:-1], replace(line.parts[-1], item=item, condition=condition)))
    return replace(system, network=system.network.with_runs({run: weak}))


def test_a_run_whose_own_pipe_is_too_weak_to_be_bought_again_keeps_its_ways(catalog: Catalog) -> None:
    system = load_system(data_directory("examples") / "single-return.yaml", catalog)

    strong = rated(catalog, _MORE_THAN_ANY_PIPE_BEARS_PA)
    options = options_of(system, strong, system.network.runs)

    bought = [p for graph in options.graphs.values() for arcs in graph.arcs for arc in arcs for p in arc.parts]
    new_pipe = [p for p in bought if p.kind in PIPES and not p.existing and p.item is not None]
    assert all(p.item.pressure_rating_pa == 0.0 for p in new_pipe if p.item is not None)  # unrated pipe stays
    assert any(p.existing for p in bought)


def test_house_water_presses_in_its_own_line_alone(beside_the_house: System) -> None:
    # 6 bar at the main; 4 m of fresh water at 20 °C: 998.2 kg/m3 x 9.80665 x 4 = 39.16 kPa (CRC Handbook, from memory)
    found = most_pressures_pa(beside_the_house)

    assert found == pytest.approx({"line": 39_160, "top off": 600_000}, rel=1e-3)


def test_each_run_buys_what_bears_its_own_pressure(beside_the_house: System, catalog: Catalog) -> None:
    shelves = rated_shelves(beside_the_house, catalog)
    between = {key for key, item in catalog.items.items() if 40_000 < item.pressure_rating_pa < 599_000}

    assert between
    assert between <= set(shelves["line"].items)
    assert not between & set(shelves["top off"].items)
    assert between <= set(shelves["top off"].elsewhere)


def test_a_part_is_judged_by_what_presses_in_its_own_run(beside_the_house: System) -> None:
    soft = rating(beside_the_house, "line", 100e3)
    burst = rating(beside_the_house, "top off", 500e3)

    assert with_weak_gone(soft) is soft
    gone = with_weak_gone(burst)
    assert gone is not None
    assert gone.network.runs["top off"].parts[-1].condition is Condition.MUST_GO
    verdicts = [
        [check.verdict for check in safety_today(one).checks if check.check is Check.PRESSURE and check.limit]
        for one in (soft, burst)
    ]
    assert verdicts == [[Verdict.SAFE], [Verdict.UNSAFE]]


def test_a_stronger_pump_has_to_be_borne_in_its_own_line_alone(beside_the_house: System) -> None:
    # 20 m of water are 196 kPa, more than 100 in the line and no more than before in the house line
    strong = replace(beside_the_house.network.pumps["p"], curve=((0.0, 20.0), (6000 / 3.6e6, 0.0)))

    def borne(today: System) -> System | None:
        return with_pump_borne(today, replace(today, network=replace(today.network, pumps={"p": strong})))

    assert borne(rating(beside_the_house, "line", 100e3, Condition.KEEP)) is None
    assert borne(rating(beside_the_house, "top off", 100e3, Condition.KEEP)) is not None
