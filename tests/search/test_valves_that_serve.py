"""No valve is looked at where all water comes through and nothing has to be held back: it would serve nothing."""

from __future__ import annotations

import pytest
from unknown_systems import branches, catalog, line

from optimizer.search import flow_case
from optimizer.search.flow_case import material_of
from optimizer.search.unknown_flows import find_unknown


@pytest.mark.parametrize("least", [(1100, 900), (700, 1000)])
def test_with_such_valves_among_the_ways_no_plan_costs_less(
    least: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    system = branches(f"  left: at least {least[0]} L/h\n  right: at least {least[1]} L/h")
    without = find_unknown(system, catalog())
    assert len(material_of(system, catalog()).sources["riser"]) == 1

    monkeypatch.setattr(flow_case, "_feeds_all", lambda network, name: False)
    everywhere = find_unknown(system, catalog())

    assert len(material_of(system, catalog()).sources["riser"]) > 1
    assert without.cents == everywhere.cents
    assert without.plan.status is everywhere.plan.status


def test_one_is_looked_at_where_the_run_itself_has_an_upper_limit() -> None:
    system = line("  line: 900 to 950 L/h")
    assert len(material_of(system, catalog()).sources["line"]) > 1
