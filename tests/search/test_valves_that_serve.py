"""No valve is looked at where all water comes through and nothing has to be held back: it would serve nothing."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from unknown_systems import branches, catalog, day_and_night, line

from optimizer.choices.scaled import scaled
from optimizer.model.catalog import THROTTLES
from optimizer.model.system import System
from optimizer.search import run_graphs
from optimizer.search.flow_case import material_of
from optimizer.search.unknown_flows import find_unknown


def at_any_velocity(system: System) -> System:
    rules = replace(system.rules, velocity_limit_m_s=math.inf, new_pipe_velocity_limit_m_s=math.inf)
    return replace(system, rules=rules)


@pytest.mark.long
@pytest.mark.parametrize("least", [(1100, 900), pytest.param((700, 1000), marks=pytest.mark.slow)])
def test_with_such_valves_among_the_ways_no_plan_costs_less(
    least: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    system = at_any_velocity(branches(f"  left: at least {least[0]} L/h\n  right: at least {least[1]} L/h"))
    without = find_unknown(system, catalog())
    assert len(material_of(system, catalog()).sources["riser"]) == 1

    monkeypatch.setattr(run_graphs, "_feeds_all", lambda network, name: False)
    everywhere = find_unknown(system, catalog())

    assert len(material_of(system, catalog()).sources["riser"]) > 1
    assert without.cents == everywhere.cents
    assert without.plan.status is everywhere.plan.status


def test_one_is_looked_at_where_the_run_itself_has_an_upper_limit() -> None:
    system = line("  line: 900 to 950 L/h")
    assert len(material_of(system, catalog()).sources["line"]) > 1


def test_one_is_looked_at_where_less_water_keeps_new_pipe_within_its_velocity() -> None:
    system = branches("  left: at least 1100 L/h\n  right: at least 900 L/h")
    assert len(material_of(system, catalog()).sources["riser"]) > 1


def test_with_a_valve_more_is_reached_where_the_pump_alone_is_too_fast_for_the_new_pipe() -> None:
    # by hand: 1 in. pipe of 26.24 mm bore may carry 1.524 m/s x 541 mm2 = 0.824 L/s; the pump gives 0.855 L/s
    day, night = day_and_night().settings
    quiet = replace(night, targets=(replace(night.targets[0], low_m3_s=4.5e-4),))
    system = scaled(replace(day_and_night(), settings=(day, quiet)), 1.05)
    found = find_unknown(system, catalog())

    assert found.plan.found
    assert any(part.kind in THROTTLES for part in found.plan.runs["line"].parts)
