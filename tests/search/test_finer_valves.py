"""A valve that would stand nearly shut gives way to a finer one, within the price that the owner states for it."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from said import said

from optimizer.model.catalog import Catalog
from optimizer.model.system import System
from optimizer.read.catalogs import load_catalog
from optimizer.read.systems import load_system
from optimizer.search.engine import solve
from optimizer.search.finer_valves import LEAST_OPEN
from optimizer.search.question import Answer, Question
from optimizer.search.watch import Watch
from optimizer.verify.check import verify_plan

LINE = """
system: a trickle off a strong pump
units: metric
water: {salinity: 35 g/kg, temperature: 25 degC}
surfaces: {sump: 0 m, display: 1.2 m}
pumps:
  return: {curve: [0 L/h at 9 m, 3400 L/h at 8.4 m, 10200 L/h at 0 m], ports: 3/4 in socket}
runs:
  line:
    from: sump
    to: display
    size: 3/4 in sch 40 PVC
    parts: [{pump: return, keep: yes}, pipe 1 m, elbow, pipe 50 cm, ball valve, pipe 50 cm]
targets: {line: 65 to 80 L/h}
rules: {sizes: [1/2 in, 3/4 in]PRICE}
"""


@cache
def catalog() -> Catalog:
    return load_catalog()


def read(folder: Path, price: str) -> System:
    path = folder / "system.yaml"
    path.write_text(LINE.replace("PRICE", price), encoding="utf-8")
    return load_system(path, catalog())


def found(system: System) -> Answer:
    return solve(Question(system, catalog(), Watch.of(60.0)))


def opening(system: System, answer: Answer) -> float:
    (valve,) = verify_plan(system, answer.plan).valves
    return valve.opening


def test_a_valve_nearly_shut_is_not_offered_where_another_way_is_within_the_price(tmp_path: Path) -> None:
    # 70 L/h under 7.8 m in a 20 mm bore is K = 2 g h / v² = 4e4: a ball valve at 8 % of its quarter turn or so.
    plain = read(tmp_path, "")
    cheap = found(plain)
    assert cheap.plan.cost_cents == 0
    assert opening(plain, cheap) < LEAST_OPEN

    other = found(read(tmp_path, ", finer valves: 60 USD"))

    assert other.found
    assert opening(plain, other) >= LEAST_OPEN
    assert 0 < (other.plan.cost_cents or 0) <= 6000
    assert any("finer valves" in note for note in said(other.plan.notes))


def test_what_no_price_buys_stays_and_is_told(tmp_path: Path) -> None:
    none = found(read(tmp_path, ", finer valves: 0.50 USD"))

    assert none.plan.cost_cents == 0
    assert any("no other way within the price of `finer valves`" in note for note in said(none.plan.notes))
